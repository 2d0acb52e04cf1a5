"""Fresh, undisturbed dies."""

from __future__ import annotations

import numpy as np
import pytest

from legibility.evaluate import clean_dies
from legibility.evaluate.clean_dies import DIES, HEIGHT_PX, clean_strip, tally

SQUARE = np.array([[0.0, 0.0], [0.6, 0.0], [0.6, 1.0], [0.0, 1.0]])


def test_dots_lie_where_the_needles_are() -> None:
    row = np.zeros(DIES, dtype=np.int64)
    strip = clean_strip([SQUARE], row, np.random.default_rng(1)).astype(float)
    assert strip.shape == (48, 384, 3)
    # Ink takes red light first: dots are where red is lowest.
    red = strip[..., 0]
    assert np.median(red) == pytest.approx(200, abs=2)
    for middle in 191.5 + (np.arange(DIES) - 2) * 0.9 * HEIGHT_PX:
        for x, y in (SQUARE - [0.3, 0.5]) * HEIGHT_PX:
            assert red[round(23.5 + y), round(middle + x)] < 130
        assert red[23, round(middle)] > 180


def test_the_command_says_what_was_read_of_each_split(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.argv", ["clean_dies", "--marks", "12", "--seed", "3"])
    clean_dies.main()
    lines = capsys.readouterr().out.splitlines()
    assert [line.split(":")[0] for line in lines] == ["learned from", "held out", "evaluation"]
    assert all("of 60" in line and "of 12" in line for line in lines)


def test_confusions_are_those_of_the_reader() -> None:
    """Dies that all show a bar are read as 1 or I; every other character is counted as wrong."""
    bar = np.array([[0.0, y] for y in np.linspace(0, 1, 8)])
    found = tally(lambda rng: [bar] * 36, marks=20, seed=5)
    rng = np.random.default_rng(5)
    true = np.concatenate([rng.integers(36, size=DIES) for _ in range(20)])
    bars = int(np.isin(true, ["ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789".index(c) for c in "I1"]).sum())
    assert found.characters.total == 100
    assert abs(found.characters.count - bars) <= 1
    assert all(pair[2:] in ("1", "I") for pair, _ in found.worst)
