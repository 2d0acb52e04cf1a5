"""``legibility retention``: how well marks and transponders last, with counts and intervals."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from itertools import combinations
from typing import Any, Final

import numpy as np

from legibility.evidence.agreement import (
    Kappa,
    Share,
    agreement_table,
    alpha_limits,
    cohen_kappa,
    exact_share,
    krippendorff_alpha,
    label_numbers,
)
from legibility.herd.fade import Basis, Fade, fit_fade
from legibility.herd.retention import (
    Paired,
    TimePerSuccess,
    mcnemar,
    rule_of_three,
    time_per_success,
    usable_share,
    zero_limit,
)
from legibility.herd.turnbull import turnbull, turnbull_bands
from legibility.pipeline.herd_kept import herd_state
from legibility.pipeline.herd_state import HerdState, needs_marks
from legibility.settings import Settings
from legibility.store.database import HerdDatabase
from legibility.store.human_readings import all_human_readings
from legibility.store.pairs import PairedReading, paired_readings
from legibility.store.records import HumanReading
from legibility.store.tries import Try, all_tries, scan_tries, timed_events

BOOTSTRAP: Final = 200
"""Choice: samples for the intervals of the curves."""
YEARS: Final = 10
"""Choice: the curves are given for so many years at least."""
STEPS_A_YEAR: Final = 4
STATED: Final = (0.5, 0.8, 0.9, 0.95, 0.99)
"""Choice: edges between bins of stated probabilities; nearer to 1, where decisions are made."""
METHODS: Final = {
    "transponder": "transponder",
    "eye": "mark read by eye",
    "photo": "mark read from a photo",
}


@dataclass(frozen=True, slots=True)
class CurvePoint:
    """Both curves at one age."""

    years: float
    usable: float
    """Weibull curve, or the assumption."""
    low: float
    high: float
    """95 % interval; NaN for an assumption."""
    turnbull_low: float
    turnbull_high: float
    """Non-parametric curve: lowest and highest that the data allow; NaN without data."""
    band_low: float
    band_high: float
    """Bootstrap interval of the non-parametric curve."""
    extrapolated: bool


@dataclass(frozen=True, slots=True)
class ClassEffect:
    """How much longer marks of a class last than the herd's, by the same factor at any age."""

    name: str
    value: str
    factor: float
    low: float
    high: float
    """95 % interval by bootstrap; NaN without samples."""
    marks: int


@dataclass(frozen=True, slots=True)
class ReaderPair:
    """Two readers of the same photos or ears."""

    first: str
    second: str
    same: Share
    """Texts alike, out of those both read."""
    grades: Kappa | None
    """Quadratic weighted kappa of the grades by eye, rounded; None with fewer than two."""


@dataclass(frozen=True, slots=True)
class Readers:
    """Agreement of people who read the same photos or ears."""

    pairs: tuple[ReaderPair, ...]
    units: int
    """Read by two or more."""
    alpha_text: float
    """Krippendorff's alpha, missing reads allowed; NaN where it is not defined."""
    alpha_text_limits: tuple[float, float]
    """95 % interval by bootstrap."""
    alpha_grade: float
    """The same of grades, ordinal."""
    alpha_grade_limits: tuple[float, float]
    blind: int
    """Readings made blind."""
    readings: int


@dataclass(frozen=True, slots=True)
class StatedBin:
    """Photos whose first candidate was stated with about the same probability."""

    stated: float
    """Mean of the stated probability that the first candidate is right."""
    right: Share
    """First candidate was the animal that the transponder names."""


@dataclass(frozen=True, slots=True)
class Retention:
    """The report."""

    animals: int
    marks_followed: int
    marks_lost: int
    curve_words: str
    is_assumption: bool
    shape: float | None
    scale_years: float | None
    curve: tuple[CurvePoint, ...]
    effects: tuple[ClassEffect, ...]
    usable_by_age: tuple[tuple[int, Share], ...]
    """Age in whole years, and marks usable at their last judgement in that year."""
    judged: Share
    """Animals whose mark could be judged at least once, of those photographed or looked at."""
    usable: Share
    """... whose mark was usable at its last judgement, of those judged."""
    usable_of_all: float
    """Product of the two."""
    transponders: Share
    """Animals whose transponder answered on the last day that it was tried."""
    transponder_tries: Share
    """Tries that were answered."""
    transponder_lines: int
    """Answers in logs of readers that name no animal; they are no tries."""
    transponders_zero: str
    """What no failure in so many animals allows to say; empty otherwise."""
    pairs: tuple[Paired, ...]
    readers: Readers
    reliability: tuple[StatedBin, ...]
    """Of photos taken with a transponder that one animal has."""
    times: tuple[tuple[str, TimePerSuccess], ...]
    event_times: tuple[tuple[str, TimePerSuccess], ...]
    """Kind of handling, and the mean time of those that were timed."""

    def record(self) -> dict[str, Any]:
        """As JSON; figures that are not defined become null."""
        found: dict[str, Any] = _finite(asdict(self))
        for pair, shown in zip(self.pairs, found["pairs"], strict=True):
            shown |= {"n": pair.n, "difference": pair.difference, "verdict": pair.verdict}
        return found


