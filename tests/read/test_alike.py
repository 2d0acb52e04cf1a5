"""Likeness of two places: shift, size, and what it says; the regression against scikit-learn."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from sklearn.linear_model import LogisticRegression

from legibility.containers import GrayImage
from legibility.errors import ModelError
from legibility.read.alike import (
    MOST_TOLD,
    PATCH,
    AlikeModel,
    fit_alike,
    likeness,
    load_alike_model,
    place_pictures,
    save_alike_model,
)
from legibility.read.cells import CellBox

RING = [(0.0, -0.45), (0.3, -0.2), (0.3, 0.2), (0.0, 0.45), (-0.3, 0.2), (-0.3, -0.2)]
BAR = [(0.0, y) for y in (-0.45, -0.22, 0.0, 0.22, 0.45)]


def strip(*marks: tuple[list[tuple[float, float]], float, float, float]) -> GrayImage:
    """Dots of (points, x, y, height) on an empty ink map."""
    ink = np.zeros((48, 384), np.float32)
    for points, x, y, height in marks:
        for dx, dy in points:
            at = (round((x + dx * height) * 16), round((y + dy * height) * 16))
            cv2.circle(ink, at, round(0.07 * height * 16), (1.0,), -1, cv2.LINE_AA, 4)
    return cv2.GaussianBlur(ink, (0, 0), 1.0)


def box(x: float, y: float, height: float) -> CellBox:
    return CellBox(x_center=x, y_center=y, height_px=height, width_px=0.85 * height)


def test_the_same_dots_are_alike_in_another_place_and_size() -> None:
    ink = strip((RING, 60, 23.5, 30), (RING, 140.4, 24.3, 25), (BAR, 220, 23.5, 30))
    pictures = place_pictures(ink, [box(60, 23.5, 30), box(140, 23, 25), box(220, 23.5, 30)])
    assert all(picture.shape == PATCH for picture in pictures)
    alike = likeness(pictures)
    np.testing.assert_array_equal(alike, alike.T)
    np.testing.assert_array_equal(np.diag(alike), 1.0)
    assert alike[0, 1] > 0.8
    assert alike[0, 2] < 0.4
    assert alike[1, 2] < 0.4


def test_a_place_without_any_ink_is_like_nothing() -> None:
    empty = np.zeros(PATCH, np.float32)
    ring = place_pictures(strip((RING, 60, 23.5, 30)), [box(60, 23.5, 30)])[0]
    assert likeness([ring, empty])[0, 1] == 0.0
    assert likeness([]).shape == (0, 0)


def test_the_line_is_that_of_a_logistic_regression() -> None:
    """Oracle: scikit-learn with balanced classes and no penalty."""
    rng = np.random.default_rng(8)
    same = rng.random(900) < 0.2
    values = np.where(same, rng.normal(0.7, 0.15, 900), rng.normal(0.35, 0.2, 900))
    oracle = LogisticRegression(C=np.inf, class_weight="balanced", tol=1e-8)
    oracle.fit(values[:, None], same)
    model = fit_alike(values, same, origin="here")
    assert model.bias == pytest.approx(oracle.intercept_[0], rel=1e-3)
    assert model.slope == pytest.approx(oracle.coef_[0, 0], rel=1e-3)


def test_what_it_says_is_limited() -> None:
    told: NDArray[np.float64] = AlikeModel(-8.0, 16.0).log_ratio(np.array([0.0, 0.5, 1.0]))
    np.testing.assert_allclose(told, [-MOST_TOLD, 0.0, MOST_TOLD])


def test_the_shipped_model_takes_likeness_for_sameness() -> None:
    low, high = load_alike_model().log_ratio(np.array([0.1, 0.9]))
    assert low < -1 < 1 < high


def test_it_is_written_and_read_back(tmp_path: Path) -> None:
    path = tmp_path / "alike.json"
    save_alike_model(AlikeModel(-2.0, 5.0, "a test"), path)
    assert load_alike_model(path) == AlikeModel(-2.0, 5.0, "a test")
    path.write_text('{"bias": 1}')
    load_alike_model.cache_clear()
    with pytest.raises(ModelError, match=r"alike\.json: cannot be read"):
        load_alike_model(path)
