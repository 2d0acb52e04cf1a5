"""What the record knows of every animal's mark, as arrays: the ground of worklist, plan and report.

Marks are followed one by one: a look belongs to the mark that was in that ear on that day.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.errors import StoreError
from legibility.herd.histories import (
    DAYS_A_YEAR,
    Ints,
    histories,
    last_in_each_year,
    spans_by_age,
    spans_by_grade,
    usable_by_age,
)
from legibility.herd.intervals import Coded, Floats, Spans, coded
from legibility.pipeline.herd_fades import fades_text, fit_fades
from legibility.pipeline.mark_looks import sighted_marks
from legibility.pipeline.mark_risks import Before, MarkRisks, mark_risks
from legibility.settings import Settings
from legibility.store.columns import (
    BOTH,
    LEFT,
    NO_EAR,
    NOT_JUDGED,
    READ,
    RIGHT,
    AnimalColumns,
    HerdColumns,
    LookColumns,
    MarkColumns,
    herd_columns,
    with_open_questions,
)
from legibility.store.database import HerdDatabase

PROPERTIES: Final = ("skin", "ink", "age at application", "operator", "die set")
"""What may change how long a mark lasts, as far as it is recorded."""
AGE_CLASSES: Final = ((0.25, "under 3 months"), (1.0, "3 to 12 months"), (999.0, "over a year"))
"""Choice: classes of the age at application, by their upper limit in years."""
GONE_WORDS: Final = ("sold", "dead", "died", "slaughtered")
"""Choice: words of a status after which an animal is not handled any more."""
EPOCH: Final = date(1970, 1, 1)
EARS: Final = {NO_EAR: "", LEFT: "left", RIGHT: "right", BOTH: "both"}
"""Days; more than any two days of the record are apart."""

Texts = NDArray[np.str_]


@dataclass(frozen=True, slots=True)
class HerdState:
    """One entry an animal, in the record's order."""

    animal: Texts
    mark: Texts
    """The mark that tells the animal: of those not retired and not seen lost the newest one, of
    those seen lost when there is no other; empty for none."""
    ear: Texts
    status: Texts
    gone: NDArray[np.bool_]
    """Sold or dead."""
    has_chip: NDArray[np.bool_]
    ears_taken: NDArray[np.int64]
    """Ears that hold a current mark, 0..2."""
    applied: Floats
    """Day of application, days since 1970-01-01; NaN where it is not known."""
    from_birth: NDArray[np.bool_]
    """Whether ``applied`` is the birth, for want of the day of application."""
    last_usable: Floats
    """Day the mark was last seen usable; NaN for never."""
    first_lost: Floats
    """Day it was first seen lost after that; NaN for never."""
    not_seen: Floats
    """Day of the last photo since then on which it could not be read, where it is not lost."""
    not_seen_good: NDArray[np.int64]
    """How far the ear was prepared at the best of them: 0 as found, 1 cleaned, 2 clipped."""
    doubt: Floats
    """What those photos weigh, see ``herd.refusals``."""
    grade: Floats
    sightings: NDArray[np.int64]
    """Days on which it could be judged."""
    photos: NDArray[np.int64]
    """Photos of the animal that were read, those that show nothing too."""
    reading_risk: Floats
    """What the newest reading says of itself: probability that this animal is taken for another
    one; NaN for none."""
    contradicted: NDArray[np.bool_]
    """The newest reading names another animal than the photo is said to show."""
    risk: Floats
    risk_lost: Floats
    rival: NDArray[np.int64]
    rival_probability: Floats
    same_mark: NDArray[np.int64]
    classes: NDArray[np.int64]
    """(animals, properties) index into the levels of ``by_age``; -1 where it is not recorded."""
    unplaced: NDArray[np.int64]
    """() judgements that belong to no mark of the record: no mark is in that ear, or no ear is said
    and the animal has marks in both."""
    usable_in_year: NDArray[np.int64]
    """(years, 2) marks usable, and judged, in each year of their age."""
    by_age: Spans
    """Years from application to loss, all marks, retired ones too."""
    by_grade: Spans
    """Years from a sighting to loss, by the grade then."""
    curves: NDArray[np.str_]
    """() text of the curves fitted to both, see ``herd_fades``."""

    def __len__(self) -> int:
        return len(self.animal)


