"""Timings of the registry's risk up to a million marks; run by hand:

python -m pytest -m benchmark tests/benchmarks/bench_risk.py -s

The whole command, from the registry to the written file, runs as a process of its own.

Beside it, in the same run, what one would write today: the weighted edit distance of all pairs with
``rapidfuzz.process.cdist``, at 10,000 marks. It knows neither the condition nor which characters
are alike, and its time grows with the square.
"""

from __future__ import annotations

import itertools
import math
import os
import resource
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from legibility.alphabet import CHARACTERS
from legibility.batch.herd_risk import registry_report
from legibility.risk.kernel import load_kernel
from legibility.risk.marks import mark_set
from legibility.risk.misreading import channel
from legibility.risk.pairs import find_pairs

pytestmark = pytest.mark.benchmark

CONDITION = "worn"
SIZES = (10_000, 100_000, 1_000_000)
SECONDS = 60.0
"""Contract for a million marks on two cores that do nothing else."""
CORES = 2
GIB = 4.0
"""Contract."""
COMMAND_BYTES = 2e9
"""Contract: the command's processes together, at their peak."""
LOOK_S = 0.1
"""Choice: how often the memory of the processes is looked at."""


def six_characters(count: int) -> np.ndarray:
    letters = np.frombuffer(CHARACTERS.encode(), dtype=np.uint8)
    drawn = letters[np.random.default_rng(1).integers(0, 36, (count, 6))]
    return drawn.view("S6").ravel()


def two_letters_four_digits(count: int) -> np.ndarray:
    rng = np.random.default_rng(1)
    letters = np.frombuffer(CHARACTERS.encode(), dtype=np.uint8)
    parts = [letters[rng.integers(0, 26, (count, 2))], letters[rng.integers(26, 36, (count, 4))]]
    return np.ascontiguousarray(np.concatenate(parts, axis=1)).view("S6").ravel()


def six_digits(count: int) -> np.ndarray:
    return np.array([f"{i:06d}" for i in range(count)], dtype="S6")


@pytest.mark.parametrize("make", [six_characters, two_letters_four_digits, six_digits])
def test_time_and_memory_up_to_a_million(make: Callable[[int], np.ndarray], tmp_path: Path) -> None:
    taken, worked = [], []
    for count in SIZES:
        path = tmp_path / f"{count}.csv"
        rows = (f"A{i},{mark}" for i, mark in enumerate(make(count).astype(str)))
        path.write_text("animal_id,mark\n" + "\n".join(rows) + "\n", encoding="utf-8")
        before = _cpu_s()
        start = time.perf_counter()
        report = registry_report(path, condition=CONDITION)
        taken.append(time.perf_counter() - start)
        worked.append(_cpu_s() - before)
        memory = [resource.getrusage(who).ru_maxrss / 2**20 for who in _WHO]
        print(
            f"\n{make.__name__} {count:>9,}: {taken[-1]:6.1f} s, processor {worked[-1]:6.1f}"
            f" s, {report.arrays.found:,} pairs, {memory[0]:.1f} GiB and {memory[1]:.1f} GiB a "
            "process"
        )
    times = math.log(SIZES[-1] / SIZES[0])
    exponents = [math.log(series[-1] / series[0]) / times for series in (taken, worked)]
    print(f"exponent {exponents[0]:.2f}, of the processor's time {exponents[1]:.2f}")
    assert memory[0] + 2 * memory[1] < GIB
    # The clock depends on what else the machine does; the processor's time, on two cores, does not.
    assert worked[-1] / CORES < SECONDS


@pytest.mark.parametrize("written", ["--json", "--csv", "--parquet"])
def test_the_whole_command_up_to_a_million(written: str, tmp_path: Path) -> None:
    """Registry to file, dense marks of two letters and four digits, words included."""
    worked = []
    for count in SIZES:
        path, out = tmp_path / f"{count}.csv", tmp_path / "risk.out"
        rows = (f"A{i},{m}" for i, m in enumerate(two_letters_four_digits(count).astype(str)))
        path.write_text("animal_id,mark\n" + "\n".join(rows) + "\n", encoding="utf-8")
        wall, cpu, memory = measured("risk", str(path), written, str(out), "--jobs", str(CORES))
        worked.append(cpu)
        print(
            f"\nrisk {written} {count:>9,}: {wall:6.1f} s, processor {cpu:6.1f} s, all processes "
            f"{memory / 1e9:.2f} GB, file {out.stat().st_size / 1e6:,.0f} MB"
        )
    growth = [after / before for before, after in itertools.pairwise(worked)]
    print(f"processor's time from size to size, ten times each: {growth[0]:.1f}, {growth[1]:.1f}")
    assert memory <= COMMAND_BYTES
    assert worked[-1] / CORES < SECONDS
    assert growth[1] < 12


def measured(*arguments: str) -> tuple[float, float, float]:
    """Seconds on the clock and of processors, and most bytes held by a command's processes."""
    psutil = pytest.importorskip("psutil")
    before, start = _cpu_s(), time.perf_counter()
    environment = {**os.environ, "OMP_NUM_THREADS": "1"}
    command = [sys.executable, "-m", "legibility", *arguments]
    most = 0
    with subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL) as process:
        parent = psutil.Process(process.pid)
        while process.poll() is None:
            most = max(most, _held(psutil, parent))
            time.sleep(LOOK_S)
    assert process.returncode == 0
    return time.perf_counter() - start, _cpu_s() - before, most


def _held(psutil: ModuleType, parent: Any) -> int:
    """Bytes that a process and its children hold; what they share counts once (PSS)."""
    held = 0
    try:
        for process in (parent, *parent.children(recursive=True)):
            held += process.memory_full_info().pss
    except psutil.Error:
        pass
    return held


def test_against_all_pairs_at_ten_thousand() -> None:
    process = pytest.importorskip("rapidfuzz.process")
    distance = pytest.importorskip("rapidfuzz.distance")
    texts = two_letters_four_digits(10_000).astype(str).tolist()
    start = time.perf_counter()
    matrix = process.cdist(
        texts,
        texts,
        scorer=distance.Levenshtein.distance,
        scorer_kwargs={"weights": (2, 2, 1)},
        score_cutoff=2,
        dtype=np.uint8,
        workers=1,
    )
    near = int((matrix <= 2).sum()) - len(texts)
    theirs = time.perf_counter() - start
    start = time.perf_counter()
    herd = mark_set(texts)
    pairs = find_pairs(herd, herd, channel(load_kernel().at(CONDITION)))
    ours = time.perf_counter() - start
    print(
        f"\n10,000 marks, one process: all pairs with cdist {theirs:.1f} s ({near:,} within two "
        f"edits), pairs by probability {ours:.1f} s ({len(pairs):,} of 1e-4 or more)"
    )
    assert ours < theirs


_WHO = (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)


def _cpu_s() -> float:
    used = [resource.getrusage(who) for who in _WHO]
    return sum(u.ru_utime + u.ru_stime for u in used)
