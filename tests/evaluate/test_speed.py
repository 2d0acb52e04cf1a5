"""The timing tools (the times themselves are measured by hand)."""

from __future__ import annotations

import os
import sys
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import cv2
import numpy as np
import pytest

from legibility.evaluate.speed import (
    import_seconds,
    median_seconds,
    memory_growth_mib,
    one_core,
)


def test_one_core_is_given_back():
    threads, cores = cv2.getNumThreads(), os.sched_getaffinity(0)
    with one_core():
        assert cv2.getNumThreads() == 1
        assert len(os.sched_getaffinity(0)) == 1
        assert os.environ["OMP_THREAD_LIMIT"] == "1"
    assert cv2.getNumThreads() == threads
    assert os.sched_getaffinity(0) == cores


def test_median_of_calls_by_a_clock_in_hand(monkeypatch: pytest.MonkeyPatch):
    clock, lasts = [100.0], iter([9.0, 1.0, 4.0, 2.0])

    def work() -> None:
        clock[0] += next(lasts)

    monkeypatch.setattr("legibility.evaluate.speed.time.perf_counter", lambda: clock[0])
    assert median_seconds(work, repeats=3) == 2.0


def test_import_time_is_measured_in_a_fresh_interpreter(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    """A module that needs at least 0.2 s; how long others take is not a test's matter."""
    (tmp_path / "slow_to_come.py").write_text("import time; time.sleep(0.2)\n", "utf-8")
    kept = os.environ.get("PYTHONPATH", "")
    monkeypatch.setenv("PYTHONPATH", f"{tmp_path}{os.pathsep}{kept}")
    assert import_seconds("slow_to_come", runs=1) >= 0.2
    assert "slow_to_come" not in sys.modules


def _growths() -> tuple[float, float]:
    kept: list[np.ndarray] = []
    flat = memory_growth_mib(lambda: np.ones(1 << 17), warm_up=3, repeats=20)
    # 40 MiB at a time: too large for the allocator to serve from memory freed earlier
    leak = memory_growth_mib(lambda: kept.append(np.ones(5 << 20)), warm_up=1, repeats=4)
    return flat, leak


def test_memory_growth_sees_a_leak_and_no_leak():
    # In a process of its own: here, what other tests leave behind may be freed meanwhile.
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as alone:
        flat, leak = alone.submit(_growths).result()
    assert flat < 8
    assert 150 < leak < 200
