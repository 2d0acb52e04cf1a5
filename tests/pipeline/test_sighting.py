"""Which way round a strip is seen: poses form a group."""

from __future__ import annotations

import numpy as np
import pytest

from legibility.locate.rows import row_through
from legibility.pipeline.sighting import _pose_scores, _posed, place_evidence
from legibility.read.cells import CellBox
from legibility.read.network import Place, StripView, flip


def view(pose_logp, places=()):
    return StripView(
        places=tuple(places),
        pose_logp=np.asarray(pose_logp, dtype=float),
        ink=np.zeros((48, 384), np.float32),
    )


def certain(pose: int) -> np.ndarray:
    return np.log(np.where(np.arange(4) == pose, 0.97, 0.01))


@pytest.mark.parametrize("first", range(4))
@pytest.mark.parametrize("second", range(4))
def test_two_flips_are_the_flip_of_their_exclusive_or(first, second):
    picture = np.arange(48 * 384 * 3, dtype=np.uint32).reshape(48, 384, 3)
    np.testing.assert_array_equal(flip(flip(picture, first), second), flip(picture, first ^ second))


@pytest.mark.parametrize("true_pose", range(4))
def test_views_that_agree_name_the_pose(true_pose):
    views = [view(certain(true_pose ^ undone)) for undone in range(4)]
    assert int(np.argmax(_pose_scores(views))) == true_pose


def test_a_preference_for_upright_alone_names_no_pose():
    # Every view claims to be upright: that says nothing, whatever the strength of the claim.
    scores = _pose_scores([view(certain(0)) for _ in range(4)])
    np.testing.assert_allclose(scores, scores[0])


@pytest.mark.parametrize("pose", range(4))
def test_a_row_posed_twice_is_the_row(pose):
    row = row_through(
        [(10.0, 20.0), (40.0, 24.0), (70.0, 27.0)],
        [30.0, 30.0, 30.0],
        angle_deg=10.0,
        mirrored=False,
        score=1.0,
    )
    again = _posed(_posed(row, pose), pose)
    assert again.mirrored == row.mirrored
    assert again.angle_deg == pytest.approx(row.angle_deg)
    assert again.spots == row.spots


def test_evidence_counts_readable_characters():
    box = CellBox(x_center=100.0, y_center=24.0, height_px=31.0, width_px=26.0)
    sharp = np.full(36, -40.0)
    sharp[3] = 0.0
    flat = np.log(np.full(36, 1 / 36))
    clear = Place(box=box, presence=1.0, logp=sharp)
    vague = Place(box=box, presence=1.0, logp=flat)
    assert place_evidence([clear, clear]) == pytest.approx(2.0)
    assert place_evidence([vague]) == pytest.approx(0.0, abs=1e-9)
