"""Whether an animal that is not in the list is told from its neighbours, and one that is, is not.

Photos of known marks are put to lists made around them (:mod:`legibility.simulate.herd_lists`):
once with the animal, once for each way in which it may be missing, and once with the mark that the
record has while the ear carries another because of a wrong or swapped die.

    python -m legibility.evaluate.strangers --photos 600 --seed 8128 --readings FILE

Photos that a person can read are made and read once and kept in FILE; refusals are counted beside
the table. The lists are of the kind that half of the final calibration was fitted on.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Final

import numpy as np

from legibility.alphabet import ROW_SEPARATOR
from legibility.containers import Decision
from legibility.evaluate.marks import LETTERS
from legibility.evaluate.metrics import plain
from legibility.evaluate.pose import SceneChoices
from legibility.evaluate.reliability import ece
from legibility.evaluate.report import Cell, Report, Section, as_markdown
from legibility.evaluate.scene import evaluation_set
from legibility.identify.channel import channel_odds, channel_outcomes
from legibility.identify.decision import identify
from legibility.identify.marktext import best_text
from legibility.in_order import mapped
from legibility.intervals import rate
from legibility.pipeline import read_photo
from legibility.pipeline.known_readings import (
    KnownReading,
    load_known_readings,
    save_known_readings,
)
from legibility.pipeline.run import final_calibration
from legibility.pipeline.simulated_herds import SIZES as ALL_SIZES
from legibility.pipeline.simulated_herds import registry_of_marks
from legibility.settings import Settings
from legibility.simulate.herd_lists import KINDS, herd_list
from legibility.workers import ending

SIZES: Final = (20, 100, 400, 2_000)
"""Choice: animals of the lists, a small flock to a large herd."""
REGISTERED: Final = "registered"
WITH_BREAKS: Final = "registered, breaks in half of the list"
MISPRESSED: Final = "registered, pressed with a wrong or swapped die"
CASES: Final = (REGISTERED, WITH_BREAKS, MISPRESSED, *KINDS)
NAMED: Final = (0.8, 0.95)
"""Choice: probabilities from which a person may take a name for granted."""


@dataclass(frozen=True, slots=True)
class Case:
    """One photo put to one list."""

    kind: str
    animals: int
    two_rows: bool
    exact: bool
    """Whether the mark was read without a fault, O for 0 and I for 1 aside."""
    first: float
    """Probability of the first candidate."""
    stranger: bool
    """Whether the first candidate is "not in this registry"."""
    right: bool
    covered: bool
    identified: bool
    """Whether it was called identified."""
    taken: bool
    """Whether what was pressed is another registered animal's mark."""


def measure(
    known: KnownReading, *, sizes: Sequence[int], seed: int, kinds: Sequence[str] = CASES
) -> list[Case]:
    """One photo in lists of all sizes and kinds."""
    if not known.usable:
        return []
    settings = Settings()
    calibration, _ = final_calibration(settings)
    read = plain(best_text(known.reading, settings), merge=True)
    exact = read == plain(known.mark, merge=True)
    cases = []
    for animals in sizes:
        for kind in kinds:
            number = int.from_bytes(f"{known.photo} {known.mark}".encode(), "big")
            rng = np.random.default_rng([seed, animals, CASES.index(kind), number])
            dense = bool(rng.random() < 0.5)
            recorded = plain(known.mark)
            if kind == MISPRESSED:
                recorded = _recorded(rng, recorded, settings)
            drawn = kind if kind in KINDS else REGISTERED
            marks = herd_list(rng, recorded, animals=animals, kind=drawn, dense=dense)
            if marks is None:
                continue
            if kind == WITH_BREAKS:
                marks = [
                    m if rng.random() < 0.5 else _broken(m, recorded, known.mark) for m in marks
                ]
            registry = registry_of_marks(np.array(marks, dtype="S25"))
            found = identify(known.reading, registry, settings=settings, calibration=calibration)
            own = next((str(i) for i, m in enumerate(marks) if plain(m) == recorded), None)
            truth = own if drawn == REGISTERED else None
            first = found.candidates[0] if found.candidates else None
            cases.append(
                Case(
                    kind=kind,
                    animals=len(marks),
                    two_rows=ROW_SEPARATOR in known.mark,
                    exact=exact,
                    first=first.probability if first else 0.0,
                    stranger=first is not None and first.animal_id is None,
                    right=first is not None and first.animal_id == truth,
                    covered=not found.candidates or truth in found.candidate_set,
                    identified=found.decision is Decision.IDENTIFIED,
                    taken=any(
                        plain(m) == plain(known.mark) for i, m in enumerate(marks) if str(i) != own
                    ),
                )
            )
    return cases


