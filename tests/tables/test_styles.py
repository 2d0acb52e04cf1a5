"""Which column holds what, on header styles in twelve languages; right, asked, or wrong."""

from __future__ import annotations

import io
from pathlib import Path

import pytest

from legibility.tables.choice import ROLES
from legibility.tables.reader import read_table
from legibility.tables.understanding import Understood, understand
from tests.tables.styles import ASK, STYLES, Style

ROWS = 30


def text_of(style: Style) -> str:
    out = io.StringIO()
    columns = style[1]
    out.write(";".join(heading for heading, _, _ in columns) + "\n")
    for n in range(ROWS):
        out.write(";".join(cells(n) for _, cells, _ in columns) + "\n")
    return out.getvalue()


def understood(style: Style) -> Understood:
    table = read_table(text_of(style).encode("utf-8"), "herd.csv")
    return understand(table)


def outcome(style: Style) -> tuple[str, str]:
    """``right``, ``asked``, ``asked too much``, ``left out`` or ``WRONG``, and the details."""
    found = understood(style)
    wanted = {role: place for place, (_, _, role) in enumerate(style[1]) if role in ROLES}
    must_ask = any(role == ASK for _, _, role in style[1])
    got = {column.role: column.place for column in found.columns if column.role in ROLES}
    detail = f"{style[0]}: wanted {wanted}, got {got}; " + "; ".join(
        question.text for question in found.questions
    )
    if found.questions:
        return ("right" if must_ask else "asked too much"), detail
    wrong = must_ask or any(wanted.get(role) != place for role, place in got.items())
    if wrong:
        return "WRONG", detail
    return ("right" if got == wanted else "left out"), detail


def test_columns_are_told_or_asked_and_never_taken_wrongly() -> None:
    results = [outcome(style) for style in STYLES]
    count = len(results)
    right = sum(kind == "right" for kind, _ in results)
    print(f"\n{count} header styles: {right} right, "
          f"{sum(k in ('asked too much', 'left out') for k, _ in results)} asked or left out, "
          f"{sum(k == 'WRONG' for k, _ in results)} wrong without asking")  # fmt: skip
    others = [f"{kind}: {detail}" for kind, detail in results if kind != "right"]
    print("\n".join(others))
    assert count >= 60
    assert not [line for line in others if line.startswith("WRONG")]
    assert right >= 0.95 * count, others


@pytest.mark.parametrize("style", STYLES, ids=[style[0] for style in STYLES])
def test_the_columns_said_by_hand_give_the_same(style: Style, tmp_path: Path) -> None:
    found = understood(style)
    if found.questions:
        return
    table = read_table(text_of(style).encode("utf-8"), "herd.csv")
    again = understand(table, found.in_words())
    assert not again.questions
    assert [(c.role, c.place) for c in again.columns] == [(c.role, c.place) for c in found.columns]
