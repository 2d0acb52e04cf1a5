"""Fading and loss only ever take ink away."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from legibility.simulate.wear import WEAR_LEVELS, blot_map, needle_amounts, sample_wear, scar_map

PLACES = np.random.default_rng(5).uniform(-15, 15, size=(60, 2))
SPEC = sample_wear(np.random.default_rng(6), level="mild", clean=True)


def amounts(*, seed: int = 1, growth: float = 1.0, **changes: float) -> np.ndarray:
    spec = replace(SPEC, **changes)
    rng = np.random.default_rng(seed)
    return needle_amounts(spec, PLACES, growth=growth, density_spread=0.2, rng=rng)


@given(st.integers(0, 1000), st.floats(0, 1), st.floats(0, 1))
def test_more_fading_never_leaves_more_ink(seed: int, one: float, other: float) -> None:
    low, high = sorted((one, other))
    less, more = amounts(seed=seed, fading=low), amounts(seed=seed, fading=high)
    assert (more <= less + 1e-12).all()
    assert ((less >= 0) & (less <= 1)).all()


@given(st.integers(0, 1000), st.floats(0, 1), st.floats(0, 1))
def test_more_loss_never_gives_needles_back(seed: int, one: float, other: float) -> None:
    low, high = sorted((one, other))
    kept, fewer = amounts(seed=seed, lost=low), amounts(seed=seed, lost=high)
    assert set(np.flatnonzero(fewer)) <= set(np.flatnonzero(kept))


def test_complete_fading_or_loss_leaves_nothing() -> None:
    assert amounts(fading=1.0).max() == 0.0
    assert amounts(lost=1.0).max() == 0.0


def test_growth_thins_the_ink() -> None:
    assert amounts(growth=1.8).mean() < 0.8 * amounts(growth=1.0).mean()


def test_the_share_of_lost_needles_is_the_stated_one() -> None:
    lost = np.mean([np.mean(amounts(seed=seed, lost=0.3) == 0.0) for seed in range(60)])
    # 3600 needles: standard error of a share of 0.3 is 0.0076 (binomial); four of them.
    assert abs(lost - 0.3) < 0.031


def test_levels_are_checked_and_kept() -> None:
    for level, (fading, lost) in WEAR_LEVELS.items():
        spec = sample_wear(np.random.default_rng(1), level=level)
        assert fading[0] <= spec.fading <= fading[1]
        assert lost[0] <= spec.lost <= lost[1]
    with pytest.raises(ValueError, match="wear 'old' is not known"):
        sample_wear(np.random.default_rng(1), level="old")


def test_blots_cover_about_the_stated_share() -> None:
    for cover in (0.05, 0.3):
        field = blot_map(cover, (300, 400), size_px=20.0, rng=np.random.default_rng(3))
        assert float(field.mean()) == pytest.approx(cover, abs=0.04)
    assert blot_map(0.0, (5, 6), size_px=20.0, rng=np.random.default_rng(3)).max() == 0.0


def test_scars_are_where_the_mark_is() -> None:
    box = np.array([[100.0, 80.0], [200.0, 120.0]])
    found = scar_map(
        replace(SPEC, scars=2),
        (200, 300),
        around_px=box,
        px_per_mm=4.0,
        rng=np.random.default_rng(4),
    )
    assert found[80:120, 100:200].max() > 0.8
    assert 0.0 <= found.min() <= found.max() <= 1.0