def evaluation_reading(index: int, *, seed: int) -> KnownReading | None:
    """Photo ``index`` of a herd's mark, read; None where a person cannot read it.

    Marks are letters and a number, a number, or a letter, a year and a number; half of those with
    letters stand in two rows. Fading 0, 1 and 2 are alike.
    """
    rng = np.random.default_rng([seed, 77, index])
    letters = "".join(LETTERS[int(k)] for k in rng.integers(26, size=int(rng.integers(0, 4))))
    number = "".join(str(int(k)) for k in rng.integers(10, size=int(rng.integers(3, 5))))
    two = bool(letters) and rng.random() < 0.5
    mark = letters + (ROW_SEPARATOR if two else "") + number
    choices = SceneChoices(mark=mark, fading=int(rng.integers(3)))
    (photo,) = evaluation_set(n=1, seed=seed, first=index, choices=choices)
    if not photo.truth.person_readable:
        return None
    result = read_photo(photo.photo(), settings=Settings(second_reader=False))
    return KnownReading(f"{seed}-{index}", mark, f"fading {photo.truth.fading}", result.reading)


def report(cases: Sequence[Case], *, photos: int, seed: int) -> Report:
    """Tables by kind, and by kind and size."""
    answered = [case for case in cases if case.first > 0]
    groups = {kind: [c for c in answered if c.kind == kind] for kind in CASES}
    sizes = sorted({_size(c) for c in answered})
    by_size = {
        f"{kind}, {size:,} animals": [c for c in groups[kind] if _size(c) == size]
        for kind in CASES
        for size in sizes
    }
    pressed = {
        f"{MISPRESSED}, {name}": [c for c in groups[MISPRESSED] if c.taken == taken]
        for name, taken in (("giving another animal's mark", True), ("giving nobody's mark", False))
    }
    rows = {
        f"registered, {name}": [c for c in groups[REGISTERED] if c.two_rows == two]
        for name, two in (("one row", False), ("two rows, no break in the list", True))
    }
    rows["registered, two rows, breaks in half of the list"] = [
        c for c in groups[WITH_BREAKS] if c.two_rows
    ]
    return Report(
        n=photos,
        seed=seed,
        sections=(
            Section("Strangers and registered animals", _lines(groups)),
            Section("Wrong and swapped dies", _lines(pressed)),
            Section("By rows", _lines(rows)),
            Section("By size of the list", _lines(by_size)),
        ),
        facts={},
    )


def _size(case: Case) -> int:
    return min(ALL_SIZES, key=lambda n: abs(n - case.animals))


def _lines(groups: dict[str, list[Case]]) -> tuple[dict[str, Cell], ...]:
    found: list[dict[str, Cell]] = []
    for name, cases in groups.items():
        if not cases:
            continue
        exact = [c for c in cases if c.exact]
        wrong = [c for c in cases if not c.stranger and not c.right]
        found.append(
            {
                "kind": name,
                "cases": len(cases),
                "first right": rate(sum(c.right for c in cases), len(cases)),
                "read exactly and first right": rate(sum(c.right for c in exact), len(exact)),
                "called not registered": rate(sum(c.stranger for c in cases), len(cases)),
                **{
                    f"other animal named with {p:.2f}": rate(
                        sum(c.first >= p for c in wrong), len(cases)
                    )
                    for p in NAMED
                },
                "other animal called identified": rate(
                    sum(c.identified for c in wrong), len(cases)
                ),
                "in the 95 % set": rate(sum(c.covered for c in cases), len(cases)),
                "ece of the first": round(
                    ece([c.first for c in cases], [c.right for c in cases], bins=10), 4
                ),
            }
        )
    return tuple(found)


def _recorded(rng: np.random.Generator, mark: str, settings: Settings) -> str:
    """The record of an ear in which a wrong die was pressed, or two were swapped."""
    outcomes = channel_outcomes(mark, odds=channel_odds(settings))
    outcomes.pop(mark)
    kinds = [c.isalpha() for c in mark]
    likely = {m: p for m, p in outcomes.items() if [c.isalpha() for c in m] == kinds} or outcomes
    weights = np.array(list(likely.values()))
    return str(rng.choice(list(likely), p=weights / weights.sum()))


def _broken(mark: str, own: str, as_in_ear: str) -> str:
    """A list's mark with its row break where the photographed one has it."""
    at = as_in_ear.find(ROW_SEPARATOR)
    if at <= 0 or at >= len(mark):
        return mark
    return mark[:at] + ROW_SEPARATOR + mark[at:]


@ending()
def main() -> None:
    """Command line of the module."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--readings", type=Path, required=True, help="kept readings")
    parser.add_argument("--photos", type=int, default=600, help="made, where FILE is not there")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--sizes", type=int, nargs="+", default=list(SIZES))
    given = parser.parse_args()
    work: Callable[[KnownReading], list[Case]] = partial(
        measure, sizes=tuple(given.sizes), seed=given.seed
    )
    if not given.readings.exists():
        make = partial(evaluation_reading, seed=given.seed)
        made = mapped(make, range(given.photos), jobs=given.jobs, chunk=2)
        said = f"{given.photos} evaluation photos, seed {given.seed}, person-readable ones"
        save_known_readings([one for one in made if one], given.readings, origin=said)
    readings, _ = load_known_readings(given.readings)
    parts = mapped(work, readings, jobs=given.jobs, chunk=4)
    cases = [case for part in parts for case in part]
    refused = sum(not known.usable for known in readings)
    print(f"{len(readings)} photos, {refused} refused and in no row below")
    print(as_markdown(report(cases, photos=len(readings), seed=given.seed)))


if __name__ == "__main__":
    main()
