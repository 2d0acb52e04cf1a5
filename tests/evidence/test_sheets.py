"""Sheets that people filled in, and what they may have done to them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from legibility.errors import EvidenceError
from legibility.evidence.sheets import (
    load_sheet,
    sheet_csv,
    sheet_json,
    unanswered,
)
from legibility.marks.open_readings import clean_reading
from tests.evidence.blind_builder import filled, small_key

KEY = small_key()
SHEET = KEY.sheets[0]


def test_csv_and_json_say_the_same(tmp_path: Path) -> None:
    values = json.loads(sheet_json(SHEET, claims=False))
    for row in values["readings"]:
        row["reading"], row["legibility"] = "ab/1?3", "4"
    path = tmp_path / "sheet.json"
    path.write_text(json.dumps(values), "utf-8")
    by_json = load_sheet(path, KEY)
    by_csv = filled(KEY, SHEET, lambda photo, repeat: ("AB/1?3", "4"), tmp_path)
    assert by_json.answers == by_csv.answers
    assert by_json.answers[0].reading == "AB/1?3"
    assert unanswered([by_csv]) == []


def test_semicolons_and_a_byte_order_mark_are_read(tmp_path: Path) -> None:
    path = tmp_path / "sheet.csv"
    path.write_text(sheet_csv(SHEET, claims=False).replace(",", ";"), "utf-8-sig")
    assert len(unanswered([load_sheet(path, KEY)])) == len(SHEET.items)


@pytest.mark.parametrize(
    ("column", "value", "said"),
    [
        (3, "A!", "'!'"),
        (3, "AB//1", "empty row"),
        (4, "5", "legibility"),
        (2, "ZZZZ", "not on this sheet"),
    ],
)
def test_bad_lines_are_named(tmp_path: Path, column: int, value: str, said: str) -> None:
    lines = sheet_csv(SHEET, claims=False).splitlines()
    cells = lines[2].split(",")
    cells[column] = value
    lines[2] = ",".join(cells)
    path = tmp_path / "sheet.csv"
    path.write_text("\n".join(lines), "utf-8")
    with pytest.raises(EvidenceError, match=said) as error:
        load_sheet(path, KEY)
    assert "line 3" in str(error.value)


def test_an_item_answered_twice_is_refused(tmp_path: Path) -> None:
    lines = sheet_csv(SHEET, claims=False).splitlines()
    path = tmp_path / "sheet.csv"
    path.write_text("\n".join([*lines, lines[1]]), "utf-8")
    with pytest.raises(EvidenceError, match="answered before"):
        load_sheet(path, KEY)


@pytest.mark.parametrize("text", ["", "a,b\n1,2\n", "sheet,item,reading\n", "{", '{"sheet": "X"}'])
def test_what_is_no_sheet_is_refused(tmp_path: Path, text: str) -> None:
    path = tmp_path / "sheet.csv"
    path.write_text(text, "utf-8")
    with pytest.raises(EvidenceError, match="sheet"):
        load_sheet(path, KEY)


def test_a_sheet_of_another_set_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "sheet.csv"
    path.write_text(sheet_csv(small_key(seed=99).sheets[0], claims=False), "utf-8")
    with pytest.raises(EvidenceError, match="key of that set"):
        load_sheet(path, KEY)


def test_readings_are_cleaned() -> None:
    assert clean_reading(" ab / 1?3 ") == ("AB/1?3", "")
    assert clean_reading("-") == ("-", "")
    assert clean_reading("a[b8]1") == ("A[8B]1", "")
    assert clean_reading("A[8")[1]
    assert clean_reading("=1+1")[1]
