"""From the spotter's raw output to characters in photo pixels."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from legibility.containers import Spot
from legibility.locate import spotter
from legibility.locate.spotter import look_coarsely

ROWS, COLUMNS = 24, 32


def quiet() -> NDArray[np.float32]:
    """Output (7, rows, columns) of a picture of 96 x 128 px without characters."""
    output = np.zeros((7, ROWS, COLUMNS), np.float32)
    output[0] = -9
    return output


def put(
    output: NDArray[np.float32],
    x: float,
    y: float,
    *,
    height: float = 24.0,
    angle_deg: float = 0.0,
    logit: float = 3.0,
) -> None:
    """Write a character at a place in the level's pixels, as the loss asks for it."""
    cx, cy = (x + 0.5) / 4 - 0.5, (y + 0.5) / 4 - 0.5
    column, row = round(cx), round(cy)
    angle = math.radians(angle_deg)
    output[:, row, column] = (
        logit,
        cx - column,
        cy - row,
        math.cos(-2 * angle),
        math.sin(-2 * angle),
        math.log(height / 24),
        0,
    )


def decoded(output: NDArray[np.float32], *, scale: float = 1.0) -> list[Spot]:
    return spotter._decode(output, scale, ROWS * 4, COLUMNS * 4)


@pytest.mark.parametrize("angle", [-179.0, -90.0, 0.0, 37.5, 135.0])
@pytest.mark.parametrize("scale", [1.0, 0.25])
def test_place_size_and_direction_come_back(angle: float, scale: float) -> None:
    output = quiet()
    put(output, 61.3, 40.8, height=31.0, angle_deg=angle)
    (spot,) = decoded(output, scale=scale)
    # Pixel centres at whole numbers: (x + 0.5) scales, not x.
    assert spot.x == pytest.approx((61.3 + 0.5) / scale - 0.5, abs=1e-3)
    assert spot.y == pytest.approx((40.8 + 0.5) / scale - 0.5, abs=1e-3)
    assert spot.height_px == pytest.approx(31.0 / scale, rel=1e-5)
    # A row read from either side has the same axis.
    assert math.remainder(spot.angle_deg - angle, 180) == pytest.approx(0, abs=1e-3)
    assert spot.axis_certainty == pytest.approx(1)
    assert spot.score == pytest.approx(1 / (1 + math.exp(-3)), rel=1e-5)


def test_only_peaks_above_the_floor_count() -> None:
    output = quiet()
    put(output, 40, 40, logit=3.0)
    put(output, 44, 40, logit=2.0)  # beside the stronger one
    put(output, 100, 40, logit=-2.0)  # sigmoid .12
    assert [round(spot.x) for spot in decoded(output)] == [40]


def test_sizes_no_level_is_for_are_left_to_the_others() -> None:
    output = quiet()
    put(output, 40, 40, height=5.0)
    put(output, 80, 40, height=150.0)
    assert decoded(output) == []


def test_nothing_is_found_in_the_padding() -> None:
    output = quiet()
    put(output, 100, 40)
    assert spotter._decode(output, 1.0, ROWS * 4, 90) == []


def spot(x: float, y: float, height: float, score: float) -> Spot:
    return Spot(x=x, y=y, height_px=height, angle_deg=0, axis_certainty=1, score=score)


def test_the_strongest_of_a_place_is_kept() -> None:
    strong, weak, next_one = spot(50, 50, 30, 0.9), spot(53, 50, 28, 0.6), spot(72, 50, 30, 0.5)
    assert spotter._without_doubles([weak, next_one, strong]) == (strong, next_one)


def test_a_large_thing_does_not_swallow_small_ones() -> None:
    large, small = spot(50, 50, 120, 0.9), spot(55, 50, 30, 0.6)
    assert len(spotter._without_doubles([large, small])) == 2


def test_so_many_spots_are_handed_on() -> None:
    crowd = [spot(40.0 * i, 40.0 * j, 20, 0.5) for i in range(12) for j in range(12)]
    assert len(spotter._without_doubles(crowd)) == spotter.MOST_SPOTS


@pytest.mark.parametrize("size", [(40, 50), (97, 131), (300, 2100)])
def test_any_size_of_picture_is_taken(
    size: tuple[int, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    shapes: list[tuple[int, ...]] = []

    def run(
        name: str, inputs: NDArray[np.float32], *, outputs: list[str]
    ) -> tuple[NDArray[np.float32]]:
        shapes.append(inputs.shape)
        empty = np.full((1, 7, inputs.shape[2] // 4, inputs.shape[3] // 4), -9, np.float32)
        return (empty,)

    monkeypatch.setattr(spotter, "run_network", run)
    assert look_coarsely(np.full((*size, 3), 90, np.uint8)).all_spots() == ()
    assert 1 <= len(shapes) <= spotter.LEVELS
    for _, channels, height, width in shapes:
        assert channels == 3
        assert height % 32 == width % 32 == 0
        assert max(height, width) <= spotter.LONGEST_PX + 31
