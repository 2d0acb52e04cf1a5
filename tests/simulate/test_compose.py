"""Whole photos: determinism, truth against pixels, and each effect's direction."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from legibility.simulate import Rendering, SceneSpec, render, sample_scene
from legibility.simulate.scene import MARK_SHARES, sample_mark
from legibility.simulate.truth import character_height_px, needle_distance_px

WIDTH_PX = 420


def plain_scene(seed: int = 1, *, mark: str = "B47", **changes: object) -> SceneSpec:
    """A clean, sharp photo of a fresh mark that fills most of the picture."""
    options: dict[str, object] = {
        "wear": "new", "skin": "pink", "ink": "green", "hair": 0.0, "behind": False,
        "rotation_deg": 0.0, "mirrored": False, "mark_share": 0.7, "width_px": WIDTH_PX,
        "sharp": True, "clean": True,
    }  # fmt: skip
    options.update(changes)
    spec = sample_scene(np.random.default_rng(seed), mark=mark, **options)  # type: ignore[arg-type]
    return replace(
        spec,
        light=replace(spec.light, wet=0.0, torch=0.0, shadow=0.0, raking=0.2),
        background=replace(spec.background, fingers=0),
        dies=replace(spec.dies, growth=(1.0, 1.0)),
        veins=replace(spec.veins, trunks=0),
        skin=replace(spec.skin, wrinkles=0.1, pores=0.01),
        wear=replace(spec.wear, lost=0.0, fading=0.0, smudge=0.0, bleed=0.1),
        camera=replace(spec.camera, defocus_px=0.3, sharpening=0.0, jpeg_quality=95),
    )


def contrast(spec: SceneSpec) -> float:
    return render(spec).truth.contrast_to_noise


def with_wear(spec: SceneSpec, **changes: float) -> SceneSpec:
    return replace(spec, wear=replace(spec.wear, **changes))


def all_needles(rendering: Rendering) -> np.ndarray:
    return np.array(
        [
            [needle.x, needle.y, needle.radius_px, needle.amount, needle.visible, needle.hidden]
            for row in rendering.truth.rows
            for character in row
            for needle in character.needles
        ]
    )


def test_the_same_spec_gives_the_same_photo() -> None:
    spec = sample_scene(np.random.default_rng(3), width_px=WIDTH_PX)
    again = sample_scene(np.random.default_rng(3), width_px=WIDTH_PX)
    assert spec == again
    first, second = render(spec), render(again)
    np.testing.assert_array_equal(first.pixels, second.pixels)
    assert first.truth == second.truth
    assert first.jpeg == second.jpeg
    other = render(replace(spec, seed=spec.seed + 1))
    assert not np.array_equal(first.pixels, other.pixels)


@pytest.mark.parametrize("seed", range(4))
def test_inked_needles_are_darker_than_the_skin_around_them(seed: int) -> None:
    spec = plain_scene(seed, rotation_deg=37.0 * seed)
    rendering = render(spec)
    gray = rendering.pixels.mean(axis=2)
    height, width = gray.shape
    darker = []
    for x, y, radius, amount, _, _ in all_needles(rendering):
        assert amount > 0.3
        turn = np.linspace(0, 2 * math.pi, 24, endpoint=False)
        ring = np.column_stack([x + 2.2 * radius * np.cos(turn), y + 2.2 * radius * np.sin(turn)])
        places = np.clip(np.round(ring).astype(int), 0, [width - 1, height - 1])
        around = np.median(gray[places[:, 1], places[:, 0]])
        darker.append(gray[round(y), round(x)] < around)
    assert np.mean(darker) >= 0.97


def test_a_fresh_clean_mark_is_readable_and_a_gone_one_is_not() -> None:
    fresh = render(plain_scene(2)).truth
    assert fresh.readable
    assert fresh.visible_share == 1.0
    gone = render(with_wear(plain_scene(2), fading=1.0)).truth
    assert not gone.readable
    assert gone.visible_share == 0.0
    assert abs(gone.contrast_to_noise) < 1.0


def test_more_fading_gives_less_contrast() -> None:
    found = [contrast(with_wear(plain_scene(4), fading=value)) for value in (0, 0.3, 0.6, 0.9)]
    assert found == sorted(found, reverse=True)
    assert found[0] > 3 * found[-1]


def test_more_blur_noise_bleed_or_pigment_gives_less_contrast() -> None:
    spec = plain_scene(5)
    base = contrast(spec)
    camera, wear, skin = spec.camera, spec.wear, spec.skin
    assert contrast(replace(spec, camera=replace(camera, defocus_px=8.0))) < base
    assert contrast(replace(spec, camera=replace(camera, shot_noise=0.02))) < base
    assert contrast(replace(spec, wear=replace(wear, bleed=0.95, bleed_mm=2.0))) < base
    assert contrast(replace(spec, skin=replace(skin, melanin=2.2))) < base
    assert contrast(replace(spec, skin=replace(skin, wrinkles=1.0))) < base


def test_lost_needles_and_hair_lower_the_visible_share() -> None:
    spec = plain_scene(6, mark="A1B2")
    shares = [render(with_wear(spec, lost=value)).truth.visible_share for value in (0, 0.3, 0.8)]
    assert shares[0] == 1.0
    assert shares == sorted(shares, reverse=True)
    bushy = replace(
        spec.hair, fur_cover=1.0, fur_per_mm2=6.0, strand_mm=0.2, opacity=0.95, fur_mm=8.0
    )
    assert render(replace(spec, hair=bushy)).truth.visible_share < 0.8
    assert render(with_wear(spec, dirt=0.9)).truth.visible_share < 0.5


def test_light_from_behind_is_red_and_shows_a_mark_that_pigment_hides() -> None:
    spec = plain_scene(7, skin="dark")
    dark = replace(spec, skin=replace(spec.skin, melanin=2.0))
    lit = replace(dark, light=replace(dark.light, behind=0.95))
    assert contrast(lit) > contrast(dark)
    front, back = render(dark).pixels.mean(axis=(0, 1)), render(lit).pixels.mean(axis=(0, 1))
    assert back[0] / back[1] > 1.5 * front[0] / front[1]


def test_a_mirrored_photo_is_the_flipped_one() -> None:
    spec = plain_scene(8, mark="F4", rotation_deg=20.0)
    spec = replace(spec, camera=replace(spec.camera, shot_noise=0.0, read_noise=0.0))
    seen = render(spec)
    behind = render(replace(spec, pose=replace(spec.pose, mirrored=True)))
    difference = np.abs(behind.pixels.astype(int) - seen.pixels[:, ::-1].astype(int))
    assert np.mean(difference) < 1.5
    assert behind.truth.mirrored
    assert behind.truth.rotation_deg == pytest.approx(-20.0)
    assert seen.truth.rotation_deg == pytest.approx(20.0)
    one, other = all_needles(seen), all_needles(behind)
    np.testing.assert_allclose(other[:, 0], seen.truth.width_px - 1 - one[:, 0])
    np.testing.assert_allclose(other[:, 1:4], one[:, 1:4])


@pytest.mark.parametrize(("rotation", "mirrored"), [(0.0, False), (130.0, False), (-70.0, True)])
def test_quads_agree_with_rotation_and_handedness(rotation: float, mirrored: bool) -> None:
    truth = render(plain_scene(9, rotation_deg=rotation, mirrored=mirrored)).truth
    for row in truth.rows:
        for character in row:
            quad = np.array(character.quad)
            up = quad[0] + quad[1] - quad[2] - quad[3]
            angle = math.degrees(math.atan2(-up[0], -up[1]))
            off = (angle - truth.rotation_deg + 180) % 360 - 180
            assert abs(off) < 15
            across, down = quad[1] - quad[0], quad[3] - quad[0]
            assert (across[0] * down[1] - across[1] * down[0] > 0) != mirrored


def test_the_mark_is_as_large_as_asked_and_within_the_picture() -> None:
    for share in (*MARK_SHARES, 0.3):
        spec = sample_scene(
            np.random.default_rng(10),
            mark="AB12",
            mark_share=share,
            rotation_deg=0.0,
            width_px=WIDTH_PX,
        )
        truth = render(spec).truth
        corners = np.array([c.quad for row in truth.rows for c in row]).reshape(-1, 2)
        assert np.ptp(corners[:, 0]) / truth.width_px == pytest.approx(share, rel=0.2)
        assert (corners > 0).all()
        assert (corners < [truth.width_px, truth.height_px]).all()


def test_extreme_values_stay_finite() -> None:
    spec = sample_scene(
        np.random.default_rng(11), width_px=200, mark="88/88", mark_share=0.9, hair=1.0, wear="new"
    )
    spec = replace(
        spec,
        wear=replace(
            spec.wear, bleed=1.0, bleed_mm=5.0, smudge=1.0, smudge_mm=30.0, scars=8, dirt=1.0,
            wax=1.0,
        ),
        light=replace(spec.light, wet=1.0, torch=10.0, behind=1.0, shadow=1.0, raking=1.0),
        camera=replace(
            spec.camera, exposure=0.9, shot_noise=1.0, sharpening=3.0, jpeg_quality=5,
            motion_px=60.0, defocus_px=20.0,
        ),
        pose=replace(spec.pose, perspective=(0.3, -0.3), bend_radius_mm=6.0),
        background=replace(spec.background, fingers=2),
        ear=replace(spec.ear, tears=((0.4, 30.0, 10.0),)),
    )  # fmt: skip
    found = render(spec)
    assert found.pixels.dtype == np.uint8
    assert math.isfinite(found.truth.contrast_to_noise)
    assert np.isfinite(all_needles(found)).all()
    assert not found.truth.readable


@pytest.mark.parametrize("width", [8, 33])
def test_tiny_pictures(width: int) -> None:
    found = render(sample_scene(np.random.default_rng(12), width_px=width))
    assert found.pixels.shape[1] == width


def test_an_ear_without_a_mark() -> None:
    truth = render(sample_scene(np.random.default_rng(13), mark="", width_px=WIDTH_PX)).truth
    assert truth.rows == ()
    assert not truth.readable
    assert truth.visible_share == 0.0
    assert truth.contrast_to_noise == 0.0


def test_marks_drawn_at_random() -> None:
    rng = np.random.default_rng(14)
    marks = [sample_mark(rng) for _ in range(300)]
    lengths = {len(mark.replace("/", "")) for mark in marks}
    assert lengths == set(range(2, 9))
    assert 0.05 < np.mean(["/" in mark for mark in marks]) < 0.3
    with pytest.raises(ValueError, match="cannot have 2 rows"):
        sample_mark(rng, rows=2, length=1)


def test_measures_of_characters() -> None:
    spec = plain_scene(15, mark="H8")
    row = render(spec).truth.rows[0]
    # The box is 1.1 heights of the pressed die.
    expected = 1.1 * spec.dies.height_mm * spec.pose.px_per_mm
    assert character_height_px(row[0]) == pytest.approx(expected, rel=0.15)
    assert 0 < needle_distance_px(list(row)) < expected
