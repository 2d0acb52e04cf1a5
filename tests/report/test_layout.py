"""Tables of plain text: what a terminal of 80 columns shows."""

from __future__ import annotations

from legibility.report.layout import columns


def test_numbers_that_begin_alike_are_told_apart_by_their_ends() -> None:
    rows = [("Animal", "Mark"), ("DE 08 1324 4259", "HD713"), ("DE 08 1324 4000", "HD700")]
    assert columns(rows, limits=(13, 5)) == [
        "Animal         Mark",
        "DE 0~324 4259  HD713",
        "DE 0~324 4000  HD700",
    ]


def test_what_stays_different_is_cut_at_its_end() -> None:
    rows = [("Berta of the upper farm",), ("Alma of the upper farm",), ("Berta of the upper farm",)]
    assert columns(rows, limits=(10,)) == ["Berta of ~", "Alma of t~", "Berta of ~"]
