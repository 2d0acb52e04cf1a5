"""Templates of die sets: small cases by hand, and what the low rank may cost."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from numpy.testing import assert_allclose

from legibility.alphabet import N_CHARACTERS, index_of
from legibility.dies.strokes import load_sources
from legibility.read.needle_bank import (
    CLUTTER_SHARE,
    INK_AREA_PX,
    NODES,
    SHOWS_SHARE,
    DieLayout,
    build_bank,
    centre_needles,
    choose_prototypes,
    draw_template,
    ink_probability,
    ink_rates,
    layouts_from_sources,
    template_grid,
)
from legibility.read.needle_file import load_layouts
from legibility.read.needle_ink import ink_evidence
from legibility.read.needle_pose import score_row
from tests.read.dots import draw_row

points = hnp.arrays(
    np.float64, st.tuples(st.integers(1, 16), st.just(2)), elements=st.floats(-0.1, 1.2)
)


def _shifted(offset: float) -> DieLayout:
    """A set whose characters are three needles in a row, at their own slope."""
    line = np.array([0.0, 0.5, 1.0])
    return DieLayout(
        name=f"slopes {offset}",
        needles=tuple(
            np.stack([line * (k / 40 + offset), line], axis=1) for k in range(N_CHARACTERS)
        ),
    )


def test_needles_are_centred_on_their_width_and_on_the_unit_height() -> None:
    assert_allclose(
        centre_needles(np.array([[0.2, 0.0], [0.6, 1.0]])), [[-6.4, -16.0], [6.4, 16.0]]
    )


def test_a_needle_inks_its_area_as_often_as_needles_show() -> None:
    """Sum over the grid of 2 x 2 pixel places is the expected inked area."""
    rates = ink_rates(np.array([[0.3, -0.4]]), template_grid())
    assert_allclose(rates.sum() * 4, SHOWS_SHARE * INK_AREA_PX, rtol=0.01)


def test_ink_is_probable_at_needles_and_clutter_elsewhere() -> None:
    grid = template_grid()
    chance = ink_probability(np.array([[1.0, 1.0]]), grid)
    far = ((grid - 1.0) ** 2).sum(axis=1) > 100
    assert_allclose(chance[far], CLUTTER_SHARE, atol=1e-6)
    assert chance.max() > 0.4
    assert grid[chance.argmax()] == pytest.approx([1.0, 1.0])


@given(points, st.floats(0.1, 1.0))
def test_a_template_interpolates_its_probability(needles: np.ndarray, weight: float) -> None:
    """Weights at the nodes rebuild the probability itself wherever it is within the nodes."""
    grid, centred = template_grid(), centre_needles(needles)
    weights = draw_template(centred, grid, weight=weight).reshape(len(NODES), -1)
    assert weights.min() >= 0
    assert weights.sum(axis=0).max() <= 1 + 1e-12
    chance = ink_probability(centred, grid, weight=weight)
    rebuilt = CLUTTER_SHARE + (np.array(NODES) - CLUTTER_SHARE) @ weights
    assert_allclose(rebuilt, np.minimum(chance, NODES[-1]), atol=1e-9)


@given(points)
def test_more_needles_never_make_ink_less_probable(needles: np.ndarray) -> None:
    grid = template_grid()
    fewer = ink_probability(needles[:-1] * 32 - 16, grid) if len(needles) > 1 else CLUTTER_SHARE
    assert np.all(ink_probability(needles * 32 - 16, grid) >= fewer - 1e-12)


def test_the_low_rank_changes_scores_by_little() -> None:
    """Against the exact product, on the shipped shapes and a drawn row of a held-out set."""
    row = draw_row(load_sources(split="held_out")[0], np.random.default_rng(1), loss=0.2)
    llr = ink_evidence(row.ink, row.cells).llr
    few = build_bank(load_layouts()[0])
    full = build_bank(load_layouts()[0], rank=len(NODES) * len(few.grid))
    cells = row.cells[2:5]
    wrong = score_row(llr, cells, few).loglik - score_row(llr, cells, full).loglik
    assert np.abs(wrong).max() < 0.5
    assert np.sqrt(np.mean(wrong**2)) < 0.15
    unit = np.random.default_rng(2).normal(size=(full.basis.shape[1], 50))
    drawn = np.stack(
        [
            draw_template(points, full.grid, weight=die.weight(character))
            for die, dies in zip(full.layouts, full.centred, strict=True)
            for character, points in enumerate(dies)
        ]
    )
    assert_allclose(full.coefficients @ (full.basis @ unit), drawn @ unit, atol=1e-2)


def test_sources_become_places_that_hold_the_usual_number_of_needles() -> None:
    layout = layouts_from_sources(load_sources(split="train")[:1])[0]
    for character in range(N_CHARACTERS):
        shown = len(layout.needles[character])
        assert layout.weight(character) * shown == pytest.approx(min(shown, 12))
    assert len(layout.needles[index_of("W")]) > len(layout.needles[index_of("I")])


def test_prototypes_are_some_of_the_shapes_without_repetition() -> None:
    layouts = [_shifted(offset) for offset in (0.0, 0.01, 0.3, 0.31, 0.7, 0.71)]
    chosen = choose_prototypes(layouts, count=3)
    assert len(chosen) == 3
    for character in range(N_CHARACTERS):
        picked = [
            next(
                k
                for k, d in enumerate(layouts)
                if np.array_equal(d.needles[character], c.needles[character])
            )
            for c in chosen
        ]
        # Three pairs of near twins: one of each must be taken.
        assert sorted(k // 2 for k in picked) == [0, 1, 2]
    assert choose_prototypes(layouts, count=9) == tuple(layouts)


def test_layouts_that_cannot_be_dies_are_refused() -> None:
    good = (np.zeros((1, 2)),) * N_CHARACTERS
    with pytest.raises(ValueError, match="35 characters"):
        DieLayout("short", good[:-1])
    with pytest.raises(ValueError, match="die A"):
        DieLayout("empty", (np.zeros((0, 2)), *good[1:]))
    with pytest.raises(ValueError, match="no place"):
        DieLayout("nan", (np.full((1, 2), np.nan), *good[1:]))
    with pytest.raises(ValueError, match="expected >= 1"):
        DieLayout("none", good, usual_needles=0)
    with pytest.raises(ValueError, match="at least one"):
        build_bank([])
    with pytest.raises(ValueError, match="at least one"):
        layouts_from_sources([])
