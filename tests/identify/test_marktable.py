from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from legibility.alphabet import CHARACTERS
from legibility.identify.marktable import build_mark_table

rows = st.text(CHARACTERS, min_size=1, max_size=12)
marks = st.one_of(rows, st.tuples(rows, rows).map("/".join))


@given(st.lists(marks, max_size=12), marks)
def test_marks_come_back_and_are_found(listed: list[str], other: str) -> None:
    table = build_mark_table(listed)
    assert [table.mark_text(index) for index in range(len(table))] == listed
    for mark in [*listed, other]:
        assert list(table.find(mark)) == [i for i, m in enumerate(listed) if m == mark]


def test_strange_questions_find_nothing() -> None:
    table = build_mark_table(["AB", "A/B"])
    for mark in ("", "/", "A/", "/B", "A/B/C", "ab", "A" * 13, "AB "):
        assert table.find(mark).size == 0


def test_pieces_are_counted() -> None:
    table = build_mark_table(["6M7A", "1123"])
    by_text = {table.row_text(row): row for row in range(2)}
    assert table.turnable[by_text["6M7A"]] == 3
    assert table.unequal_pairs[by_text["1123"]] == 2
