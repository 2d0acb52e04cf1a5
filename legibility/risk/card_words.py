"""Dies, swaps and needles of a card in words."""

from __future__ import annotations

from collections.abc import Sequence

from legibility.risk.card import DieFinding


def where(die: DieFinding, two_rows: bool) -> str:
    """One die by its place."""
    return f"die {die.cell} of row {die.row}" if two_rows else f"die {die.cell}"


def listed(dies: Sequence[DieFinding], two_rows: bool) -> str:
    """Several dies by their places."""
    return ", ".join(where(die, two_rows) for die in dies)


def swap_place(swapped: tuple[int, int], two_rows: bool) -> str:
    """The places of two swapped dies, from row and first of them."""
    row, cell = swapped
    return f"{cell}-{cell + 1}" + (f" of row {row}" if two_rows else "")


def needle_words(die: DieFinding, two_rows: bool) -> str:
    """What is wrong with the needles of a die."""
    state = die.needles
    parts = []
    if state.missing:
        parts.append(f"{state.missing} needle{'s' * (state.missing > 1)} missing")
    if state.bent:
        parts.append(f"{state.bent} needle{'s' * (state.bent > 1)} bent")
    return f"{' and '.join(parts)} in {where(die, two_rows)} ({die.found})"
