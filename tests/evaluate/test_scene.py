"""The evaluation scenes: same seed same photo, and truth that fits the pixels."""

from __future__ import annotations

import numpy as np
import pytest

from legibility.alphabet import CHARACTERS
from legibility.dies.strokes import load_sources
from legibility.evaluate.crop import upright_crop
from legibility.evaluate.measure import filtered
from legibility.evaluate.pose import SceneChoices
from legibility.evaluate.scene import evaluation_set, evaluation_sources, no_mark
from legibility.evaluate.visibility import sample

SMALL = SceneChoices(width_px=480, height_px=360, fading=0, mark_share=0.6)


@pytest.fixture(scope="module")
def fresh():
    return list(evaluation_set(n=6, seed=21, choices=SMALL))


def test_same_seed_same_photo(fresh):
    again = next(iter(evaluation_set(n=1, seed=21, first=2, choices=SMALL)))
    assert np.array_equal(again.pixels, fresh[2].pixels)
    assert again.truth.mark == fresh[2].truth.mark
    assert again.photo().sha256 == fresh[2].photo().sha256


def test_other_seed_other_photo(fresh):
    other = next(iter(evaluation_set(n=1, seed=22, choices=SMALL)))
    assert other.truth.mark != fresh[0].truth.mark


def test_glyph_sources_are_not_those_of_training():
    ours = {source.name for source in evaluation_sources()}
    assert ours
    assert not ours & {source.name for source in load_sources()}
    assert {source.split for source in evaluation_sources()}.isdisjoint({"train", "held_out"})


def test_truth_is_complete(fresh):
    for photo in fresh:
        truth = photo.truth
        height, width = photo.pixels.shape[:2]
        assert (height, width) == (360, 480)
        rows = truth.mark.split("/")
        assert [len(row) for row in rows] == [len(row) for row in truth.rows]
        assert 2 <= len(truth.characters) <= 8
        for cell in truth.characters:
            assert 5 <= len(cell.needles) <= 16
            points = np.array([(n.x, n.y) for n in cell.needles])
            assert (points > -1).all()
            assert (points < (width, height)).all()
            own = cell.sites[cell.sites[:, 2] == CHARACTERS.index(cell.character)]
            # needles give way by about 1 % of the height when pressed
            assert np.abs(own[:, :2] - points).max() < 0.08 * cell.height_px


def test_quads_turn_with_handedness():
    for mirrored in (False, True):
        choices = SceneChoices(
            width_px=480, height_px=360, rotation_deg=30.0, mirrored=mirrored, fading=0
        )
        (photo,) = evaluation_set(n=1, seed=5, choices=choices)
        for cell in photo.truth.characters:
            x, y = cell.quad.T
            area = np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)) / 2
            # top left, top right, bottom right, bottom left: clockwise as seen when not mirrored
            assert (area < 0) == mirrored
        assert photo.truth.mirrored == mirrored
        assert photo.truth.rotation_deg == pytest.approx(30.0, abs=8.0)


def test_upright_quads_have_their_top_above():
    choices = SceneChoices(width_px=480, height_px=360, rotation_deg=0.0, mirrored=False)
    (photo,) = evaluation_set(n=1, seed=5, choices=choices)
    for cell in photo.truth.characters:
        assert cell.quad[:2, 1].mean() < cell.quad[2:, 1].mean()
        assert cell.quad[0, 0] < cell.quad[1, 0]


def test_ink_is_where_the_truth_says(fresh):
    """The dot filter answers more at uncovered true needles than at random places of the cells."""
    rng = np.random.default_rng(0)
    better = 0
    for photo in fresh:
        truth = photo.truth
        height = float(np.mean([c.height_px for c in truth.characters]))
        answer = filtered(
            photo.pixels,
            np.asarray(truth.ink_direction),
            sigma_px=truth.dot_sigma_px,
            height_px=height,
        )
        points = np.array(
            [(n.x, n.y) for c in truth.characters for n in c.needles if not n.covered]
        )
        if len(points) == 0:
            continue
        low, high = points.min(axis=0), points.max(axis=0)
        elsewhere = rng.uniform(low, high, (400, 2))
        better += sample(answer, points).mean() > sample(answer, elsewhere).mean()
    assert better >= 5


def test_fading_lowers_contrast():
    medians = []
    for level in (0, 2, 4):
        choices = SceneChoices(width_px=480, height_px=360, fading=level, mark_share=0.6)
        photos = evaluation_set(n=4, seed=21, choices=choices)
        cnr = [n.contrast_to_noise for p in photos for c in p.truth.characters for n in c.needles]
        medians.append(float(np.mean(cnr)))
    assert medians == sorted(medians, reverse=True)
    assert medians[-1] < 0.3


def test_nothing_left_is_never_readable():
    choices = SceneChoices(width_px=480, height_px=360, fading=4)
    for photo in evaluation_set(n=3, seed=1, choices=choices):
        assert photo.truth.unreadable
        assert not photo.truth.person_readable


def test_pose_alone_can_change():
    base = SceneChoices(width_px=480, height_px=360, fading=0, rotation_deg=0.0, mirrored=False)
    turned = SceneChoices(width_px=480, height_px=360, fading=0, rotation_deg=180.0, mirrored=False)
    (first,) = evaluation_set(n=1, seed=8, choices=base)
    (second,) = evaluation_set(n=1, seed=8, choices=turned)
    assert first.truth.mark == second.truth.mark
    assert first.truth.ink == second.truth.ink
    assert first.truth.skin == second.truth.skin
    assert abs(second.truth.rotation_deg) > 160


def test_crop_is_upright_and_not_mirrored():
    """Whatever the pose, the crop of a fresh mark is nearly the same picture."""
    crops = []
    for rotation, mirrored in ((0.0, False), (180.0, False), (90.0, True)):
        choices = SceneChoices(
            mark="R7", width_px=640, height_px=640, fading=0, rotation_deg=rotation,
            mirrored=mirrored, mark_share=0.4,
        )  # fmt: skip
        (photo,) = evaluation_set(n=1, seed=30, choices=choices)
        direction = np.asarray(photo.truth.ink_direction)
        crops.append((upright_crop(photo).astype(float) @ direction)[:80, :100])
    size = np.min([c.shape for c in crops], axis=0)
    cut = [c[: size[0], : size[1]] - c[: size[0], : size[1]].mean() for c in crops]
    for other in cut[1:]:
        match = np.sum(cut[0] * other) / np.sqrt(np.sum(cut[0] ** 2) * np.sum(other**2))
        assert match > 0.3


@pytest.mark.parametrize("kind", ["chelsea.png", "retina.jpg", "page.png", "blank ear"])
def test_pictures_without_a_mark(kind):
    photo = no_mark(kind=kind, rng=np.random.default_rng(1), name="x")
    assert photo.pixels.dtype == np.uint8
    assert photo.pixels.ndim == 3
    assert photo.truth.mark == ""
    assert photo.truth.unreadable
    with pytest.raises(ValueError, match="no mark"):
        upright_crop(photo)
