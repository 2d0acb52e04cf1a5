"""Dies lit from behind."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np
import pytest

from legibility.evaluate import backlit_dies
from legibility.evaluate.backlit_dies import PLAIN, TROUBLES, Trouble, backlit_strip
from legibility.evaluate.clean_dies import DIES, HEIGHT_PX, evaluation_dies, middles, tally

SQUARE = np.array([[0.0, 0.0], [0.6, 0.0], [0.6, 1.0], [0.0, 1.0]])
ROW = np.zeros(DIES, dtype=np.int64)


def drawn(trouble: Trouble, seed: int = 2) -> np.ndarray:
    return backlit_strip([SQUARE], ROW, np.random.default_rng(seed), trouble=trouble).astype(float)


def test_dots_are_dark_before_the_light_where_the_needles_are() -> None:
    strip = drawn(replace(PLAIN, vessels=0.0))
    assert strip.shape == (48, 384, 3)
    red = strip[..., 0]
    # Lit tissue is orange to red.
    assert np.median(red) > 1.5 * np.median(strip[..., 1])
    for middle in middles():
        for x, y in (SQUARE - [0.3, 0.5]) * HEIGHT_PX:
            near = red[round(23.5 + y), round(middle + x)]
            assert near < 0.7 * red[23, round(middle)]


@pytest.mark.parametrize("name", [name for name in TROUBLES if name != "nothing else"])
def test_every_trouble_changes_the_strip(name: str) -> None:
    clean, troubled = drawn(PLAIN), drawn(TROUBLES[name])
    assert np.abs(clean - troubled).max() > 25


def test_the_command_names_every_trouble(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.argv", ["backlit_dies", "--marks", "4", "--seed", "3"])
    backlit_dies.main()
    lines = capsys.readouterr().out.splitlines()
    assert [line.split(":")[0] for line in lines] == list(TROUBLES)
    assert all("of 20" in line and "of 4" in line for line in lines)


def test_half_of_everything_is_harder_than_nothing() -> None:
    def right(name: str) -> float:
        draw = partial(backlit_strip, trouble=TROUBLES[name])
        return float(tally(evaluation_dies, marks=12, seed=8, draw=draw).right.mean())

    assert right("nothing else") > 0.9
    assert right("all of it by half") < right("nothing else")
