"""Looks of a record by the mark that each is at, and what they say of it."""

from __future__ import annotations

from typing import Final

import numpy as np

from legibility.containers import Flag
from legibility.herd.histories import SPAN, Ints, Looks, Sighted, sighted
from legibility.herd.intervals import Floats
from legibility.herd.refusals import AS_FOUND, COVERED, PREPARED, load_refusals
from legibility.store.columns import (
    CLIPPED,
    LEFT,
    NOT_USABLE,
    READ,
    RIGHT,
    UNREADABLE,
    USABLE,
    LookColumns,
    MarkColumns,
)

NAMED: Final = 0.95
"""Choice: a reading that names its own animal with this probability shows that the mark can be
used, whatever the grade."""
OVER_THE_MARK: Final = Flag.HAIR | Flag.GLARE | Flag.LOW_CONTRAST
"""What lowers a grade or hides a mark without being the mark's fault."""
_BEGINNING: Final = -1e6
"""Day before any date; of a mark whose application is not known."""


def sighted_marks(
    marks: MarkColumns, looks: LookColumns, owner: Ints, whose: Ints, usable_grade: float
) -> tuple[Sighted, int]:
    """Judgements by mark, and how many could not be put down to one."""
    read = looks.kind == READ
    named = looks.is_first & (looks.misread_risk <= 1.0 - NAMED)
    shown = read & (named | (looks.grade >= usable_grade))
    # A weak reading that names nobody says nothing of the mark: what it lacks may be the photo's.
    says = shown | (looks.kind == UNREADABLE) | (looks.kind >= USABLE)
    use = np.flatnonzero(says & ~looks.disputed)
    kind, day = looks.kind[use], np.floor(looks.time[use])
    place = _placed(marks, owner, whose[use], day, looks.ear[use], looks.names_mark[use])
    unplaced = int(((place < 0) & ~np.isnan(day)).sum())
    # Where no mark is found hair is looked for in a guess of its place: clipping outdoes that.
    clipped = (looks.prepared[use] == CLIPPED) & (kind == UNREADABLE)
    over = np.where(clipped, int(OVER_THE_MARK & ~Flag.HAIR), int(OVER_THE_MARK))
    covered = (looks.flags[use] & over) > 0
    good = np.where(covered, 0, looks.prepared[use])
    chances = load_refusals()
    weight = np.select(
        [covered, good > 0],
        [chances.weight(COVERED), chances.weight(PREPARED)],
        default=chances.weight(AS_FOUND),
    )
    graded = (kind >= USABLE) | ((kind == READ) & ~covered)
    return (
        sighted(
            Looks(
                mark=place,
                day=day,
                usable=(kind == USABLE) | (kind == READ),
                said_lost=kind == NOT_USABLE,
                grade=np.where(graded, looks.grade[use], np.nan),
                good=good,
                weight=weight,
            )
        ),
        unplaced,
    )


def _placed(
    marks: MarkColumns, owner: Ints, whose: Ints, day: Floats, ear: Ints, names_mark: Ints
) -> Ints:
    """Index of the mark that each look is at; -1 for none."""
    left, right = (
        _in_ear(marks, owner, whose, day, np.flatnonzero((marks.ear == 0) | (marks.ear & bit > 0)))
        for bit in (LEFT, RIGHT)
    )
    # No ear said: the mark that was read, or the only one that it can be.
    either = np.where(left < 0, right, np.where((right < 0) | (right == left), left, -1))
    order = np.argsort(marks.key)
    named = names_mark > 0
    if named.any():
        either[named] = order[np.searchsorted(marks.key[order], names_mark[named])]
    return np.select([ear == LEFT, ear == RIGHT], [left, right], default=either)


def _in_ear(marks: MarkColumns, owner: Ints, whose: Ints, day: Floats, use: Ints) -> Ints:
    """Newest of some marks that was in the animal's ear on a day and still counted; -1 for none."""
    if not len(use):
        return np.full(len(whose), -1, dtype=np.int64)
    start = np.nan_to_num(marks.applied[use], nan=_BEGINNING)
    keys = owner[use] * SPAN + start
    order = np.argsort(keys, kind="stable")
    wanted = whose * SPAN + np.nan_to_num(day)
    at = np.searchsorted(keys[order], wanted, side="right") - 1
    found = use[order[np.maximum(at, 0)]]
    # A look from before the retirement became known still belongs to the mark.
    ok = (at >= 0) & (owner[found] == whose) & (marks.retired[found] > np.nan_to_num(day))
    return np.where(ok, found, -1)
