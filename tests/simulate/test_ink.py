"""Coverage and staining against their formulas."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import expit

from legibility.simulate.ink import (
    InkSpec,
    absorbance_of,
    coverage,
    dimmed,
    line_kernel,
    smudge_ink,
    spread_ink,
    stain,
)


def coverage_by_formula(needles: np.ndarray, shape: tuple[int, int], softness: float) -> np.ndarray:
    """1 - prod(1 - a * sigmoid((r - d) / s)) at every pixel, with SciPy's logistic function."""
    y, x = np.mgrid[: shape[0], : shape[1]]
    clear = np.ones(shape)
    for px, py, radius, density in needles:
        distance = np.hypot(x - px, y - py)
        clear *= 1 - density * expit((radius - distance) / softness)
    return 1 - clear


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(0.3, 3.0))
def test_coverage_follows_its_formula(seed: int, softness: float) -> None:
    rng = np.random.default_rng(seed)
    needles = np.column_stack(
        [rng.uniform(-5, 70, 12), rng.uniform(-5, 45, 12), rng.uniform(0.5, 6, 12), rng.random(12)]
    )
    found = coverage(needles, (40, 64), softness=softness)
    assert found.dtype == np.float32
    np.testing.assert_allclose(found, coverage_by_formula(needles, (40, 64), softness), atol=4e-4)


def test_coverage_at_the_rim_of_a_dot_is_half_its_density() -> None:
    # The logistic function is 1/2 at 0.
    found = coverage(np.array([[10.0, 10.0, 4.0, 0.8]]), (21, 21), softness=0.5)
    assert found[10, 14] == pytest.approx(0.4, abs=1e-6)
    assert found[10, 10] == pytest.approx(0.8, abs=1e-3)


def test_coverage_without_needles_and_without_softness() -> None:
    assert coverage(np.zeros((0, 4)), (3, 5), softness=1.0).tolist() == np.zeros((3, 5)).tolist()
    with pytest.raises(ValueError, match="softness is 0"):
        coverage(np.zeros((0, 4)), (3, 5), softness=0.0)


def test_stain_is_beer_lambert() -> None:
    # Beer-Lambert: one unit of natural-log absorbance leaves exp(-1) = 0.36788 of the light;
    # twice the ink leaves the square.
    skin = np.full((1, 3, 3), 0.5, dtype=np.float32)
    ink = np.array([[0.0, 0.5, 1.0]], dtype=np.float32)
    found = stain(skin, ink, np.array([1.0, 2.0, 0.0]))
    np.testing.assert_allclose(found[0, 2], [0.5 * 0.36788, 0.5 * 0.36788**2, 0.5], rtol=1e-4)
    np.testing.assert_allclose((found[0, 1] / 0.5) ** 2, found[0, 2] / 0.5, rtol=1e-5)
    np.testing.assert_array_equal(found[0, 0], skin[0, 0])


def test_bleeding_keeps_the_ink_and_lowers_its_peak() -> None:
    ink = coverage(np.array([[40.0, 40.0, 5.0, 1.0]]), (81, 81), softness=0.6)
    spread = spread_ink(ink, bleed=0.7, bleed_px=4.0)
    assert float(spread.sum()) == pytest.approx(float(ink.sum()), rel=1e-3)
    assert spread.max() < ink.max()
    assert spread[40, 52] > ink[40, 52]
    assert spread_ink(ink, bleed=0.0, bleed_px=4.0) is ink


def test_a_smudge_goes_one_way_and_removes_nothing() -> None:
    ink = coverage(np.array([[40.0, 40.0, 4.0, 1.0]]), (81, 81), softness=0.6)
    before = ink.copy()
    smudged = smudge_ink(ink, smudge=0.6, length_px=30.0, angle_deg=0.0)
    np.testing.assert_array_equal(ink, before)
    assert (smudged >= ink - 1e-6).all()
    assert smudged[40, 50] > 0.1
    assert smudged[50, 40] < 0.01


def test_motion_kernels_sum_to_one_and_point_where_asked() -> None:
    for angle in (0.0, 30.0, 90.0, 179.0):
        kernel = line_kernel(9.0, angle)
        assert float(kernel.sum()) == pytest.approx(1.0, abs=1e-5)
    assert line_kernel(9.0, 0.0).sum(axis=0).astype(bool).sum() > 8
    assert line_kernel(9.0, 0.0).sum(axis=1).astype(bool).sum() <= 3
    rising = line_kernel(9.0, 45.0)
    assert rising[:4, 7:].sum() > rising[:4, :4].sum()


def test_pigment_dims_all_colours_alike() -> None:
    ink = InkSpec("green", 1.0, 0.3, 0.1, 0.1)
    fresh = absorbance_of(ink, fading=0.0)
    assert fresh[0] > fresh[2] > fresh[1]
    veiled = dimmed(fresh, melanin=2.0)
    assert (veiled < fresh).all()
    np.testing.assert_allclose(veiled / veiled[0], fresh / fresh[0], rtol=1e-5)
