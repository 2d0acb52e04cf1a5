"""General programs run, offline, and are scored kindly."""

from __future__ import annotations

from importlib.util import find_spec

import cv2
import numpy as np
import pytest

from legibility.errors import MissingExtraError
from legibility.evaluate.baselines import BASELINES, kindest, rapid_lines, tesseract_lines
from legibility.evaluate.pose import SceneChoices
from legibility.evaluate.scene import evaluation_set


@pytest.fixture(scope="module")
def printed():
    page = np.full((140, 520, 3), 255, np.uint8)
    cv2.putText(page, "AH47", (60, 100), cv2.FONT_HERSHEY_SIMPLEX, 3.0, (0, 0, 0), 8)
    return page


def test_tesseract_reads_print(printed):
    assert kindest("AH47", tesseract_lines(printed, page_mode=7)) == "AH47"


def test_rapid_reads_print_or_says_that_it_is_missing(printed):
    if find_spec("rapidocr_onnxruntime") is None:  # its wheels stop at Python 3.12
        with pytest.raises(MissingExtraError, match="RapidOCR"):
            rapid_lines(printed)
    else:
        assert kindest("AH47", rapid_lines(printed)) == "AH47"


def test_all_run_on_a_photo():
    choices = SceneChoices(width_px=640, height_px=480, fading=0, mark_share=0.6)
    (photo,) = evaluation_set(n=1, seed=3, choices=choices)
    for name, baseline in BASELINES.items():
        if name.startswith("RapidOCR") and find_spec("rapidocr_onnxruntime") is None:
            continue
        lines = baseline(photo)
        assert all(isinstance(line, str) for line in lines), name


def test_the_nearest_piece_counts():
    assert kindest("AB/12", ("noise 77", "AB", "12", "rest")) == "AB12"
    assert kindest("AB12", ("x ab12 y",)) == "AB12"
    assert kindest("AB12", ()) == ""
