"""Ablations show the same photos to every variant, and leave out what they say."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from legibility.containers import Status
from legibility.enhance.contrast import MARGIN_PX
from legibility.evaluate import ablation
from legibility.evaluate.ablation import VARIANTS, run_ablations
from legibility.evaluate.crop import CROP_HEIGHT_PX
from legibility.evaluate.scene import evaluation_set
from legibility.pipeline.cells import NEEDLE_PITCH
from tests.evaluate.fake_readers import FakeReader


@pytest.fixture
def quick(monkeypatch):
    """A reader that knows the truth, one that says nothing, and a program that shouts."""
    marks = {}
    for index in range(6):
        (photo,) = evaluation_set(
            n=1, seed=2, first=index, choices=ablation.SceneChoices(width_px=1200)
        )
        marks[photo.photo().sha256] = photo.truth.mark
    variants = {
        "everything": FakeReader(lambda photo: marks[photo.sha256]),
        "without": FakeReader(lambda photo: ""),
    }
    monkeypatch.setattr(ablation, "VARIANTS", variants)
    monkeypatch.setattr(ablation, "tesseract_lines", lambda pixels, page_mode: ("NOTHING",))


def test_every_variant_sees_the_same_photos(quick):
    counted = []
    report = run_ablations(n=6, seed=2, progress=counted.append)
    full, without = report.sections[0].rows
    assert full["exact mark"].total == without["exact mark"].total > 0
    assert full["exact mark"].count == full["exact mark"].total
    assert without["answered"].count == 0
    assert sum(counted) == 6
    pictures = [row["picture shown"] for row in report.sections[1].rows]
    assert pictures[0] == "photo as it is"
    assert {"all steps, dots joined", "without illumination", "without ink"} <= set(pictures)
    assert {row["exact mark"].count for row in report.sections[1].rows} == {0}


def test_a_variant_leaves_out_its_part():
    (photo,) = evaluation_set(
        n=1, seed=4, choices=ablation.SceneChoices(mark="K417", fading=0, width_px=600)
    )
    alone = VARIANTS["the network alone"](photo.photo())
    assert alone.status in (Status.READ, Status.UNREADABLE, Status.RETAKE)
    assert alone.reading.second_opinion == ()
    expected = [
        cell.needles.expected
        for h in alone.reading.hypotheses[:1]
        for row in h.rows
        for cell in row
    ]
    assert not any(expected)


def test_joined_dots_are_strokes_dark_on_light():
    row = np.full((90, 200, 3), 190, np.uint8)
    pitch = round(NEEDLE_PITCH * CROP_HEIGHT_PX)
    places = range(30, 170, pitch)
    for x in places:
        cv2.circle(row, (x, 45), 3, (70, 80, 75), -1, cv2.LINE_AA)
    joined = ablation._joined(row)
    assert joined.dtype == np.uint8
    assert joined.shape[2] == 3
    # Along the stroke all is dark now, between the dots too; skin is white.
    scale = (joined.shape[1] - 2 * MARGIN_PX) / 200
    line = joined[round(45 * scale) + MARGIN_PX, :, 0]
    inside = line[round(30 * scale) + MARGIN_PX : round(places[-1] * scale) + MARGIN_PX]
    assert inside.max() < 128
    assert np.median(joined) > 200
