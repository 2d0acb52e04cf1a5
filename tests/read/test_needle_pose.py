"""Poses: the fast row score against a slow one written with scipy alone."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from numpy.testing import assert_allclose
from scipy.ndimage import map_coordinates
from scipy.special import logsumexp

from legibility.alphabet import N_CHARACTERS
from legibility.read.cells import CellBox
from legibility.read.needle_bank import (
    DieLayout,
    NeedleBank,
    build_bank,
    draw_template,
)
from legibility.read.needle_pose import (
    SharedPose,
    log_sum,
    place,
    sample,
    score_row,
    shared_poses,
    shifts,
)


def _die_sets(n: int) -> list[DieLayout]:
    rng = np.random.default_rng(5)
    return [
        DieLayout(f"set {k}", tuple(rng.random((rng.integers(4, 9), 2)) for _ in range(36)))
        for k in range(n)
    ]


def _slow(
    llr: np.ndarray, cells: list[CellBox], bank: NeedleBank, pose_trust: float, die_trust: float
) -> np.ndarray:
    places, shift_prior = shifts()
    scores = np.empty((len(cells), len(bank.layouts), N_CHARACTERS, len(shared_poses())))
    for c, cell in enumerate(cells):
        for p, pose in enumerate(shared_poses()):
            values = []
            for shift in places:
                at = place(bank.grid, cell, pose, tuple(shift))
                values.append(
                    [
                        map_coordinates(node, [at[:, 1], at[:, 0]], order=1, mode="grid-constant")
                        for node in llr
                    ]
                )
            patches = np.array(values).reshape(len(places), -1)
            for k, dies in enumerate(bank.centred):
                for character, points in enumerate(dies):
                    each = patches @ draw_template(points, bank.grid)
                    scores[c, k, character, p] = logsumexp(each + shift_prior)
    prior = np.array([pose.logp for pose in shared_poses()]) - np.log(len(bank.layouts))
    result = np.empty((len(cells), N_CHARACTERS))
    for c in range(len(cells)):
        others = prior + np.zeros((len(bank.layouts), 1))
        for o in range(len(cells)):
            if o != c:
                fit = logsumexp(scores[o], axis=1) - np.log(N_CHARACTERS) + prior
                others = others + die_trust * logsumexp(fit, axis=1)[:, None]
                others = others + pose_trust * logsumexp(fit, axis=0)
        others = others - logsumexp(others)
        result[c] = logsumexp(scores[c] + others[:, None, :], axis=(0, 2))
    return result


@pytest.mark.parametrize("trusts", [(0.0, 0.0), (0.2, 0.5)])
def test_row_scores_agree_with_a_slow_computation(trusts: tuple[float, float]) -> None:
    rng = np.random.default_rng(6)
    llr = rng.normal(scale=0.3, size=(2, 48, 384)).astype(np.float32)
    cells = [CellBox(20.0, 24.0, 32.0, 36.0), CellBox(70.3, 22.5, 28.0, 36.0)]
    bank = build_bank(_die_sets(2), rank=10_000)
    row = score_row(llr, cells, bank, pose_trust=trusts[0], die_trust=trusts[1])
    assert_allclose(row.loglik, _slow(llr, cells, bank, *trusts), atol=0.02)
    assert_allclose(np.exp(row.layout_logp).sum(), 1)


def test_shapes_of_priors_and_their_middle() -> None:
    assert_allclose(sum(np.exp(pose.logp) for pose in shared_poses()), 1)
    best = max(shared_poses(), key=lambda pose: pose.logp)
    assert (best.scale, best.slant) == (1.0, 0.0)
    places, prior = shifts()
    assert_allclose(np.exp(prior).sum(), 1)
    assert_allclose(places[prior.argmax()], 0)


def test_places_worked_by_hand() -> None:
    cell = CellBox(100.0, 24.0, 16.0, 36.0)  # half the nominal height
    pose = SharedPose(scale=1.0, slant=0.25, logp=0.0)
    at = place(np.array([[8.0, -16.0], [0.0, 16.0]]), cell, pose, (1.0, -2.0))
    assert_allclose(at, [[101 + 4 + 2, 22 - 8], [101 - 2, 22 + 8]])


@given(hnp.arrays(np.float64, (7, 2), elements=st.floats(1, 40)))
def test_samples_agree_with_scipy(points: np.ndarray) -> None:
    """cv2.remap rounds places to a 32nd of a pixel."""
    plane = np.random.default_rng(7).random((48, 384)).astype(np.float32)
    expected = map_coordinates(plane, [points[:, 1], points[:, 0]], order=1)
    assert_allclose(sample(plane, points), expected, atol=2 / 32)
    assert np.all(sample(plane, points + 1000) == 0)


@given(hnp.arrays(np.float64, (3, 4, 2), elements=st.floats(-1e4, 1e4)), st.integers(0, 2))
def test_log_sum_agrees_with_scipy(values: np.ndarray, axis: int) -> None:
    assert_allclose(log_sum(values, axis=axis), logsumexp(values, axis=axis), atol=1e-9)