def computed(
    columns: HerdColumns,
    *,
    usable_grade: float,
    settings: Settings,
    before: HerdState | None = None,
) -> HerdState:
    """State of the herd from its columns.

    Parameters
    ----------
    usable_grade : float
        A photo of a lower grade shows the mark usable only where its reading names the animal.
    before : HerdState, optional
        Computed in the same way before some animals changed or were added. Risks and curves that
        cannot have changed are taken from it; the result is the same as without it.
    """
    animals, marks, looks = columns.animals, columns.marks, columns.looks
    count = len(animals.key)
    owner = np.searchsorted(animals.key, marks.animal)
    whose = np.searchsorted(animals.key, looks.animal)
    begin, from_birth = _begin(animals, marks, owner)
    seen, unplaced = sighted_marks(marks, looks, owner, whose, usable_grade)
    known = histories(seen, len(marks.key))
    properties = _properties(animals, marks, owner)
    by_age = spans_by_age(known, begin, list(zip(PROPERTIES, properties, strict=True)))
    by_grade = spans_by_grade(seen, known)
    chosen = _chosen(marks, owner, known.lost, count)
    has, at = chosen >= 0, np.maximum(chosen, 0)
    texts = _texts(marks.text, has, at)
    grade = _picked(known.grade, has, at)
    risks = mark_risks(texts, grade, settings=settings, before=_before(before, animals))
    risk, contradicted = _newest_readings(looks, whose, count)
    is_photo = looks.kind <= NOT_JUDGED
    return HerdState(
        animal=animals.animal_id,
        mark=texts,
        ear=np.array([EARS[code] for code in range(4)])[_picked_ints(marks.ear, has, at)],
        status=animals.status,
        gone=animals.is_gone | _says_gone(animals.status),
        has_chip=animals.has_chip,
        ears_taken=_ears_taken(marks, owner, count),
        applied=_picked(begin, has, at),
        from_birth=_picked_flags(from_birth, has, at),
        last_usable=_picked(known.last_usable, has, at),
        first_lost=_picked(known.first_lost, has, at),
        not_seen=_picked(known.not_seen, has, at),
        not_seen_good=_picked_ints(known.not_seen_good, has, at),
        doubt=np.nan_to_num(_picked(known.doubt, has, at)),
        grade=grade,
        sightings=_picked_ints(known.sightings, has, at),
        photos=np.bincount(whose[is_photo], minlength=count).astype(np.int64),
        reading_risk=risk,
        contradicted=contradicted,
        risk=risks.risk,
        risk_lost=risks.risk_lost,
        rival=risks.rival,
        rival_probability=risks.rival_probability,
        same_mark=risks.same_mark,
        classes=_classes(properties, by_age, has, at),
        unplaced=np.array(unplaced, dtype=np.int64),
        usable_in_year=usable_by_age(seen, known, begin),
        by_age=by_age,
        by_grade=by_grade,
        curves=_curves(by_age, by_grade, before),
    )


def judged_at_age(db: HerdDatabase, *, usable_grade: float, years: int) -> dict[str, bool]:
    """Animals whose mark was judged at an age of so many whole years, and whether it was usable.

    What stands behind one row of the share usable by age.
    """
    with db.snapshot():
        columns = with_open_questions(db, herd_columns(db))
    animals, marks, looks = columns.animals, columns.marks, columns.looks
    owner = np.searchsorted(animals.key, marks.animal)
    whose = np.searchsorted(animals.key, looks.animal)
    begin, _ = _begin(animals, marks, owner)
    seen, _ = sighted_marks(marks, looks, owner, whose, usable_grade)
    known = histories(seen, len(marks.key))
    mark, year, usable = last_in_each_year(seen, known, begin)
    there = year == years
    names = animals.animal_id[owner[mark[there]]]
    return dict(zip(names.tolist(), usable[there].tolist(), strict=True))


def _begin(
    animals: AnimalColumns, marks: MarkColumns, owner: Ints
) -> tuple[Floats, NDArray[np.bool_]]:
    """Day of application, or of the birth; and whether it is the birth."""
    # The middle of the year is what the year alone says.
    july = ((animals.birth_year - 1970) * 12 + 6).astype("datetime64[M]").astype("datetime64[D]")
    middle = np.where(animals.birth_year == 0, np.nan, july.astype(np.float64))
    born = np.where(np.isnan(animals.born), middle, animals.born)
    from_birth = np.isnan(marks.applied)
    return np.where(from_birth, born[owner], marks.applied), from_birth


def _properties(animals: AnimalColumns, marks: MarkColumns, owner: Ints) -> tuple[Coded, ...]:
    """What each mark has of ``PROPERTIES``."""
    skin = coded(animals.skin)
    years = (marks.applied - animals.born[owner]) / DAYS_A_YEAR
    index = 1 + np.searchsorted([limit for limit, _ in AGE_CLASSES], years, side="right")
    index[np.isnan(years) | (index > len(AGE_CLASSES))] = 0
    age = Coded(index.astype(np.int64), ("", *(name for _, name in AGE_CLASSES)))
    return skin[owner], coded(marks.ink), age, coded(marks.operator), coded(marks.die_set)


