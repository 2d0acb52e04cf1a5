"""Who should be looked at first, from a folder of photos that have been read.

Photos alone never say that an animal is to be marked anew: one that shows no mark may show hair,
dirt or water, and one of a low grade may be a poor photo of a good mark. That is for the record,
where several looks have to agree, see ``histories``.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Protocol

import numpy as np

from legibility.alphabet import CHARACTERS, ROW_SEPARATOR, split_mark
from legibility.containers import Animal, Decision, Flag, PhotoResult, Status
from legibility.herd.refusals import AS_FOUND, COVERED, load_refusals, p_lost
from legibility.probability import percent

GRADES: Final = (0.0, 1.0, 2.0, 3.0, 4.0)
LOSS_BY_GRADE: Final = (0.70, 0.35, 0.15, 0.05, 0.02)
"""Assumption, no source: chance that a mark of grade 0, 1, 2, 3, 4 cannot be read next time. No
published figures for the loss of ear tattoos by condition were found."""
LOSS_UNKNOWN: Final = 0.15
"""Choice: the same for a mark without a grade."""
WORN: Final = 2.0
"""Choice: a settled mark of a lower grade is looked at by eye."""
STEPS: Final = (
    (Flag.HAIR, "clip the hair"),
    (Flag.GLARE, "dry the ear"),
    (Flag.NONE, "clean the ear, then clip it"),
)
"""What comes before the next photo, by what lies over the mark; common practice, no source."""
TWIN_WEIGHT: Final = 0.5
"""Choice: how often a character lost by an animal with a near twin makes it the twin."""
TWINS_NAMED: Final = 5
"""Choice: most twins named in a reason."""


class AnimalTable(Protocol):
    """What is needed of a registry."""

    def __len__(self) -> int: ...

    def animal(self, index: int) -> Animal:
        """One animal by its index."""
        ...

    def find(self, mark: str) -> tuple[int, ...]:
        """Animals that carry a mark."""
        ...


@dataclass(frozen=True, slots=True)
class WorklistRow:
    """One animal, or one photo that could not be put down to one."""

    result: PhotoResult
    animal_id: str | None
    """None: the photo was not put down to an animal."""
    mark: str
    """Mark of the record; as read where there is none."""
    urgency: float
    """Chance that this animal's identity is, or will next time be, lost or wrong, 0..1."""
    misread_risk: float
    grade: float | None
    near_twins: tuple[str, ...]
    """Animals whose mark differs by one character or one exchange of neighbours."""
    action: str
    """``confirm``, ``look by eye``, ``photograph again`` or ``nothing``."""
    reason: str


def worklist(
    results: Sequence[PhotoResult], registry: AnimalTable | None
) -> tuple[WorklistRow, ...]:
    """One row an animal, the most urgent first.

    ``urgency = 1 - (1 - misread risk) (1 - loss) (1 - TWIN_WEIGHT loss [has a near twin])`` with
    the loss of ``LOSS_BY_GRADE``, interpolated. Of several photos of one animal the one with the
    least misread risk counts. A photo that could not be read is as urgent as its mark is likely to
    be lost (see ``refusals``); photos that were not good enough come after all others: they say
    nothing of the mark. Files that are no photos are left out.

    Parameters
    ----------
    results : sequence of PhotoResult
    registry : AnimalTable, optional
        Without it near twins are not known.
    """
    best: dict[str, PhotoResult] = {}
    others: list[PhotoResult] = []
    for result in results:
        if result.status is Status.ERROR:
            continue
        first = next(iter(result.identification.candidates), None)
        settled = result.status is Status.READ and first is not None
        if not settled or first is None or first.animal_id is None:
            others.append(result)
        elif (
            first.animal_id not in best
            or result.identification.misread_risk
            < best[first.animal_id].identification.misread_risk
        ):
            best[first.animal_id] = result
    rows = [_animal_row(result, registry) for result in best.values()]
    rows += [_photo_row(result) for result in others]
    rows.sort(key=lambda row: (-row.urgency, row.animal_id or "", row.result.photo))
    return tuple(rows)


def near_twins(animal_id: str, mark: str, registry: AnimalTable) -> tuple[str, ...]:
    """Other animals with the same mark, one other character, or two neighbours exchanged."""
    found: dict[str, None] = {}
    for other in (mark, *_neighbours(mark)):
        for index in registry.find(other):
            found.setdefault(registry.animal(index).animal_id)
    found.pop(animal_id, None)
    return tuple(found)


