"""Timings of registries up to a million rows; run by hand:

python -m pytest tests/benchmarks/bench_registry.py -s
"""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pytest

from legibility.alphabet import CHARACTERS, N_CLASSES
from legibility.containers import CellReading, Hypothesis, NeedleEvidence, Reading
from legibility.identify.calibration import FinalCalibration
from legibility.identify.decision import identify
from legibility.identify.registry import load_registry

HYPOTHESES = 5


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