def retention(
    db: HerdDatabase,
    *,
    usable_grade: float,
    settings: Settings | None = None,
    bootstrap: int = BOOTSTRAP,
    seed: int = 1,
    keep: bool = True,
) -> Retention:
    """Make the report from all that the record holds.

    Raises
    ------
    StoreError
        If the record cannot be used or holds no marks.
    """
    state = herd_state(db, usable_grade=usable_grade, settings=settings, keep=keep)
    needs_marks(state, str(db.path))
    by_age = fit_fade(state.by_age, bootstrap=bootstrap, seed=seed)
    last_lost = ~np.isnan(state.first_lost)
    looked = state.sightings > 0
    judged = exact_share(int(looked.sum()), int((looked | (state.photos > 0)).sum()))
    usable = exact_share(int((looked & ~last_lost).sum()), int(looked.sum()))
    chips = scan_tries(db)
    every = list(all_tries(db))
    fitted = by_age.curve if by_age.basis is Basis.FITTED else None
    return Retention(
        animals=len(state),
        marks_followed=by_age.marks,
        marks_lost=by_age.lost,
        curve_words=by_age.words,
        is_assumption=by_age.basis is Basis.ASSUMPTION,
        shape=fitted.shape if fitted else None,
        scale_years=fitted.scale if fitted else None,
        curve=tuple(_curve(state, by_age, bootstrap=bootstrap, seed=seed)),
        effects=tuple(_effects(state, by_age)),
        usable_by_age=tuple(
            (age, exact_share(int(good), int(total)))
            for age, (good, total) in enumerate(state.usable_in_year.tolist())
            if total
        ),
        judged=judged,
        usable=usable,
        usable_of_all=usable_share(judged.value, usable.value) if looked.any() else math.nan,
        transponders=exact_share(chips.animals - chips.animals_failed, chips.animals),
        transponder_tries=exact_share(chips.tries - chips.failed, chips.tries),
        transponder_lines=chips.log_lines,
        transponders_zero=(
            _zero_words(chips.animals) if chips.animals and not chips.animals_failed else ""
        ),
        pairs=tuple(_pairs(every)),
        readers=_readers(list(all_human_readings(db))),
        reliability=tuple(_reliability(paired_readings(db))),
        times=tuple(_times(every)),
        event_times=tuple(
            (kind, time_per_success(seconds, [True] * len(seconds)))
            for kind, seconds in timed_events(db)
        ),
    )


def _curve(state: HerdState, by_age: Fade, *, bootstrap: int, seed: int) -> Iterable[CurvePoint]:
    data = state.by_age
    years = max(YEARS, math.ceil(by_age.longest)) if by_age.longest < 2 * YEARS else 2 * YEARS
    at = np.arange(years * STEPS_A_YEAR + 1) / STEPS_A_YEAR
    survival = by_age.survival(at)
    low, high = by_age.limits(at)
    empty = np.full(len(at), np.nan)
    columns = [empty, empty, empty, empty]
    if by_age.basis is not Basis.ASSUMPTION:
        free_low, free_high = turnbull(data).survival(at)
        columns = [free_low, free_high, empty, empty]
        if bootstrap:
            rng = np.random.default_rng(seed)
            columns[2:] = turnbull_bands(data, at, samples=bootstrap, rng=rng)
        # Beyond the last sighting the non-parametric curve says nothing.
        beyond = at > by_age.longest
        columns = [np.where(beyond, np.nan, column) for column in columns]
    for values in zip(at, survival, low, high, *columns, strict=True):
        numbers = [float(value) for value in values]
        yield CurvePoint(
            numbers[0],
            usable=numbers[1],
            low=numbers[2],
            high=numbers[3],
            turnbull_low=numbers[4],
            turnbull_high=numbers[5],
            band_low=numbers[6],
            band_high=numbers[7],
            extrapolated=numbers[0] > by_age.longest,
        )


def _effects(state: HerdState, by_age: Fade) -> Iterable[ClassEffect]:
    if by_age.curve is None:
        return
    data = state.by_age
    for place, (name, levels) in enumerate(zip(by_age.names, by_age.levels, strict=True)):
        effects = by_age.curve.effects[place] if place < len(by_age.curve.effects) else ()
        if len(effects) < 2:
            continue
        for index, (level, effect) in enumerate(zip(levels, effects, strict=True)):
            marks = float(data.count[data.classes[:, place] == index].sum())
            drawn = [float(curve.effects[place][index]) for curve in by_age.samples]
            low, high = np.percentile(drawn, [2.5, 97.5]) if drawn else (np.nan, np.nan)
            factor, low, high = np.exp([float(effect), low, high]).tolist()
            yield ClassEffect(name, level, factor, low, high, marks=round(marks))


