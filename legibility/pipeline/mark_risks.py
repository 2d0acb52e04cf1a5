"""Which marks of a herd are taken for which, each in the condition it was last seen in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import ROW_SEPARATOR
from legibility.risk.classes import Classes
from legibility.risk.kernel import load_kernel
from legibility.risk.marks import MarkSet, mark_set
from legibility.risk.misreading import Allowed, Errors, channel, pair_probability, views
from legibility.risk.pairs import LEAST
from legibility.risk.risk import RegistryRisk, part_risk, parts_of, registry_risk
from legibility.settings import Settings

RIVALS: Final = 3
"""Choice: rivals kept for an animal."""
GRADE_UNKNOWN: Final = 2.0
"""Choice: a mark that nobody graded is looked at as "worn"."""
GRADE_LOST: Final = 0.5
"""Choice: grade at which a lost mark is looked at, between "lost" and "faint"."""

MOST_MOVED: Final = 20
"""Choice: with more marks that came or went everything is done anew; each costs a look at all."""


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


@dataclass(frozen=True, slots=True)
class Before:
    """What was found for the same marks in the same order before some of them changed."""

    marks: NDArray[np.str_]
    grade: NDArray[np.float64]
    risks: MarkRisks


def mark_risks(
    marks: Sequence[str] | NDArray[np.str_],
    grade: NDArray[np.float64],
    *,
    settings: Settings | None = None,
    before: Before | None = None,
) -> MarkRisks:
    """Risk of each mark against all others.

    Parameters
    ----------
    marks : sequence of str
        One an animal; empty for none, which has no risk and is nobody's rival.
    grade : (n,) 0..4 or NaN
        Rounded to whole grades.
    before : Before, optional
        Of at most ``n`` animals, the first ones. What cannot have changed since is taken from it;
        the result is the same.
    """
    texts, levels = np.asarray(marks, dtype=np.str_), level_of_grade(grade)
    has = np.flatnonzero(texts != "")
    out = _nothing(len(texts))
    if not len(has):
        return out
    errors = Errors.of(settings)
    known = mark_set(texts[has].astype(np.bytes_))
    of_animal = np.full(len(texts), -1, dtype=np.int64)
    of_animal[has] = np.arange(len(has))
    anew = np.arange(len(has))
    if before is not None:
        found = _to_do(texts, levels, before, known, errors)
        if found is not None:
            n = len(before.marks)
            for name in ("risk", "risk_lost", "rival", "rival_probability", "same_mark"):
                getattr(out, name)[:n] = getattr(before.risks, name)
            gone = np.flatnonzero(texts == "")
            _put(out, gone, _nothing(len(gone)))
            anew = of_animal[found[texts[found] != ""]]
    if len(anew):
        part = _of_some(Classes(known), levels[has], anew, errors)
        rival = np.where(part.rival >= 0, has[part.rival], -1)
        _put(out, has[anew], replace(part, rival=rival))
    return out


def _nothing(count: int) -> MarkRisks:
    return MarkRisks(
        np.zeros(count),
        np.zeros(count),
        np.full((count, RIVALS), -1, dtype=np.int64),
        np.zeros((count, RIVALS)),
        np.zeros(count, dtype=np.int64),
    )


def _put(out: MarkRisks, rows: NDArray[np.int64], part: MarkRisks) -> None:
    for item in fields(MarkRisks):
        getattr(out, item.name)[rows] = getattr(part, item.name)


def level_of_grade(grade: NDArray[np.float64]) -> NDArray[np.float64]:
    """(n,) whole grade that a mark is looked at as; NaN is no grade."""
    whole = np.round(np.where(np.isnan(grade), GRADE_UNKNOWN, grade))
    return np.asarray(np.clip(whole, GRADE_LOST, 4.0), np.float64)


def _to_do(
    texts: NDArray[np.str_],
    levels: NDArray[np.float64],
    before: Before,
    known: MarkSet,
    errors: Errors,
) -> NDArray[np.int64] | None:
    """Animals whose figures may differ from those before; None when all may.

    An animal's figures depend on its own mark and condition, on who else carries its mark, and on
    the marks of the herd that it is read as with ``LEAST`` or more. So those are done anew that
    changed, that carry a mark which came or went, or that are read as one.
    """
    n = len(before.marks)
    same_text = np.zeros(len(texts), dtype=np.bool_)
    same_text[:n] = texts[:n] == before.marks
    same = same_text.copy()
    same[:n] &= levels[:n] == level_of_grade(before.grade)
    now = np.unique(texts[~same_text])
    then = np.unique(before.marks[~same_text[:n]])
    moved = [str(text) for text in np.union1d(now, then) if text]
    if len(moved) > MOST_MOVED:
        return None
    touched = ~same
    touched |= np.isin(_characters(texts), _characters(np.array(moved, dtype=np.str_)))
    has = np.flatnonzero(texts != "")
    # Whoever is read as the characters of a mark, in whatever rows, may share it otherwise now.
    for text in sorted({*moved, *_characters(np.array(moved, dtype=np.str_)).tolist()}):
        touched[has[_read_as(known, levels[has], text, errors)]] = True
    return np.flatnonzero(touched)


def _characters(marks: NDArray[np.str_]) -> NDArray[np.str_]:
    return np.strings.replace(marks, ROW_SEPARATOR, "") if len(marks) else marks


def _read_as(
    known: MarkSet, levels: NDArray[np.float64], text: str, errors: Errors
) -> NDArray[np.int64]:
    """Those whose mark is read as a text with ``LEAST`` or more, as it is or once it is lost."""
    kernel = load_kernel()
    (wanted,) = mark_set([text]).groups
    found = []
    for group in known.groups:
        if not views(group.structure, wanted.structure, channel(kernel.at(GRADE_LOST), errors)):
            continue
        place = known.of_given - group.ids[0]
        mine = np.flatnonzero((place >= 0) & (place < len(group.ids)))
        for level in np.unique(np.append(levels[mine], GRADE_LOST)):
            use = mine if level == GRADE_LOST else mine[levels[mine] == level]
            codes = group.codes[place[use]]
            target = np.broadcast_to(wanted.codes, (len(use), wanted.codes.shape[1]))
            ch = channel(kernel.at(float(level)), errors)
            p = pair_probability(codes, group.structure, target, wanted.structure, ch)
            # The same sums come in another order here; a hair's breadth is no difference.
            found.append(use[p >= LEAST * (1 - 1e-9)])
    return np.concatenate(found) if found else np.zeros(0, dtype=np.int64)


def _of_some(
    classes: Classes,
    levels: NDArray[np.float64],
    animals: NDArray[np.int64],
    errors: Errors,
) -> MarkRisks:
    """Figures of some animals against all; ``levels`` and rivals are by all animals with a mark."""
    now, unread = _at(classes, levels, animals, errors)
    lost = np.full(len(levels), GRADE_LOST)
    later, unread_later = _at(classes, lost, animals, errors)
    rival, probability = _rivals(classes, now, animals)
    own = classes.own[classes.marks.of_given[animals]]
    return MarkRisks(
        risk=now.risk * (1 - unread),
        risk_lost=later.risk * (1 - unread_later),
        rival=rival,
        rival_probability=probability * (1 - unread)[:, None],
        same_mark=classes.carriers[own] - 1,
    )


def _at(
    classes: Classes,
    all_grades: NDArray[np.float64],
    animals: NDArray[np.int64],
    errors: Errors,
) -> tuple[RegistryRisk, NDArray[np.float64]]:
    """Risks of some animals at their grades, and the share of rows that cannot be read at all."""
    kernel, known = load_kernel(), classes.marks
    grades, levels = np.unique(all_grades[animals], return_inverse=True)
    marks = known.of_given[animals]
    wanted = [np.unique(marks[levels == level]) for level in range(len(grades))]
    channels = [channel(kernel.at(float(value)), errors) for value in grades]
    done = [
        part_risk(part, known, classes, channels[part.level], allowed=Allowed(), least=LEAST)
        for part in parts_of(known, wanted)
    ]
    unread = np.array([kernel.row_unread_at(float(value)) for value in grades])[levels]
    found = registry_risk(classes, levels.astype(np.int64), done, animals=animals)
    return found, np.asarray(unread, np.float64)


def _rivals(
    classes: Classes, found: RegistryRisk, animals: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """The most probable rivals of some animals; one of several of a class stands first."""
    order, start = classes.members, classes.start
    mine = classes.own[classes.marks.of_given[animals]]
    carriers = classes.carriers[mine]
    n = len(animals)
    rival = np.full((n, RIVALS + 1), -1, dtype=np.int64)
    probability = np.zeros((n, RIVALS + 1))
    twin = np.flatnonzero(carriers > 1)
    place = _place_in_class(classes, mine[twin], animals[twin])
    following = start[mine[twin]] + (place + 1) % carriers[twin]
    rival[twin, RIVALS] = order[following]
    probability[twin, RIVALS] = found.same_mark[twin] / (carriers[twin] - 1)
    for rank in range(RIVALS):
        at = found.start[found.record_of] + rank
        has = at < found.start[found.record_of + 1]
        read = found.read[at[has]]
        rival[has, rank] = order[start[read]]
        probability[has, rank] = found.probability[at[has]] / classes.carriers[read]
    best = np.argsort(-probability, axis=1, kind="stable")[:, :RIVALS]
    rows = np.arange(n)[:, None]
    return rival[rows, best], probability[rows, best]


def _place_in_class(
    classes: Classes, which: NDArray[np.int64], animals: NDArray[np.int64]
) -> NDArray[np.int64]:
    """(n,) how many of a class stand before an animal of it."""
    place = np.zeros(len(which), dtype=np.int64)
    sizes = classes.carriers[which]
    for nth in range(int(sizes.max(initial=0))):
        here = np.flatnonzero(sizes > nth)
        at = classes.members[classes.start[which[here]] + nth]
        place[here[at == animals[here]]] = nth
    return place
