"""Rows out of spots: straight, bent, two rows, clutter, and the same at any angle."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from legibility.containers import Spot
from legibility.locate.rows import MOST_ROWS, Row, axis_offence, link_rows, row_through

HEIGHT, PITCH = 40.0, 30.0


def spot(
    x: float, y: float, *, angle_deg: float = 0.0, score: float = 0.8, height: float = HEIGHT
) -> Spot:
    return Spot(x=x, y=y, height_px=height, angle_deg=angle_deg, axis_certainty=0.9, score=score)


def straight(count: int, *, y: float = 200.0, x: float = 100.0) -> tuple[Spot, ...]:
    return tuple(spot(x + PITCH * i, y) for i in range(count))


def turned(spots: tuple[Spot, ...], degrees: float) -> tuple[Spot, ...]:
    """The same picture turned counter-clockwise about the origin (y points down)."""
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    return tuple(
        Spot(
            x=p.x * c + p.y * s,
            y=-p.x * s + p.y * c,
            height_px=p.height_px,
            angle_deg=p.angle_deg + degrees,
            axis_certainty=p.axis_certainty,
            score=p.score,
        )
        for p in spots
    )


def members(rows: tuple[Row, ...], spots: tuple[Spot, ...]) -> list[set[int]]:
    return [{spots.index(s) for s in row.spots} for row in rows]


def test_a_straight_row_is_one_row() -> None:
    spots = straight(5)
    (row,) = link_rows(spots)
    assert row.spots == spots
    assert (row.x, row.y) == pytest.approx((160.0, 200.0))
    assert row.length_px == pytest.approx(4 * PITCH)
    assert row.height_px == pytest.approx(HEIGHT)
    assert row.angle_deg == pytest.approx(0, abs=0.01)
    assert row.bend_per_px == pytest.approx(0, abs=1e-9)
    assert not row.mirrored


def test_a_row_seen_from_either_side_is_one_row() -> None:
    spots = tuple(spot(100 + PITCH * i, 50, angle_deg=180.0 * (i % 2)) for i in range(4))
    (row,) = link_rows(spots)
    assert row.spots == spots
    assert row.angle_deg == pytest.approx(0, abs=0.01)


def test_of_two_lines_through_a_block_the_axis_decides() -> None:
    # Two rows of two: the columns are as close as the rows.
    block = tuple(spot(100 + HEIGHT * i, 100 + HEIGHT * j) for j in range(2) for i in range(2))
    first = link_rows(block)[0]
    assert first.spots in (block[:2], block[2:])


@given(degrees=st.floats(-180, 180), bend=st.floats(-0.0007, 0.0007), count=st.integers(3, 8))
def test_a_turned_picture_gives_the_same_rows_turned(
    degrees: float, bend: float, count: int
) -> None:
    middle = (count - 1) / 2 * PITCH
    spots = tuple(
        spot(
            100 + PITCH * i,
            # Up is -y: an offset of bend * distance**2 along the up direction.
            200 - bend * (PITCH * i - middle) ** 2,
            score=0.9 - 0.05 * i,
        )
        for i in range(count)
    )
    (upright,) = link_rows(spots)
    (row,) = link_rows(turned(spots, degrees))
    assert members((row,), turned(spots, degrees)) == members((upright,), spots)
    # Which end of the axis is up the row does not know.
    off = math.remainder(row.angle_deg - upright.angle_deg - degrees, 360)
    upside_down = abs(off) > 90
    assert math.remainder(off, 180) == pytest.approx(0, abs=0.1)
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    assert row.x == pytest.approx(upright.x * c + upright.y * s, abs=0.2)
    assert row.y == pytest.approx(-upright.x * s + upright.y * c, abs=0.2)
    assert row.length_px == pytest.approx(upright.length_px, rel=1e-3)
    bend_seen = -upright.bend_per_px if upside_down else upright.bend_per_px
    assert row.bend_per_px == pytest.approx(bend_seen, abs=1e-5)


@pytest.mark.parametrize("bend", [-0.0007, 0.0003, 0.0007])
def test_the_bend_of_a_row_is_found(bend: float) -> None:
    spots = tuple(spot(300 + x, 200 - bend * x**2) for x in np.arange(-3, 4) * PITCH)
    (row,) = link_rows(spots)
    assert len(row.spots) == 7
    assert row.bend_per_px == pytest.approx(bend, rel=0.05)
    assert row.y == pytest.approx(200, abs=1.0)


def test_a_bend_no_ear_has_is_not_followed() -> None:
    spots = tuple(spot(300 + x, 200 - 0.002 * x**2) for x in np.arange(-3, 4) * PITCH)
    # At most an offset of .03 heights at one height from the middle.
    assert link_rows(spots)[0].bend_per_px == pytest.approx(0.03 / HEIGHT)


def test_one_character_over_another_may_be_two_rows() -> None:
    stacked = (spot(100, 100), spot(100, 100 + 1.4 * HEIGHT))
    found = {row.spots: row for row in link_rows(stacked)}
    assert {stacked[:1], stacked[1:]} < set(found)
    assert all(abs(found[row].angle_deg) < 1 for row in (stacked[:1], stacked[1:]))


def test_two_rows_stay_two() -> None:
    spots = straight(4) + straight(5, y=200 + 1.4 * HEIGHT, x=85)
    rows = link_rows(spots)
    found = members(rows[:2], spots)
    assert sorted(map(sorted, found)) == [[0, 1, 2, 3], [4, 5, 6, 7, 8]]


def test_clutter_does_not_join() -> None:
    clutter = (
        spot(100 + 2 * PITCH, 300, score=0.5),  # below the row
        spot(160, 160, angle_deg=80.0, score=0.5),  # turned
        spot(100 + 5 * PITCH, 200, height=90.0, score=0.5),  # much larger
        spot(600, 200, score=0.5),  # far along the line
    )
    spots = straight(5) + clutter
    rows = link_rows(spots)
    assert rows[0].spots == straight(5)
    assert rows[0].score > max(row.score for row in rows[1:])


def test_a_lost_character_does_not_break_a_row() -> None:
    spots = tuple(s for i, s in enumerate(straight(6)) if i != 3)
    assert link_rows(spots)[0].spots == spots


def test_a_single_spot_is_a_row() -> None:
    (row,) = link_rows((spot(50, 60, angle_deg=25.0),))
    assert (row.x, row.y, row.length_px) == pytest.approx((50, 60, 0))
    assert row.angle_deg == pytest.approx(25.0)


def test_unsure_spots_alone_are_no_row() -> None:
    assert link_rows(tuple(spot(100 + PITCH * i, 90, score=0.2) for i in range(4))) == ()
    assert link_rows(()) == ()


def test_so_many_rows_are_handed_on() -> None:
    spots = tuple(spot(300 * (i % 4), 300 * (i // 4), score=0.5) for i in range(16))
    assert len(link_rows(spots)) == MOST_ROWS


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("angle", [0.0, 65.0, -140.0])
def test_a_row_laid_through_characters_goes_through_them(angle: float, mirrored: bool) -> None:
    c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    sign = -1 if mirrored else 1
    # Reading direction of a mark turned counter-clockwise: (cos, -sin), y down.
    points = [(300 + sign * c * PITCH * i, 200 - sign * s * PITCH * i) for i in range(5)]
    row = row_through(points, [HEIGHT] * 5, angle_deg=angle, mirrored=mirrored, score=1.5)
    assert [(p.x, p.y) for p in row.spots] == points
    assert math.remainder(row.angle_deg - angle, 360) == pytest.approx(0, abs=1e-6)
    assert (row.x, row.y) == pytest.approx(points[2])
    assert row.mirrored is mirrored
    assert row.score == 1.5


def test_axes_across_a_row_offend_by_their_squared_sine() -> None:
    def offence(degrees: float) -> float:
        row = row_through([(0, 0), (30, 0)], [40, 40], angle_deg=0, mirrored=False, score=1)
        leaning = tuple(spot(p.x, p.y, angle_deg=degrees) for p in row.spots)
        return axis_offence(replace(row, spots=leaning))

    # By hand: certainty 0.9 times sin(0), sin(30)^2 = 1/4, sin(90)^2; an axis has two ends.
    assert offence(0) == pytest.approx(0)
    assert offence(30) == pytest.approx(0.9 / 4)
    assert offence(90) == pytest.approx(0.9)
    assert offence(210) == pytest.approx(offence(30))
