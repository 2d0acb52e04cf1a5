"""Visits of one animal and of two, settled or questioned: ``python -m legibility.evaluate.visits``.

    python -m legibility.evaluate.visits --stored visits.npz --pairs 100 --seed 60 --jobs 2

Photos are those of :mod:`.visit_photos`: two ears whose marks differ in one character, three
photos each. An honest visit has 2 or 3 photos of one ear. A mixed one has 2 to 4 photos, some of
another animal: of its near-twin, or of any animal of the herd whose mark differs in two characters
or more. What a visit comes to is what ``combine_session`` makes of it. Visits of one ear are not
independent: intervals are drawn by ear (bootstrap over pairs, 95 %), and where nothing was counted
the Clopper-Pearson limit by pairs stands.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from pathlib import Path
from typing import Final

import numpy as np

from legibility.containers import (
    Flag,
    Identification,
    PhotoResult,
    Provenance,
    SessionResult,
    Status,
    Verdict,
)
from legibility.evaluate.visit_photos import EarShot, ears_of, read_ears, visit_herd
from legibility.identify.decision import identify
from legibility.identify.step_effects import load_step_model
from legibility.intervals import clopper_pearson
from legibility.pipeline.known_readings import load_known_readings, save_known_readings
from legibility.pipeline.run import final_calibration
from legibility.pipeline.session import ReadShot, Shot, combine_session
from legibility.settings import Settings
from legibility.workers import ending

VISITS: Final = 500
"""Contract: visits of each kind."""
KINDS: Final = ("mixed, far", "mixed, near-twins", "honest")
BOOTSTRAP: Final = 1000
"""Choice: draws for the intervals."""
TRIES: Final = 200
"""Choice: visits drawn for each that is wanted, before there are said to be too few."""


@dataclass(frozen=True, slots=True)
class Visited:
    """What one visit came to."""

    kind: str
    pair: int
    settled: bool
    settled_right: bool
    """On the animal of all photos, or rightly not registered; never of a mixed visit."""
    asked: bool
    each_settles: bool
    """Whether of each animal some photo alone settles it."""


@dataclass(frozen=True, slots=True)
class Row:
    """Visits of one kind."""

    name: str
    visits: int
    settled: int
    settled_wrong: int
    asked: int
    wrong_interval: tuple[float, float]
    asked_interval: tuple[float, float]


def draw_visits(
    ears: Sequence[Sequence[EarShot]],
    kind: str,
    count: int,
    *,
    seed: int,
    keep: Callable[[Sequence[EarShot]], bool] = bool,
) -> list[tuple[EarShot, ...]]:
    """Photos of visits of one kind, drawn at random until so many are kept.

    The photos of a visit are in the order they would be taken.

    Raises
    ------
    ValueError
        If too few are kept.
    """
    rng = np.random.default_rng([seed, 95, KINDS.index(kind)])
    twins = {(ear[0].pair, ear[0].mark): list(ear) for ear in ears}
    pairs = sorted({ear[0].pair for ear in ears})
    marks = {pair: [m for p, m in twins if p == pair] for pair in pairs}
    visits: list[tuple[EarShot, ...]] = []
    for _ in range(TRIES * count + 1):
        if len(visits) == count:
            return visits
        pair = pairs[int(rng.integers(len(pairs)))]
        mark = marks[pair][int(rng.integers(len(marks[pair])))]
        own = twins[pair, mark]
        if kind == "honest":
            take = int(rng.integers(2, len(own) + 1))
            visits += filter(keep, [_drawn(rng, own, take)])
            continue
        if kind == "mixed, near-twins":
            others = [twins[pair, m] for m in marks[pair] if m != mark]
        else:
            others = [ear for (p, m), ear in twins.items() if p != pair and _far(m, mark)]
        if not others:
            continue
        other = others[int(rng.integers(len(others)))]
        first, second = int(rng.integers(1, 3)), int(rng.integers(1, 3))
        visits += filter(keep, [_drawn(rng, own, first) + _drawn(rng, other, second)])
    raise ValueError(
        f"{kind}: {len(visits)} of {count} visits found; more pairs of ears are needed"
    )


def visited(kind: str, shots: Sequence[EarShot], *, seed: int, settings: Settings) -> Visited:
    """Combine the photos of one visit and see what comes of it."""
    result = combined(shots, seed=seed, settings=settings)
    last = result.after_each[-1].advice
    first = result.identification.candidates[:1]
    one = len({shot.mark for shot in shots}) == 1
    settled = last.verdict is Verdict.SETTLED
    right = settled and one and bool(first) and first[0].mark == shots[0].mark
    by_mark: dict[str, list[EarShot]] = {}
    for shot in shots:
        by_mark.setdefault(shot.mark, []).append(shot)
    alone = [[_alone(s, seed, settings) for s in of] for of in by_mark.values()]
    return Visited(
        kind=kind,
        pair=shots[0].pair,
        settled=settled,
        settled_right=right,
        asked=last.verdict is Verdict.ASK,
        each_settles=all(any(said.decision.settles for said in of) for of in alone),
    )


def combined(shots: Sequence[EarShot], *, seed: int, settings: Settings) -> SessionResult:
    """The session of some photos."""
    return combine_session(
        "visit",
        [Shot(Path(f"{n}.jpg"), stage=shot.stage) for n, shot in enumerate(shots)],
        [_read(shot, number, seed, settings) for number, shot in enumerate(shots)],
        registry=visit_herd(seed),
        settings=settings,
        model=load_step_model(),
    )


def each_read(shots: Sequence[EarShot], *, seed: int, settings: Settings) -> bool:
    """Whether of each animal some photo alone leaves few enough animals open to be called read."""
    marks = {shot.mark for shot in shots if _alone(shot, seed, settings).candidates}
    return marks == {shot.mark for shot in shots}


def rows_of(
    ears: Sequence[Sequence[EarShot]], count: int, *, seed: int, settings: Settings
) -> list[Row]:
    """Figures of each kind; of mixed visits also of those in which each animal was read."""
    work = partial(visited, seed=seed, settings=settings)
    found = []
    for kind in KINDS:
        drawn = [work(kind, shots) for shots in draw_visits(ears, kind, count, seed=seed)]
        found.append(_row(kind, drawn, seed=seed))
        if kind == "honest":
            continue
        keep = partial(each_read, seed=seed, settings=settings)
        shown = draw_visits(ears, kind, count, seed=seed + 1, keep=keep)
        read = [work(kind, shots) for shots in shown]
        found.append(_row("  each animal read", read, seed=seed))
        clear = [visit for visit in read if visit.each_settles]
        found.append(_row("  of these each settles", clear, seed=seed))
    return found


def table(rows: Sequence[Row]) -> str:
    """The rows for people."""
    lines = [f"{'visits':24s} {'number':>6s} {'settled':>8s} {'wrongly':>24s} {'asked':>24s}"]
    for row in rows:
        lines.append(
            f"{row.name:24s} {row.visits:6d} {row.settled:8d} "
            f"{_share(row.settled_wrong, row.visits, row.wrong_interval):>24s} "
            f"{_share(row.asked, row.visits, row.asked_interval):>24s}"
        )
    return "\n".join(lines)


def _row(name: str, visits: Sequence[Visited], *, seed: int) -> Row:
    wrong = [visit.settled and not visit.settled_right for visit in visits]
    asked = [visit.asked for visit in visits]
    pairs = [visit.pair for visit in visits]
    return Row(
        name=name,
        visits=len(visits),
        settled=sum(visit.settled for visit in visits),
        settled_wrong=sum(wrong),
        asked=sum(asked),
        wrong_interval=_interval(wrong, pairs, seed=seed),
        asked_interval=_interval(asked, pairs, seed=seed),
    )


def _interval(happened: Sequence[bool], pairs: Sequence[int], *, seed: int) -> tuple[float, float]:
    """Of a share, by pairs of ears; as wide as that of independent pairs where none or all did."""
    if not happened:
        return 0.0, 1.0
    names = sorted(set(pairs))
    if not any(happened) or all(happened):
        return clopper_pearson(len(names) * all(happened), len(names))
    count = np.array([sum(p == name for p in pairs) for name in names])
    hits = np.array(
        [sum(h for h, p in zip(happened, pairs, strict=True) if p == name) for name in names]
    )
    drawn = np.random.default_rng([seed, 96]).integers(len(names), size=(BOOTSTRAP, len(names)))
    shares = hits[drawn].sum(axis=1) / count[drawn].sum(axis=1)
    low, high = np.quantile(shares, [0.025, 0.975])
    return float(low), float(high)


def _share(count: int, total: int, interval: tuple[float, float]) -> str:
    if not total:
        return "-"
    return f"{count} {count / total:.1%} ({interval[0]:.1%} to {interval[1]:.1%})"


def _far(mark: str, other: str) -> bool:
    if len(mark) != len(other):
        return True
    return sum(a != b for a, b in zip(mark, other, strict=True)) >= 2


def _drawn(rng: np.random.Generator, ear: Sequence[EarShot], count: int) -> tuple[EarShot, ...]:
    return tuple(ear[int(k)] for k in sorted(rng.choice(len(ear), size=count, replace=False)))


@lru_cache(maxsize=2000)
def _alone(shot: EarShot, seed: int, settings: Settings) -> Identification:
    """What the photo says by itself."""
    calibration, _ = final_calibration(settings)
    return identify(
        shot.known.reading, visit_herd(seed), settings=settings, calibration=calibration
    )


def _read(shot: EarShot, number: int, seed: int, settings: Settings) -> ReadShot:
    result = PhotoResult(
        photo=f"photo {number + 1}",
        sha256=f"{shot.mark} {shot.known.photo}",
        status=Status.READ,
        flags=Flag.NONE,
        reasons=(),
        text="",
        reading=shot.known.reading,
        identification=_alone(shot, seed, settings),
        grade=None,
        provenance=Provenance("", "", ""),
        seconds=0.0,
    )
    own = np.random.default_rng(list(result.sha256.encode())).random(256) < 0.5
    return ReadShot(result, own)


@ending()
def main() -> None:
    """Command line of the module."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pairs", type=int, default=100)
    parser.add_argument("--visits", type=int, default=VISITS)
    parser.add_argument("--seed", type=int, default=60)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--stored", type=Path, help="file of readings; made when it is missing")
    asked = parser.parse_args()
    try:
        print(table(_measured(asked)))
    except ValueError as error:
        parser.error(str(error))


def _measured(asked: argparse.Namespace) -> list[Row]:
    if asked.stored is not None and asked.stored.exists():
        readings, origin = load_known_readings(asked.stored)
        print(f"Readings: {origin}")
    else:
        readings = tuple(read_ears(asked.pairs, seed=asked.seed, jobs=asked.jobs, say=print))
        if asked.stored is not None:
            origin = f"two ears of {asked.pairs} pairs of near-twins, seed {asked.seed}"
            save_known_readings(readings, asked.stored, origin=origin)
    settings = Settings(second_reader=False)
    return rows_of(ears_of(readings), asked.visits, seed=asked.seed, settings=settings)


if __name__ == "__main__":
    main()
