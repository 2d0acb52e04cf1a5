"""Which marks of a herd are taken for which, each in the condition it was last seen in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.risk.kernel import load_kernel
from legibility.risk.marks import MarkSet, mark_set
from legibility.risk.misreading import Allowed, Errors, channel
from legibility.risk.pairs import LEAST, Finder
from legibility.risk.risk import RegistryRisk, part_risk, parts_of, registry_risk
from legibility.settings import Settings

RIVALS: Final = 3
"""Choice: rivals kept for an animal."""
GRADE_UNKNOWN: Final = 2.0
"""Choice: a mark that nobody graded is looked at as "worn"."""
GRADE_LOST: Final = 0.5
"""Choice: grade at which a lost mark is looked at, between "lost" and "faint"."""


@dataclass(frozen=True, slots=True)
class MarkRisks:
    """One entry a mark that was given."""

    risk: NDArray[np.float64]
    """(n,) probability that a reading in its condition ends at another animal."""
    risk_lost: NDArray[np.float64]
    """(n,) the same once it is lost."""
    rival: NDArray[np.int64]
    """(n, RIVALS) index of the other animal; -1 for none."""
    rival_probability: NDArray[np.float64]
    """(n, RIVALS) most probable first."""
    same_mark: NDArray[np.int64]
    """(n,) other animals with the very same mark."""


def mark_risks(
    marks: Sequence[str], grade: NDArray[np.float64], *, settings: Settings | None = None
) -> MarkRisks:
    """Risk of each mark against all others.

    Parameters
    ----------
    marks : sequence of str
        One an animal.
    grade : (n,) 0..4 or NaN
        Rounded to whole grades.
    """
    if not len(marks):
        none = np.zeros(0)
        empty = np.zeros((0, RIVALS))
        return MarkRisks(none, none, empty.astype(np.int64), empty, none.astype(np.int64))
    settings = settings or Settings()
    errors = Errors(settings.p_swap, settings.p_wrong_die, settings.p_turned_die)
    known = mark_set(np.asarray(marks, dtype=np.bytes_))
    finder = Finder(known)
    whole = np.round(np.where(np.isnan(grade), GRADE_UNKNOWN, grade))
    levels = np.clip(whole, GRADE_LOST, 4.0)
    now, unread = _at(known, finder, np.asarray(levels, np.float64), errors)
    later, unread_later = _at(known, finder, np.full(len(marks), GRADE_LOST), errors)
    rival, probability = _rivals(known, now)
    return MarkRisks(
        risk=now.risk * (1 - unread),
        risk_lost=later.risk * (1 - unread_later),
        rival=rival,
        rival_probability=probability * (1 - unread)[:, None],
        same_mark=known.carriers[known.of_given] - 1,
    )


def _at(
    known: MarkSet, finder: Finder, grade: NDArray[np.float64], errors: Errors
) -> tuple[RegistryRisk, NDArray[np.float64]]:
    """Risks with each mark at its grade, and the share of rows that show too little to be read."""
    kernel = load_kernel()
    grades, levels = np.unique(grade, return_inverse=True)
    wanted = [np.unique(known.of_given[levels == level]) for level in range(len(grades))]
    channels = [channel(kernel.at(float(value)), errors) for value in grades]
    done = [
        part_risk(part, known, finder, channels[part.level], allowed=Allowed(), least=LEAST)
        for part in parts_of(known, wanted)
    ]
    unread = np.array([kernel.row_unread_at(float(value)) for value in grades])[levels]
    return registry_risk(known, levels.astype(np.int64), done), np.asarray(unread, np.float64)


def _rivals(known: MarkSet, found: RegistryRisk) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """The most probable rivals of each animal; one of several with the same mark stands first."""
    n = len(known.of_given)
    order = np.argsort(known.of_given, kind="stable")
    start = np.concatenate([[0], np.cumsum(known.carriers)])
    place = np.empty(n, dtype=np.int64)
    place[order] = np.arange(n) - start[known.of_given[order]]
    carriers = known.carriers[known.of_given]
    rival = np.full((n, RIVALS + 1), -1, dtype=np.int64)
    probability = np.zeros((n, RIVALS + 1))
    twin = carriers > 1
    following = start[known.of_given] + (place + 1) % carriers
    rival[twin, RIVALS] = order[following[twin]]
    probability[twin, RIVALS] = found.same_mark[twin] / (carriers[twin] - 1)
    for rank in range(RIVALS):
        at = found.start[found.record_of] + rank
        has = at < found.start[found.record_of + 1]
        mark = found.read[at[has]]
        rival[has, rank] = order[start[mark]]
        probability[has, rank] = found.probability[at[has]] / known.carriers[mark]
    best = np.argsort(-probability, axis=1, kind="stable")[:, :RIVALS]
    rows = np.arange(n)[:, None]
    return rival[rows, best], probability[rows, best]