def _classes(
    properties: tuple[Coded, ...], by_age: Spans, has: NDArray[np.bool_], at: Ints
) -> Ints:
    columns = []
    for values, levels in zip(properties, by_age.levels, strict=True):
        place = np.array([levels.index(k) if k in levels else -1 for k in values.kinds], np.int64)
        columns.append(place[values.code[at]] if len(values) else np.full(len(has), -1))
    return np.where(has[:, None], np.stack(columns, axis=1), -1).astype(np.int64)


def _chosen(marks: MarkColumns, owner: Ints, lost: NDArray[np.bool_], count: int) -> Ints:
    """Index of the mark that tells each animal; -1 for none."""
    use = np.flatnonzero(np.isinf(marks.retired))
    order = use[np.lexsort((use, ~lost[use], owner[use]))]
    chosen = np.full(count, -1, dtype=np.int64)
    chosen[owner[order]] = order
    return chosen


def _before(before: HerdState | None, animals: AnimalColumns) -> Before | None:
    if before is None:
        return None
    n = len(before)
    if n > len(animals.key) or not np.array_equal(before.animal, animals.animal_id[:n]):
        return None
    found = MarkRisks(
        before.risk, before.risk_lost, before.rival, before.rival_probability, before.same_mark
    )
    return Before(before.mark, before.grade, found)


def _curves(by_age: Spans, by_grade: Spans, before: HerdState | None) -> NDArray[np.str_]:
    """Fitted anew unless both are fitted to the very same counts."""
    if before is not None and by_age.same(before.by_age) and by_grade.same(before.by_grade):
        return before.curves
    return np.array(fades_text(fit_fades(by_age, by_grade)))


def _ears_taken(marks: MarkColumns, owner: Ints, count: int) -> Ints:
    """Ears with a mark that counts; one whose ear is not recorded takes one."""
    use = np.isinf(marks.retired)
    taken = np.zeros((count, 3), dtype=np.bool_)
    for column, bit in enumerate((LEFT, RIGHT)):
        taken[owner[use & (marks.ear & bit > 0)], column] = True
    taken[owner[use & (marks.ear == NO_EAR)], 2] = True
    return np.asarray(np.minimum(taken.sum(axis=1), 2), dtype=np.int64)


def _newest_readings(
    looks: LookColumns, whose: Ints, count: int
) -> tuple[Floats, NDArray[np.bool_]]:
    """Of each animal's newest read photo: its risk, and whether it names another animal."""
    use = np.flatnonzero((looks.kind == READ) & ~np.isnan(looks.misread_risk))
    newest = np.full(count, -1, dtype=np.int64)
    newest[whose[use]] = use
    has = newest >= 0
    at = newest[has]
    risk, other = np.full(count, np.nan), np.zeros(count, dtype=np.bool_)
    stated, is_first = looks.misread_risk[at], looks.is_first[at]
    other[has] = ~is_first
    # Where another animal came first, this one is taken for it unless that reading is wrong.
    risk[has] = np.where(is_first, stated, 1.0 - stated)
    return risk, other


def _says_gone(status: Texts) -> NDArray[np.bool_]:
    kinds, index = np.unique(status, return_inverse=True)
    gone = [any(word in str(kind).casefold() for word in GONE_WORDS) for kind in kinds]
    return np.array(gone, dtype=np.bool_)[index]


def _picked(values: Floats, has: NDArray[np.bool_], at: Ints) -> Floats:
    if not len(values):
        return np.full(len(has), np.nan)
    return np.asarray(np.where(has, values[at], np.nan), dtype=np.float64)


def _picked_ints(values: Ints, has: NDArray[np.bool_], at: Ints) -> Ints:
    if not len(values):
        return np.zeros(len(has), dtype=np.int64)
    return np.asarray(np.where(has, values[at], 0), dtype=np.int64)


def _picked_flags(values: NDArray[np.bool_], has: NDArray[np.bool_], at: Ints) -> NDArray[np.bool_]:
    return has & _picked_ints(values.astype(np.int64), has, at).astype(np.bool_)


def _texts(values: Texts, has: NDArray[np.bool_], at: Ints) -> Texts:
    if not len(values):
        return np.full(len(has), "", dtype=np.str_)
    return np.asarray(np.where(has, values[at], ""), dtype=np.str_)


def day_of(day: float) -> date:
    """A day of the record as a date, within what dates can be."""
    earliest, latest = ((end - EPOCH).days for end in (date.min, date.max))
    return EPOCH + timedelta(days=min(max(round(day), earliest), latest))


def day_text(day: float) -> str:
    """A day of the record as text; empty for none."""
    return "" if np.isnan(day) else day_of(day).isoformat()


def needs_marks(state: HerdState, name: str) -> None:
    """Refuse a record without animals or marks.

    Raises
    ------
    StoreError
    """
    if not np.any(state.mark != ""):
        raise StoreError(
            f"{name}: holds no marks yet; import them with: legibility herd import-registry"
        )
