"""Evidence for ink: scipy's normal density as oracle, the stated bounds, and what is not seen."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from numpy.testing import assert_allclose
from scipy.stats import norm

from legibility.read.cells import CellBox
from legibility.read.needle_bank import CLUTTER_SHARE, NODES
from legibility.read.needle_ink import (
    INDEPENDENT_SHARE,
    STRENGTHS,
    density_ratio,
    ink_evidence,
)

CELLS = [CellBox(40.0 * k + 30, 24, 32, 38) for k in range(8)]
BOUNDS = [(np.log((1 - q) / (1 - CLUTTER_SHARE)), np.log(q / CLUTTER_SHARE)) for q in NODES]


def _speckled(seed: int, *, noise: float = 0.05) -> np.ndarray:
    rng = np.random.default_rng(seed)
    ink = 0.2 + noise * rng.normal(size=(48, 384))
    for _ in range(80):
        y, x = rng.integers(8, 40), rng.integers(20, 360)
        ink[y - 1 : y + 2, x - 1 : x + 2] += 0.6
    return ink.clip(0, 1).astype(np.float32)


def test_the_ratio_is_that_of_normal_densities() -> None:
    values = np.linspace(0.0, 0.5, 11).astype(np.float32)
    scale = np.hypot(0.05, 0.15 * 0.5)
    inked = np.mean([norm.pdf(values, 0.5 * s, scale) for s in STRENGTHS], axis=0)
    assert_allclose(
        density_ratio(values, spread=0.05, contrast=0.5),
        np.clip(inked / norm.pdf(values, 0, 0.05), 1e-4, 1e4),
        rtol=1e-4,
    )


def test_more_ink_never_speaks_less_for_a_needle() -> None:
    values = np.linspace(-1, 2, 301).astype(np.float32)
    ratio = density_ratio(values, spread=0.05, contrast=0.5)
    assert np.all(np.diff(ratio) >= -1e-3 * ratio[:-1])
    assert ratio[0] < 0.1
    assert ratio[-1] > 100


def test_dots_speak_for_needles_and_skin_against_them_within_the_stated_bounds() -> None:
    ink = _speckled(1)
    evidence = ink_evidence(ink, CELLS)
    # White noise smoothed with a Gaussian of 1 pixel keeps 1 / (2 sqrt(pi)) of its deviation.
    strong = ink_evidence(_speckled(1, noise=0.12), CELLS)
    assert strong.spread == pytest.approx(0.12 / (2 * np.sqrt(np.pi)), rel=0.25)
    for node, (low, high) in zip(evidence.llr, BOUNDS, strict=True):
        assert node.min() == pytest.approx(INDEPENDENT_SHARE * low, rel=0.05)
        assert node.max() == pytest.approx(INDEPENDENT_SHARE * high, rel=0.05)
    dark, skin = ink > 0.7, ink < 0.3
    assert np.median(evidence.inked[dark]) > 0.95
    assert np.median(evidence.inked[skin]) < 0.2


def test_without_contrast_there_is_no_strong_evidence() -> None:
    rng = np.random.default_rng(2)
    ink = (0.2 + 0.05 * rng.normal(size=(48, 384))).astype(np.float32)
    evidence = ink_evidence(ink, CELLS)
    assert np.mean(np.abs(evidence.llr)) < 0.4 * INDEPENDENT_SHARE * BOUNDS[0][1]
    flat = ink_evidence(np.full((48, 384), 0.3, np.float32), CELLS)
    assert np.ptp(flat.llr[0]) < 1e-3


@given(hnp.arrays(np.bool_, (6, 48)))
def test_what_is_not_seen_says_nothing_and_changes_nothing(coarse: np.ndarray) -> None:
    hidden = np.kron(coarse, np.ones((8, 8), bool))
    ink = _speckled(3)
    evidence = ink_evidence(ink, CELLS, not_seen=hidden)
    assert np.all(evidence.llr[:, hidden] == 0)
    painted = np.where(hidden, np.float32(1.0), ink)
    assert_allclose(ink_evidence(painted, CELLS, not_seen=hidden).llr, evidence.llr, atol=1e-5)


@given(hnp.arrays(np.float32, (12, 96), elements=st.floats(-2, 3, width=32)))
def test_any_picture_gives_bounded_evidence(coarse: np.ndarray) -> None:
    evidence = ink_evidence(np.kron(coarse, np.ones((4, 4), np.float32)), CELLS)
    for node, (low, high) in zip(evidence.llr, BOUNDS, strict=True):
        assert node.min() >= INDEPENDENT_SHARE * low - 1e-4
        assert node.max() <= INDEPENDENT_SHARE * high + 1e-4
    assert np.all((evidence.inked >= 0) & (evidence.inked <= 1))


def test_brighter_light_and_more_gain_change_nothing() -> None:
    """The row's own skin and ink are the scale."""
    ink = _speckled(4, noise=0.1)
    moved = (0.1 + 0.5 * ink).astype(np.float32)
    assert_allclose(ink_evidence(moved, CELLS).llr, ink_evidence(ink, CELLS).llr, atol=1e-3)


def test_pictures_of_the_wrong_kind_are_refused() -> None:
    with pytest.raises(ValueError, match="expected"):
        ink_evidence(np.zeros((48, 383), np.float32), CELLS)
    with pytest.raises(ValueError, match="expected"):
        ink_evidence(np.zeros((48, 384), np.float32), CELLS, not_seen=np.zeros((2, 2), bool))
    with pytest.raises(ValueError, match="finite"):
        ink_evidence(np.full((48, 384), np.nan, np.float32), CELLS)