def _share(value: float) -> str:
    shown = 100 * min(value, 1.0)
    return f"{shown:.2g} %" if shown < 99.5 else "100 %"


def _zero_words(animals: int) -> str:
    return (
        f"No failure in {animals:,} animals does not mean that there are none: up to "
        f"{_share(zero_limit(animals))} would be compatible with it (exact, one-sided 95 %; "
        f"rule of three: {_share(rule_of_three(animals))})."
    )


def _pairs(tries: Sequence[Try]) -> Iterable[Paired]:
    """Each two methods on the same animal and day; of several tries one success is enough."""
    done: dict[tuple[str, str], dict[str, bool]] = {}
    for each in tries:
        day = done.setdefault((each.animal_id, each.day), {})
        day[each.method] = day.get(each.method, False) or each.success
    for first, second in combinations(METHODS, 2):
        cells = [
            (day[first], day[second]) for day in done.values() if first in day and second in day
        ]
        if cells:
            yield mcnemar(
                METHODS[first],
                METHODS[second],
                both=cells.count((True, True)),
                only_first=cells.count((True, False)),
                only_second=cells.count((False, True)),
                neither=cells.count((False, False)),
            )


def _readers(readings: Sequence[HumanReading]) -> Readers:
    """Readers against each other; of one reader's readings of one unit the first counts."""
    units: dict[tuple[str, str], dict[str, HumanReading]] = {}
    for reading in readings:
        unit = (reading.photo_sha256, "") if reading.photo_sha256 else (
            reading.animal_id, reading.read_at[:10]
        )  # fmt: skip
        units.setdefault(unit, {}).setdefault(reading.reader, reading)
    shared = [found for found in units.values() if len(found) > 1]
    names = sorted({name for found in shared for name in found})
    texts = [[_text(found.get(name)) for found in shared] for name in names]
    grades = [[_grade(found.get(name)) for found in shared] for name in names]
    numbers = label_numbers(texts)
    return Readers(
        pairs=tuple(
            _reader_pair(names[a], names[b], texts[a], texts[b], grades[a], grades[b])
            for a, b in combinations(range(len(names)), 2)
            if any(names[a] in found and names[b] in found for found in shared)
        ),
        units=len(shared),
        alpha_text=krippendorff_alpha(numbers),
        alpha_text_limits=alpha_limits(numbers),
        alpha_grade=krippendorff_alpha(grades, level="ordinal"),
        alpha_grade_limits=alpha_limits(grades, level="ordinal"),
        blind=sum(reading.blind for reading in readings),
        readings=len(readings),
    )


def _reader_pair(
    first: str,
    second: str,
    text_a: Sequence[str | None],
    text_b: Sequence[str | None],
    grade_a: Sequence[float | None],
    grade_b: Sequence[float | None],
) -> ReaderPair:
    both = [(a, b) for a, b in zip(text_a, text_b, strict=True) if a is not None and b is not None]
    graded = [
        (int(a), int(b))
        for a, b in zip(grade_a, grade_b, strict=True)
        if a is not None and b is not None
    ]
    kappa = None
    if len(graded) > 1:
        table = agreement_table(*zip(*graded, strict=True), categories=range(5))
        kappa = cohen_kappa(table, weights="quadratic")
    return ReaderPair(first, second, exact_share(sum(a == b for a, b in both), len(both)), kappa)


def _reliability(photos: Iterable[PairedReading]) -> Iterable[StatedBin]:
    """Stated probability against what transponders say, in bins of ``STATED``."""
    known = [
        (1.0 - photo.misread_risk, photo.first == photo.animals[0])
        for photo in photos
        if len(photo.animals) == 1 and photo.first and photo.misread_risk is not None
    ]
    stated = np.array([value for value, _ in known])
    right = np.array([was for _, was in known], dtype=np.bool_)
    place = np.digitize(stated, STATED)
    for which in np.unique(place):
        inside = place == which
        found = exact_share(int(right[inside].sum()), int(inside.sum()))
        yield StatedBin(float(stated[inside].mean()), found)


def _text(reading: HumanReading | None) -> str | None:
    return reading.text or None if reading is not None else None


def _grade(reading: HumanReading | None) -> float | None:
    if reading is None or reading.grade is None:
        return None
    return float(round(reading.grade))


def _times(tries: Sequence[Try]) -> Iterable[tuple[str, TimePerSuccess]]:
    for method, name in METHODS.items():
        timed = [each for each in tries if each.method == method and each.seconds is not None]
        if timed:
            yield (
                name,
                time_per_success(
                    [each.seconds or 0.0 for each in timed], [each.success for each in timed]
                ),
            )


def _finite(value: Any) -> Any:
    """The same with NaN and infinities as None, which JSON has."""
    if isinstance(value, dict):
        return {key: _finite(entry) for key, entry in value.items()}
    if isinstance(value, (list, tuple)):
        return [_finite(entry) for entry in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
