"""Measuring the kernel: rows of known condition, counted by true and read character."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from legibility.alphabet import NO_CHARACTER
from legibility.evaluate.kernel import kernel_lines, main, measure_kernel, render_row
from legibility.risk.kernel import Condition, load_kernel


def test_a_row_is_where_it_is_said_to_be_and_fades() -> None:
    text = "K4178B2W"
    rows = [
        render_row(text, Condition(1.0, contrast, 0.1), np.random.default_rng(3))
        for contrast in (1.0, 0.5, 0.0)
    ]
    assert rows[0].pixels.shape == (48, 384, 3)
    assert (np.diff(rows[0].centres_px[:, 0]) > 15).all()
    blank = rows[2].pixels.astype(float)
    change = [np.abs(row.pixels.astype(float) - blank).mean(axis=(0, 2)) for row in rows[:2]]
    assert change[0].mean() > change[1].mean() > 0
    columns = np.arange(384)
    inked = np.min(np.abs(columns[:, None] - rows[0].centres_px[:, 0]), axis=1) < 18
    assert change[0][inked].mean() > 2 * change[0][~inked].mean()


def test_counts_are_of_rows_read_and_repeat_with_the_seed() -> None:
    made = [
        measure_kernel(strips=1, seed=2, needles=(0.1, 1.0), contrast=(0.05, 1.0), bleed=(0.1,))
        for _ in range(2)
    ]
    kernel = made[0]
    assert (kernel.counts == made[1].counts).all()
    assert kernel.row_unread[0] == 1.0
    assert kernel.counts[0].sum() == 0
    assert kernel.row_unread[-1] == 0.0
    assert kernel.counts[-1].sum() == 8
    right = kernel.counts[-1].diagonal().sum()
    assert right >= 4
    assert kernel.counts[-1][:, NO_CHARACTER].sum() <= 4
    assert kernel.expected.sum(axis=2) == pytest.approx(1.0)
    assert len(kernel_lines(kernel)) == 4


def test_the_command_writes_a_kernel(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    made = measure_kernel(strips=1, seed=1, needles=(1.0,), contrast=(1.0,), bleed=(0.1,))
    monkeypatch.setattr("legibility.evaluate.kernel.measure_kernel", lambda **_: made)
    main(["--strips", "1", "--jobs", "1", "--out", str(tmp_path / "k.npz")])
    assert load_kernel(tmp_path / "k.npz").counts.shape == (1, 36, 37)
    assert "characters" in capsys.readouterr().out
