"""Strips: a drawn pattern in any pose comes out upright; strip points know their photo points."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from legibility.containers import ColorImage, Spot
from legibility.locate.rectify import (
    CHARACTER_PX,
    STRIP_HEIGHT_PX,
    STRIP_WIDTH_PX,
    cut_strip,
    halved,
)
from legibility.locate.rows import Row, row_through

HEIGHT, PITCH, COUNT = 62.0, 50.0, 5
SIZE = (700, 900)
CENTRE = np.array([430.0, 340.0])


def to_photo(points: NDArray[np.float64], angle_deg: float, mirrored: bool) -> NDArray[np.float64]:
    """Upright row coordinates (x right, y down from the row's middle) to photo pixels."""
    angle = math.radians(angle_deg)
    right = np.array([math.cos(angle), -math.sin(angle)]) * (-1 if mirrored else 1)
    down = np.array([math.sin(angle), math.cos(angle)])
    return CENTRE + points[:, :1] * right + points[:, 1:] * down


def drawn(angle_deg: float, mirrored: bool, bend: float = 0.0) -> tuple[ColorImage, Row]:
    """A row of five letters L: foot to the right, so that every flip shows."""
    x = (np.arange(COUNT) - (COUNT - 1) / 2) * PITCH
    picture = np.full((*SIZE, 3), 210, np.uint8)
    for place in x:
        rise = bend * place**2
        strokes = np.array([[-12, -HEIGHT / 2 + 4], [-12, HEIGHT / 2 - 4], [14, HEIGHT / 2 - 4]])
        points = to_photo(strokes + np.array([place, -rise]), angle_deg, mirrored)
        cv2.polylines(
            picture,
            [np.round(points * 16).astype(np.int32)],
            False,
            (40, 60, 50),
            7,
            cv2.LINE_AA,
            4,
        )
    centres = to_photo(np.stack([x, -bend * x**2], axis=1), angle_deg, mirrored)
    row = row_through(
        [(float(a), float(b)) for a, b in centres],
        [HEIGHT] * COUNT,
        angle_deg=angle_deg,
        mirrored=mirrored,
        score=1.0,
    )
    return picture, row


ROW = row_through([(430.0, 340.0)], [HEIGHT], angle_deg=0.0, mirrored=False, score=1.0)


def upright_template() -> NDArray[np.float32]:
    picture, row = drawn(0.0, False)
    return cut_strip([picture], row).pixels.mean(axis=2).astype(np.float32)


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("angle", [0.0, 17.0, 90.0, -125.0, 180.0])
@pytest.mark.parametrize("bend", [0.0, 0.0004])
def test_any_pose_comes_out_upright(angle: float, mirrored: bool, bend: float) -> None:
    picture, row = drawn(angle, mirrored, bend)
    strip = cut_strip([picture], row)
    assert strip.pixels.shape == (STRIP_HEIGHT_PX, STRIP_WIDTH_PX, 3)
    seen = strip.pixels.mean(axis=2).astype(np.float32)
    score = np.corrcoef(seen.ravel(), upright_template().ravel())[0, 1]
    assert score > 0.93
    for flipped in (seen[::-1], seen[:, ::-1], seen[::-1, ::-1]):
        assert np.corrcoef(flipped.ravel(), upright_template().ravel())[0, 1] < score - 0.2


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("angle", [0.0, 33.0, -160.0])
@pytest.mark.parametrize("bend", [0.0, 0.0004])
def test_strip_points_know_their_photo_points(angle: float, mirrored: bool, bend: float) -> None:
    _, row = drawn(angle, mirrored, bend)
    # A photo that is its own map: red and green say where a pixel lies.
    ys, xs = np.mgrid[0 : SIZE[0], 0 : SIZE[1]]
    picture = np.stack([xs / 4, ys / 4, 0 * xs], axis=-1).astype(np.uint8)
    strip = cut_strip([picture], row)
    middle = (STRIP_WIDTH_PX - 1) / 2
    for x, y in [(192, 24), (120, 10), (260, 40), (300, 24), (100, 24)]:
        straight = y - strip.bend_per_px * (x - middle) ** 2
        expected = strip.to_photo @ [x, straight, 1]
        if not strip.not_seen[y, x]:
            assert int(strip.pixels[y, x, 0]) * 4 + 2 == pytest.approx(expected[0], abs=6)
            assert int(strip.pixels[y, x, 1]) * 4 + 2 == pytest.approx(expected[1], abs=6)


def test_characters_have_the_height_the_reader_was_taught() -> None:
    _, row = drawn(0.0, False)
    strip = cut_strip([np.full((*SIZE, 3), 9, np.uint8)], row)
    scale = np.linalg.norm(strip.to_photo[:2, 0])
    assert HEIGHT / scale == pytest.approx(CHARACTER_PX)
    # The row's middle is the strip's.
    centre = strip.to_photo @ [(STRIP_WIDTH_PX - 1) / 2, (STRIP_HEIGHT_PX - 1) / 2, 1]
    np.testing.assert_allclose(centre[:2], CENTRE, atol=1e-6)


def test_long_rows_are_cut_at_a_smaller_scale() -> None:
    points = [(100.0 + 30 * i, 300.0) for i in range(20)]
    row = row_through(points, [40.0] * 20, angle_deg=0, mirrored=False, score=1)
    strip = cut_strip([np.full((*SIZE, 3), 9, np.uint8)], row)
    ends = np.linalg.inv(strip.to_photo) @ np.array([[100.0, 300, 1], [670, 300, 1]]).T
    assert ends[0].min() > 0
    assert ends[0].max() < STRIP_WIDTH_PX


def test_outside_the_photo_is_not_seen() -> None:
    spot = Spot(x=10, y=350, height_px=60, angle_deg=0, axis_certainty=1, score=1)
    row = row_through([(spot.x, spot.y)], [60], angle_deg=0, mirrored=False, score=1)
    strip = cut_strip([np.full((*SIZE, 3), 9, np.uint8)], row)
    scale = np.linalg.norm(strip.to_photo[:2, 0])
    first_seen = int(np.argmin(strip.not_seen[24]))
    assert first_seen == pytest.approx((STRIP_WIDTH_PX - 1) / 2 - 10.5 / scale, abs=1.5)
    assert strip.not_seen[:, : first_seen - 1].all()
    room_ends = (STRIP_WIDTH_PX + strip.room_px) // 2
    assert not strip.not_seen[:, first_seen + 1 : room_ends].any()
    assert strip.not_seen[:, room_ends:].all()


@pytest.mark.parametrize("mask_scale", [1.0, 0.5])
def test_what_is_hidden_in_the_photo_is_hidden_in_the_strip(mask_scale: float) -> None:
    picture, row = drawn(70.0, True)
    mask = np.zeros((int(SIZE[0] * mask_scale), int(SIZE[1] * mask_scale)), np.bool_)
    hidden = cut_strip([picture], row, not_seen=mask).not_seen
    assert not hidden[10:38, 150:230].any()
    place = to_photo(np.array([[PITCH, 0.0]]), 70.0, True)[0] * mask_scale
    cv2.circle(
        view := mask.view(np.uint8),
        (round(float(place[0])), round(float(place[1]))),
        round(16 * mask_scale),
        1,
        -1,
    )
    assert view.any()
    hidden = cut_strip([picture], row, not_seen=mask).not_seen
    ys, xs = np.nonzero(hidden[:, 100:280])
    scale = CHARACTER_PX / HEIGHT
    assert xs.mean() + 100 == pytest.approx((STRIP_WIDTH_PX - 1) / 2 + PITCH * scale, abs=1.5)
    assert ys.mean() == pytest.approx((STRIP_HEIGHT_PX - 1) / 2, abs=1.5)
    assert math.sqrt(len(xs) / math.pi) == pytest.approx(16 * scale, rel=0.12)


@pytest.mark.parametrize("size", [(1400, 1900), (901, 1303), (3023, 4031)])
def test_a_smaller_copy_shows_the_same_places(size: tuple[int, int]) -> None:
    rng = np.random.default_rng(4)
    blobs = cv2.GaussianBlur(rng.normal(0, 1, size).astype(np.float32), (0, 0), 6.0)
    grey = np.clip(128 + 45 * blobs / blobs.std(), 0, 255).astype(np.uint8)
    picture = np.repeat(grey[..., None], 3, axis=2)
    levels = halved(picture)
    assert levels[1].shape[0] == round(size[0] / 2)
    assert min(levels[-1].shape[:2]) < 2 * STRIP_HEIGHT_PX
    # Near the far corner, where a wrong scale shows most.
    row = replace(
        ROW, x=size[1] - 420.0, y=size[0] - 130.0, height_px=100.0, length_px=360.0, angle_deg=3.0
    )
    whole, smaller = cut_strip([picture], row), cut_strip(levels, row)
    seen = ~whole.not_seen
    columns = np.flatnonzero(seen.all(axis=0))
    first, second = (
        np.ascontiguousarray(strip.pixels[:, columns[0] : columns[-1] + 1, 0], dtype=np.float32)
        for strip in (whole, smaller)
    )
    (dx, dy), _ = cv2.phaseCorrelate(first - first.mean(), second - second.mean())
    assert abs(dx) < 0.2
    assert abs(dy) < 0.2
    assert np.corrcoef(first.ravel(), second.ravel())[0, 1] > 0.97


def test_a_short_row_needs_less_room() -> None:
    short, long = (
        cut_strip(
            [np.full((*SIZE, 3), 9, np.uint8)], replace(ROW, height_px=20.0, length_px=length)
        )
        for length in (20.0, 200.0)
    )
    assert short.room_px == 192  # (20 + 2 * 2.2 * 20) * 31 / 20 = 167.4, in steps of 32
    assert long.room_px == 384
