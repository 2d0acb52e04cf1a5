"""One photo, one way through, on pictures whose content is known from outside."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path

import numpy as np
import pytest
import skimage.data

from legibility.containers import Photo, Status
from legibility.photo.load import load_photo
from legibility.pipeline import Choices, read_photo
from legibility.settings import Settings

SAMPLES = Path(__file__).parents[2] / "sample_images"
ALONE = dataclasses.replace(Settings(), second_reader=False)
"""Without the second reader: it is a program that a machine may lack."""


def photo_of(pixels: np.ndarray) -> Photo:
    if pixels.ndim == 2:
        pixels = np.repeat(pixels[..., None], 3, axis=2)
    return Photo(name="test", sha256="", pixels=np.ascontiguousarray(pixels[..., :3]))


@pytest.mark.parametrize("name", ["retina", "microaneurysms", "chelsea", "brick", "page", "grass"])
def test_pictures_of_no_marked_ear_are_not_read(name):
    # Photographs shipped with scikit-image: vessels, fur, print, texture.
    result = read_photo(photo_of(getattr(skimage.data, name)()), settings=ALONE)
    assert result.status in (Status.UNREADABLE, Status.RETAKE)
    assert result.text == ""
    assert result.grade is None
    assert result.identification.candidates == ()


@pytest.mark.parametrize("shade", [0, 127, 255])
def test_an_empty_picture_is_refused(shade):
    result = read_photo(photo_of(np.full((400, 600), shade, np.uint8)), settings=ALONE)
    assert result.status is not Status.READ


@pytest.fixture(scope="module")
def fresh() -> Photo:
    return load_photo(SAMPLES / "as-new.jpg")


@pytest.fixture(scope="module")
def fresh_text(fresh):
    return read_photo(fresh, settings=ALONE).text


@pytest.mark.parametrize("quarter_turns", [1, 2, 3])
def test_a_turned_picture_reads_the_same(fresh, fresh_text, quarter_turns):
    turned = photo_of(np.rot90(fresh.pixels, quarter_turns))
    assert read_photo(turned, settings=ALONE).text == fresh_text


def test_a_mirrored_picture_reads_the_same_and_is_said_to_be_mirrored(fresh, fresh_text):
    straight = read_photo(fresh, settings=ALONE).reading.hypotheses[0]
    result = read_photo(photo_of(fresh.pixels[:, ::-1]), settings=ALONE)
    assert result.text == fresh_text
    assert result.reading.hypotheses[0].mirrored is not straight.mirrored


def test_hypotheses_and_no_mark_sum_to_one(fresh):
    reading = read_photo(fresh, settings=ALONE).reading
    total = sum(math.exp(h.logp) for h in reading.hypotheses) + math.exp(reading.logp_no_mark)
    assert total == pytest.approx(1.0)
    for cells in reading.hypotheses[0].rows:
        for cell in cells:
            assert np.exp(cell.logp).sum() == pytest.approx(1.0)
            assert np.isfinite(cell.logp).all()


def test_cells_lie_on_the_mark(fresh, fresh_text):
    reading = read_photo(fresh, settings=ALONE).reading
    quads = [cell.quad for cells in reading.hypotheses[0].rows for cell in cells]
    assert len(quads) >= len(fresh_text.replace("/", ""))
    for quad in quads:
        assert (quad > -20).all()
        assert (quad[:, 0] < fresh.width_px + 20).all()
        assert (quad[:, 1] < fresh.height_px + 20).all()


def test_a_reader_can_be_left_out(fresh):
    silent = read_photo(fresh, settings=ALONE, choices=Choices(needles=False))
    cells = [cell for row in silent.reading.hypotheses[0].rows for cell in row]
    assert all(cell.needles.expected == 0 for cell in cells)


def test_the_input_is_not_modified(fresh):
    before = fresh.pixels.copy()
    read_photo(fresh, settings=ALONE)
    np.testing.assert_array_equal(before, fresh.pixels)
