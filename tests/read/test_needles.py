"""The needle model on drawn dots of held-out die sets, with the truth known for every needle."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.special import log_softmax
from scipy.stats import binom

from legibility.alphabet import CHARACTERS, index_of
from legibility.dies.layout import needle_layout
from legibility.dies.strokes import load_sources
from legibility.read.cells import CellBox
from legibility.read.needle_bank import DieLayout, layouts_from_sources
from legibility.read.needle_pose import shared_poses, shifts
from legibility.read.needles import NeedleModel, likeliest_needles
from tests.read.dots import draw_row

HELD_OUT = load_sources(split="held_out")


@pytest.fixture(scope="module")
def model() -> NeedleModel:
    return NeedleModel.default()


@cache
def two_sets() -> NeedleModel:
    return NeedleModel.from_layouts(layouts_from_sources(HELD_OUT[:2]))


def _accuracy(model: NeedleModel, rows: int, **drawn: float) -> tuple[int, int, float]:
    right, log_loss = 0, []
    for k in range(rows):
        rng = np.random.default_rng((31, k))
        row = draw_row(HELD_OUT[k % len(HELD_OUT)], rng, **drawn)
        scores = model.score(row.ink, row.cells)
        truth = np.array(row.truth)
        right += int((scores.loglik.argmax(axis=1) == truth).sum())
        log_loss += list(-log_softmax(scores.loglik, axis=1)[np.arange(8), truth])
    return right, rows * 8, float(np.mean(log_loss))


# Shares measured on 40 other rows: 0.86, 0.66, 0.46; refused is anything a tenth below
# them by more than a binomial chance of 1e-3.
@pytest.mark.parametrize(("loss", "share"), [(0.0, 0.86), (0.3, 0.66), (0.5, 0.46)])
def test_unknown_dies_are_read(model: NeedleModel, loss: float, share: float) -> None:
    right, total, log_loss = _accuracy(model, 10, loss=loss)
    assert right >= binom.ppf(1e-3, total, share - 0.1)
    assert log_loss < np.log(36) * 0.7  # far better than not knowing


def test_lost_needles_and_noise_cost_accuracy(model: NeedleModel) -> None:
    fresh, _, sure = _accuracy(model, 6)
    worn, _, doubtful = _accuracy(model, 6, loss=0.5)
    noisy, _, hard = _accuracy(model, 6, noise=0.2, contrast=0.35)
    assert fresh > worn
    assert fresh > noisy
    assert sure < min(doubtful, hard)


def test_the_set_of_the_tongs_is_recognised_and_read() -> None:
    """With the true set among four the reader is better than with strange shapes alone."""
    sets = NeedleModel.from_layouts(layouts_from_sources(HELD_OUT[:4]))
    right = named = 0
    for k in range(8):
        row = draw_row(HELD_OUT[k % 4], np.random.default_rng((32, k)))
        scores = sets.score(row.ink, row.cells)
        right += int((scores.loglik.argmax(axis=1) == np.array(row.truth)).sum())
        named += int(scores.layout_logp.argmax() == k % 4)
    assert right >= binom.ppf(1e-3, 64, 0.85)
    assert named >= 7


def test_needles_are_found_where_they_were_pressed() -> None:
    """A die set known exactly: position within 2 pixels, lost needles told from inked ones."""
    rng = np.random.default_rng(33)
    source = HELD_OUT[0]
    layout = DieLayout(
        "known",
        tuple(
            needle_layout(s, needles=12, jitter=0.0, rng=rng).astype(np.float64)
            for s in source.strokes
        ),
    )
    known = NeedleModel.from_layouts([layout])
    truth = tuple(index_of(c) for c in "HKRW2748")
    ink = np.zeros((48, 384), np.float32) + 0.1
    y, x = np.mgrid[0:48, 0:384]
    cells, places, shown = [], [], []
    for k, character in enumerate(truth):
        at = layout.needles[character] * 32.0
        at[:, 0] += 24 + 46 * k - 0.5 * (at[:, 0].min() + at[:, 0].max())
        at[:, 1] += 8.0
        shows = rng.random(len(at)) > 0.3
        for (px, py), here in zip(at, shows, strict=True):
            ink += here * 0.7 * np.exp(-((x - px) ** 2 + (y - py) ** 2) / 5.0).astype(np.float32)
        cells.append(CellBox(24.0 + 46 * k, 24.0, 32.0, 40.0))
        places.append(at)
        shown.append(shows)
    scores = known.score(ink, cells)
    assert "".join(fit.character for fit in scores.best) == "HKRW2748"
    inked = np.concatenate([fit.inked for fit in scores.best])
    flags = np.concatenate(shown)
    for fit, at in zip(scores.best, places, strict=True):
        assert np.abs(fit.positions - at).max() < 2
        assert fit.evidence.expected == len(at)
    assert np.mean((inked > 0.5) == flags) > 0.95
    assert sum(fit.evidence.inked for fit in scores.best) == pytest.approx(flags.sum(), rel=0.1)
    assert np.all(scores.condition > 0.4)


def test_rubbing_out_the_foot_of_an_e_speaks_for_f(model: NeedleModel) -> None:
    """E and F differ by the lower bar; its needles must be the ones that speak."""
    row = draw_row(
        HELD_OUT[0], np.random.default_rng(34), disturb=0.0, truth=(index_of("E"),) * 8, noise=0.03
    )
    scores = model.score(row.ink, row.cells)
    explained = model.explain(scores, cell=3, character="E", alternative="F")
    assert explained.total > 3
    foot = [v for v in explained.votes if v.y > 34 and v.x > row.cells[3].x_center - 4]
    assert sum(v.logratio for v in foot) > 0.5 * explained.total
    rubbed = row.ink.copy()
    cell = row.cells[3]
    rubbed[34:, int(cell.x_center) - 5 : int(cell.right)] = np.median(row.ink)
    after = model.score(rubbed, row.cells)
    assert model.explain(after, cell=3, character="E", alternative="F").total < -1
    assert after.loglik[2, index_of("E")] == pytest.approx(
        scores.loglik[2, index_of("E")], abs=1.5
    )  # the neighbour keeps its reading


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 7), st.sampled_from(CHARACTERS), st.sampled_from(CHARACTERS))
def test_explanations_add_up_and_turn_around(cell: int, one: str, other: str) -> None:
    model = two_sets()
    row = draw_row(HELD_OUT[0], np.random.default_rng(35), loss=0.2)
    scores = model.score(row.ink, row.cells)
    there = model.explain(scores, cell=cell, character=one, alternative=other)
    back = model.explain(scores, cell=cell, character=other, alternative=one)
    assert sum(v.logratio for v in there.votes) + there.other_poses == pytest.approx(there.total)
    assert there.total == pytest.approx(-back.total)
    assert there.total == pytest.approx(
        scores.loglik[cell, index_of(one)] - scores.loglik[cell, index_of(other)]
    )
    sizes = [abs(v.logratio) for v in there.votes]
    assert sizes == sorted(sizes, reverse=True)
    # A prior-weighted average lies between the best pose times its prior and the best pose, so the
    # other poses count for less than the least prior a pose of one of the two sets can have.
    least = min(pose.logp for pose in shared_poses()) + shifts()[1].min() - np.log(2)
    assert abs(there.other_poses) < -least


def test_moving_the_picture_with_its_cells_changes_nothing(model: NeedleModel) -> None:
    row = draw_row(HELD_OUT[2], np.random.default_rng(37), n_cells=5, truth=(3, 8, 20, 30, 35))
    moved = [CellBox(c.x_center + 16, c.y_center, c.height_px, c.width_px) for c in row.cells]
    shifted = model.score(np.roll(row.ink, 16, axis=1), moved)
    before = model.score(row.ink, row.cells)
    assert_allclose(shifted.loglik[:-1], before.loglik[:-1], atol=0.3)


def test_order_of_the_cells_does_not_matter(model: NeedleModel) -> None:
    row = draw_row(HELD_OUT[3], np.random.default_rng(38))
    there = model.score(row.ink, row.cells).loglik
    back = model.score(row.ink, row.cells[::-1]).loglik
    assert_allclose(there, back[::-1], atol=1e-4)


def test_a_hidden_strip_says_nothing(model: NeedleModel) -> None:
    row = draw_row(HELD_OUT[4], np.random.default_rng(39))
    scores = model.score(row.ink, row.cells, not_seen=np.ones((48, 384), bool))
    assert_allclose(scores.loglik, 0, atol=1e-4)
    half = np.zeros((48, 384), bool)
    half[:, 192:] = True
    left = model.score(row.ink, row.cells, not_seen=half)
    assert np.ptp(left.loglik[-1]) < 1e-3
    assert np.ptp(left.loglik[0]) > 3


def test_bare_skin_is_no_character(model: NeedleModel) -> None:
    """Every score is a ratio against bare skin: on bare skin all of them must be below 0."""
    rng = np.random.default_rng(40)
    cells = [CellBox(40.0 * k + 30, 24, 32, 38) for k in range(8)]
    row = draw_row(HELD_OUT[0], rng, truth=(0,) * 8)
    blank = row.ink.copy()
    blank[:, 190:] = 0.15 + 0.02 * rng.normal(size=(48, 194))
    scores = model.score(blank, cells)
    assert scores.loglik[5:].max() < 0
    assert scores.loglik[0].max() > 5


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(0, 1), st.integers(0, 8))
def test_any_picture_gives_finite_scores(seed: int, spread: float, n_cells: int) -> None:
    model = two_sets()
    rng = np.random.default_rng(seed)
    ink = (rng.random((48, 384)) * spread).astype(np.float32)
    cells = [CellBox(*rng.uniform((-20, 0, 15, 10), (400, 48, 45, 60))) for _ in range(n_cells)]
    scores = model.score(ink, cells, not_seen=rng.random((48, 384)) < 0.3)
    assert scores.loglik.shape == (n_cells, 36)
    assert np.all(np.isfinite(scores.loglik))
    assert len(scores.best) == n_cells
    assert np.all((scores.condition >= 0) & (scores.condition <= 1))


def test_likeliest_needles_keep_their_distance() -> None:
    line = np.stack([np.arange(21.0), np.zeros(21)], axis=1)
    inked = np.full(21, 0.1)
    inked[[3, 4, 11]] = 0.8, 0.9, 0.7
    chosen = likeliest_needles(line, inked, most=3, spacing_px=5, blank_spacing_px=7)
    # By hand: 4 (3 is too near), 11, then the first blank place 7 away from both.
    assert list(chosen) == [4, 11, 18]
    everywhere = likeliest_needles(line, inked, most=99, spacing_px=5, blank_spacing_px=9)
    assert list(everywhere) == [4, 11, 20]
    full = likeliest_needles(line, np.ones(21), most=99, spacing_px=5, blank_spacing_px=9)
    assert list(full) == [0, 5, 10, 15, 20]
