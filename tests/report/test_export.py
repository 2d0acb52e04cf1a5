"""The table for spreadsheets."""

from __future__ import annotations

import csv
import io
from dataclasses import replace

import pytest

from legibility.containers import Candidate
from legibility.report.export import HEADING, harmless, results_csv
from tests.example_results import ambiguous_result, example_results

# OWASP, "CSV Injection": cells that begin with these characters can be taken for formulas.
ACTIVE = ["=", "+", "-", "@", "\t", "\r"]


@pytest.mark.parametrize("start", ACTIVE)
def test_no_cell_can_act_in_a_spreadsheet(start: str) -> None:
    payload = start + "HYPERLINK(1)"
    result = ambiguous_result(payload)
    identification = replace(
        result.identification,
        candidates=(Candidate(payload, payload, 0.7),),
        candidate_set=(payload, None),
    )
    result = replace(result, identification=identification, reasons=(payload,))
    rows = list(csv.reader(io.StringIO(results_csv([result]), newline="")))
    assert all(len(row) == len(HEADING) for row in rows)
    assert not [cell for cell in rows[1] if cell.startswith(tuple(ACTIVE))]
    assert rows[1][0] == "'" + payload


def test_blanks_before_a_formula_do_not_hide_it() -> None:
    assert harmless("  =1") == "'  =1"
    assert harmless("goat 7") == "goat 7"
    assert harmless("") == ""


def test_one_line_a_photo_with_its_values() -> None:
    rows = list(csv.DictReader(io.StringIO(results_csv(example_results()), newline="")))
    assert len(rows) == len(example_results())
    assert rows[0]["text"] == "AB3/47?"
    assert rows[0]["first_candidate"] == "goat 0142"
    assert rows[0]["probability"] == "0.71"
    assert rows[0]["candidate_set"] == "goat 0142; goat 0188; (not registered)"
    assert rows[2]["first_candidate"] == ""
    assert rows[2]["grade"] == ""


def test_line_breaks_and_quotes_in_names_survive() -> None:
    name = 'a "b"\n,c;'
    rows = list(csv.DictReader(io.StringIO(results_csv([ambiguous_result(name)]), newline="")))
    assert rows[0]["photo"] == name