def _neighbours(mark: str) -> Iterator[str]:
    rows = split_mark(mark)
    for number, row in enumerate(rows):
        changed = [row[:i] + c + row[i + 1 :] for i in range(len(row)) for c in CHARACTERS]
        changed += [row[:i] + row[i + 1] + row[i] + row[i + 2 :] for i in range(len(row) - 1)]
        for text in sorted(set(changed) - {row}):
            yield ROW_SEPARATOR.join((*rows[:number], text, *rows[number + 1 :]))


def _animal_row(result: PhotoResult, registry: AnimalTable | None) -> WorklistRow:
    first = result.identification.candidates[0]
    animal_id = first.animal_id or ""
    twins = near_twins(animal_id, first.mark, registry) if registry is not None else ()
    overall = None if result.grade is None else result.grade.overall
    loss = LOSS_UNKNOWN if overall is None else float(np.interp(overall, GRADES, LOSS_BY_GRADE))
    risk = min(1.0, max(0.0, result.identification.misread_risk))
    urgency = 1.0 - (1.0 - risk) * (1.0 - loss) * (1.0 - (TWIN_WEIGHT * loss if twins else 0.0))
    settled = result.identification.decision is Decision.IDENTIFIED
    if not settled:
        action = "confirm"
    elif overall is not None and overall < WORN:
        action = "look by eye"
    else:
        action = "nothing"
    return WorklistRow(
        result=result,
        animal_id=first.animal_id,
        mark=first.mark,
        urgency=urgency,
        misread_risk=risk,
        grade=overall,
        near_twins=twins,
        action=action,
        reason=_reason(result, settled=settled, twins=twins),
    )


def _reason(result: PhotoResult, *, settled: bool, twins: tuple[str, ...]) -> str:
    risk = result.identification.misread_risk
    parts = []
    if not settled:
        others = [c.animal_id or "not registered" for c in result.identification.candidates[1:3]]
        instead = f"; it could be {' or '.join(others)}" if others else ""
        parts.append(f"not settled: the first candidate is wrong with {percent(risk)}{instead}")
    if result.grade is None:
        parts.append("this photo allows no grade")
    elif result.grade.overall < 4:
        parts.append(f"grade {result.grade.overall:.1f}, {result.grade.reason}")
        if settled and result.grade.overall < WORN:
            parts.append("it names the animal still: look at the ear by eye when it is next held")
    if twins:
        named = ", ".join(twins[:TWINS_NAMED])
        more = f" and {len(twins) - TWINS_NAMED} more" if len(twins) > TWINS_NAMED else ""
        parts.append(f"one character away from {named}{more}")
    return "; ".join(parts) or "in good condition, no near twin"


def _photo_row(result: PhotoResult) -> WorklistRow:
    risk = min(1.0, max(0.0, result.identification.misread_risk))
    overall = None if result.grade is None else result.grade.overall
    if result.status is Status.RETAKE:
        why = " ".join(result.reasons) or "the photo is not good enough"
        urgency, action, reason = 0.0, "photograph again", why
    elif result.status is Status.UNREADABLE:
        covered = bool(result.flags & (Flag.HAIR | Flag.GLARE))
        look = COVERED if covered else AS_FOUND
        chances = load_refusals()
        urgency, action = p_lost(chances.weight(look)), "photograph again"
        reason = (
            f"no mark can be read, as on {percent(chances.legible[look].share)} of such photos of "
            f"good marks: {_step(result.flags)} and photograph it again before more is decided"
        )
    elif result.identification.decision is Decision.UNREGISTERED:
        urgency, action = 1.0 - risk, "confirm"
        reason = "the mark fits no registered animal: complete the registry or look again"
    else:
        urgency, action = risk, "confirm"
        reason = "the mark was not settled: look again"
    return WorklistRow(
        result=result,
        animal_id=None,
        mark=result.text,
        urgency=urgency,
        misread_risk=risk,
        grade=overall,
        near_twins=(),
        action=action,
        reason=reason,
    )


def _step(flags: Flag) -> str:
    return next(words for flag, words in STEPS if flag in flags)
