"""Table, JSON and CSV of proposed marks."""

from __future__ import annotations

import csv
import io
from typing import Any

from legibility.report.assign import (
    HEADING,
    assign_csv,
    assign_page,
    assign_record,
    assign_table,
)

MARK: dict[str, Any] = {
    "mark": "K417",
    "worst_rival": "=K471",
    "probability": 0.00042,
    "registered": True,
    "needles": 66,
    "too_many_needles": True,
    "forms": "forms learned from 412 marks",
}
ALONE: dict[str, Any] = {**MARK, "mark": "B223", "worst_rival": "", "probability": 0.0}
SUMMARY: dict[str, Any] = {
    "forms": "forms learned from 412 marks",
    "forms_said": ["  411 marks: HD, 3 figures  (HD001 ... HD411)"],
    "bound_wanted": 0.001,
    "registered": 12,
    "released": 2,
    "condition": "worn (grade 2.0 of 4)",
    "bound": 0.001,
    "needles_max": 64,
    "space": {
        "allowed": 1000,
        "free": {"value": 900.0, "low": 880.0, "high": 910.0, "exact": False},
        "together": {"value": 100.0, "low": 90.0, "high": 110.0, "exact": False},
        "mean_conflicts": 8.0,
        "gilbert_varshamov": 40,
        "distance_sure": 3,
        "at_most": 500,
        "at_most_by": "Hamming, Singleton",
        "distance_needed": 1,
    },
    "complete": False,
    "least_named": 1e-6,
    "worst": MARK,
    "flagged": 2,
    "alphabet": [
        {"left_out": "", "marks": 100.0, "confused_with": "", "probability": 0.0},
        {"left_out": "O", "marks": 140.0, "confused_with": "0", "probability": 0.2},
    ],
    "advised_out": "O",
    "check": {
        "scheme": "damm",
        "without": 100.0,
        "with_check": 900.0,
        "needles_without": 48.0,
        "needles_with": 60.0,
        "worth": True,
        "sentence": "worth it",
    },
    "codes": [[1, 1000, 1000, 1000], [2, 36, 1000, 100]],
}


def test_table_says_everything_in_a_hundred_columns() -> None:
    text = assign_table(SUMMARY, [MARK, ALONE])
    assert max(map(len, text.splitlines())) <= 100
    for words in (
        "K417",
        "66 (more than 64)",
        # 1 / 0.00042 = 2381
        "once in 2,400",
        "leave out O",
        "about 900 (880 to 910)",
        "Worst pair: K417",
        "worth it",
        "free again: 2",
        "common practice, no source",
    ):
        assert words in " ".join(text.split())


def test_no_rival_to_name_is_said_in_a_plain_sentence() -> None:
    summary = {**SUMMARY, "registered": 1, "worst": ALONE}
    text = " ".join(assign_table(summary, [ALONE]).split())
    assert "1 new mark against 1 registered one:" in text
    assert "less than once in 1,000,000 readings." in text
    assert "as if no mark were registered yet" in text


def test_forms_are_named_and_a_bound_that_was_widened_is_said() -> None:
    text = " ".join(assign_table(SUMMARY, [MARK]).split())
    assert "Marks keep to forms learned from 412 marks: 411 marks: HD, 3 figures" in text
    assert "do not exist in the forms of this herd" not in text
    wider = " ".join(assign_table({**SUMMARY, "bound": 0.01}, [MARK]).split())
    assert "So many marks below 0.001 do not exist in the forms of this herd" in wider
    assert assign_record(MARK)["forms"] == "forms learned from 412 marks"


def test_json_names_the_rival_or_null() -> None:
    assert assign_record(MARK)["probability"] == 0.00042
    assert assign_record(ALONE)["worst_rival"] is None


def test_csv_cells_cannot_act() -> None:
    rows = list(csv.reader(io.StringIO(assign_csv([MARK, ALONE]))))
    assert tuple(rows[0]) == HEADING
    # OWASP "CSV Injection": a cell must not begin with an equals sign.
    assert rows[1][1] == "'=K471"
    assert rows[1][2] == "0.00042"
    assert rows[2][1] == ""


def test_the_page_holds_all_marks_and_says_what_the_table_says() -> None:
    hostile = {**MARK, "mark": "<b>K417</b>", "worst_rival": "<script>alert(1)</script>"}
    page = assign_page({**SUMMARY, "worst": hostile}, [hostile, *[ALONE] * 60])
    assert page.count('<td class="mark">B223</td>') == 60
    assert "<script" not in page
    assert "&lt;b&gt;K417&lt;/b&gt;" in page
    for wanted in ("Leave out O.", "about 100 (90 to 110)", "damm", "2 of these marks", "Hamming"):
        assert wanted in page
    assert "src=" not in page
    assert "href=" not in page
