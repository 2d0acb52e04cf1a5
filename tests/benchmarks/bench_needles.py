"""Time of the needle model on one row (run with ``pytest -m benchmark``, times printed)."""

from __future__ import annotations

import time

import numpy as np
import pytest
from threadpoolctl import threadpool_limits

from legibility.dies.strokes import load_sources
from legibility.read.needles import NeedleModel
from tests.read.dots import draw_row

ROW_S = 0.060
"""Aim of the project: processor time for a row of eight characters on one core."""


@pytest.mark.benchmark
def test_a_row_of_eight() -> None:
    model = NeedleModel.default()
    row = draw_row(load_sources(split="held_out")[0], np.random.default_rng(41))
    took = []
    with threadpool_limits(1):
        for _ in range(15):
            start = time.process_time()
            model.score(row.ink, row.cells)
            took.append(time.process_time() - start)
    print(f"needle model, row of eight: {min(took) * 1000:.0f} ms (aim {ROW_S * 1000:.0f})")
