"""Timings of registries up to a million rows; run by hand:

python -m pytest tests/benchmarks/bench_registry.py -s
"""

from __future__ import annotations

import resource
import time
from pathlib import Path

import numpy as np
import pytest

from legibility.alphabet import CHARACTERS, N_CLASSES
from legibility.containers import Animal, CellReading, Hypothesis, NeedleEvidence, Reading
from legibility.identify import rough
from legibility.identify.calibration import FinalCalibration
from legibility.identify.calibration_file import load_final_calibration
from legibility.identify.decision import identify
from legibility.identify.registry import load_registry, registry_of

HYPOTHESES = 5
CASES = 5_000
"""Random cases in which a shortlist is compared with a pass over all rows."""


def marks(kind: str, count: int) -> list[str]:
    letters = CHARACTERS[:26]
    if kind == "numbered":
        return [
            f"{letters[i // 40000 % 26]}{letters[i // 1600 % 26]}{i % 10000:04d}"
            for i in range(count)
        ]
    if kind == "two rows":
        return [
            f"{letters[i // 40000 % 26]}{letters[i // 1600 % 26]}/{i % 10000:04d}"
            for i in range(count)
        ]
    rng = np.random.default_rng(0)
    table = np.array(list(CHARACTERS))
    return ["".join(row) for row in table[rng.integers(0, 36, (count, int(kind[-1])))]]


def reading(cells: int) -> Reading:
    rng = np.random.default_rng(1)

    def cell() -> CellReading:
        logits = rng.normal(0, 3, N_CLASSES)
        logp = logits - np.log(np.sum(np.exp(logits)))
        return CellReading(logp, np.zeros((4, 2)), NeedleEvidence(12, 10.0), 0.5, 1.0)

    return Reading(
        tuple(
            Hypothesis(
                float(np.log(0.99 / HYPOTHESES)), (tuple(cell() for _ in range(cells)),), 0.0, False
            )
            for _ in range(HYPOTHESES)
        ),
        float(np.log(0.01)),
    )


@pytest.mark.benchmark
@pytest.mark.parametrize("count", [400, 100_000, 1_000_000])
@pytest.mark.parametrize("kind", ["numbered", "two rows", "random 6", "random 8"])
def test_time_of_one_reading(kind: str, count: int, tmp_path: Path) -> None:
    path = tmp_path / "herd.csv"
    lines = (f"ID{i:07d},{m},left,{2000 + i % 20}\n" for i, m in enumerate(marks(kind, count)))
    path.write_text("animal_id,mark,ear,birth_year\n" + "".join(lines))
    start = time.perf_counter()
    registry = load_registry(path)
    loaded = time.perf_counter() - start
    seen = reading(8 if kind == "random 8" else 6)
    times = []
    for _ in range(3):
        start = time.perf_counter()
        identify(seen, registry, calibration=FinalCalibration())
        times.append(time.perf_counter() - start)
    print(f"{kind:10s} {count:8d} rows: load {loaded:6.2f} s, identify {min(times):7.4f} s")
    assert min(times) < 60


def clear_reading(rng: np.random.Generator, mark: str) -> Reading:
    """One way round; each character with a certainty between 0.3 and 0.98."""

    def cell(character: str) -> CellReading:
        best = rng.uniform(0.3, 0.98)
        weights = rng.dirichlet(np.full(N_CLASSES, 0.3)) * (1 - best) + 1e-6
        weights[CHARACTERS.index(character)] += best
        logp = np.log(weights / weights.sum())
        return CellReading(logp, np.zeros((4, 2)), NeedleEvidence(12, 10.0), 0.5, 1.0)

    rows = tuple(tuple(cell(c) for c in row) for row in mark.split("/"))
    return Reading((Hypothesis(float(np.log(0.97)), rows, 0.0, False),), float(np.log(0.03)))


@pytest.mark.benchmark
@pytest.mark.parametrize("kind", ["numbered", "two rows", "random 6", "random 8"])
def test_one_reading_against_a_million(kind: str, tmp_path: Path) -> None:
    """Median time once loaded, and the memory of the process at its highest."""
    path = tmp_path / "herd.csv"
    herd = marks(kind, 1_000_000)
    path.write_text("animal_id,mark\n" + "".join(f"ID{i:07d},{m}\n" for i, m in enumerate(herd)))
    registry = load_registry(path)
    calibration = load_final_calibration(None)
    rng = np.random.default_rng(2)
    wall, processor = [], []
    for _ in range(21):
        said = clear_reading(rng, herd[rng.integers(len(herd))])
        start, used = time.perf_counter(), time.process_time()
        identify(said, registry, calibration=calibration)
        wall.append(time.perf_counter() - start)
        processor.append(time.process_time() - used)
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    print(
        f"{kind:10s} 1,000,000 rows: median {1000 * np.median(wall):.0f} ms, of the processor "
        f"{1000 * np.median(processor):.0f} ms; memory so far {memory:.2f} GiB"
    )
    assert memory < 1.5e9 / 2**30


@pytest.mark.benchmark
def test_shortlists_are_what_a_full_pass_gives(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same candidates in the same order, the same set, and probabilities to 1e-6."""
    calibration = load_final_calibration(None)
    rng = np.random.default_rng(3)
    kinds = ("numbered", "two rows", "random 4", "random 6", "random 8")
    herds = {
        kind: (chosen := marks(kind, 3000), registry_of([Animal(m + str(i), m)
               for i, m in enumerate(chosen)]))
        for kind in kinds
    }  # fmt: skip
    largest = 0.0
    for case in range(CASES):
        herd, registry = herds[kinds[case % len(kinds)]]
        said = clear_reading(rng, herd[rng.integers(len(herd))])
        found = []
        for least in (10, 10**9):
            monkeypatch.setattr(rough, "LEAST_ANIMALS", least)
            found.append(identify(said, registry, calibration=calibration))
        one, other = found
        assert [c.animal_id for c in one.candidates] == [c.animal_id for c in other.candidates]
        assert (one.candidate_set, one.decision) == (other.candidate_set, other.decision)
        for a, b in zip(one.candidates, other.candidates, strict=True):
            largest = max(largest, abs(a.probability - b.probability))
    print(f"{CASES} cases: the same candidates and sets; largest difference {largest:.1e}")
    assert largest <= 1e-6
