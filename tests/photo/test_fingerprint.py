"""Repeated shots are told from other photos of the same ear."""

from __future__ import annotations

import imagehash
import numpy as np
import pytest
from PIL import Image
from scipy.fft import dctn

from legibility.containers import ColorImage, Stage
from legibility.photo.fingerprint import (
    FREQUENCIES,
    SAME_SHOT_BITS,
    distance_bits,
    fingerprint,
    first_of_each,
)
from legibility.simulate import render
from legibility.simulate.stages import found_scene, repeated_scene, stage_scene
from tests.resaved_photos import resaved


def shots(seed: int) -> dict[str, ColorImage]:
    rng = np.random.default_rng([3, seed])
    scene = found_scene(rng, mark="F042", width_px=600)
    first = stage_scene(scene, (), Stage.AS_FOUND, rng)
    other = stage_scene(scene, (Stage.CLEANED,), Stage.OTHER_ANGLE, rng)
    return {
        "first": render(first).pixels,
        "burst": render(repeated_scene(first, rng)).pixels,
        "other": render(other).pixels,
    }


@pytest.fixture(scope="module")
def ears() -> list[dict[str, ColorImage]]:
    return [shots(seed) for seed in range(4)]


def test_hash_is_the_sign_of_the_lowest_cosine_terms(ears: list[dict[str, ColorImage]]) -> None:
    """The transform by scipy instead of OpenCV, on the same small grey picture."""
    import cv2

    pixels = ears[0]["first"]
    small = cv2.resize(
        cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY), (64, 64), interpolation=cv2.INTER_AREA
    )
    low = dctn(small.astype(np.float64), norm="ortho")[:FREQUENCIES, :FREQUENCIES].ravel()
    assert distance_bits(fingerprint(pixels), low > np.median(low)) <= 2


def test_it_ranks_pictures_as_the_hash_of_imagehash_does(ears: list[dict[str, ColorImage]]) -> None:
    """ImageHash (an independent library) with the same 16 frequencies and oversampling."""
    pictures = [picture for ear in ears for picture in ear.values()]
    theirs = [
        imagehash.phash(Image.fromarray(p), hash_size=16, highfreq_factor=4) for p in pictures
    ]
    ours = [fingerprint(p) for p in pictures]
    pairs = [(i, k) for i in range(len(pictures)) for k in range(i)]
    mine = np.array([distance_bits(ours[i], ours[k]) for i, k in pairs])
    reference = np.array([theirs[i] - theirs[k] for i, k in pairs])
    assert np.corrcoef(mine, reference)[0, 1] > 0.9
    assert np.abs(mine - reference).mean() < 10


def test_a_shot_stored_again_is_the_same_and_another_angle_is_not(
    ears: list[dict[str, ColorImage]],
) -> None:
    for ear in ears:
        first = fingerprint(ear["first"])
        for quality, scale in ((40, 0.5), (75, 0.25), (60, 1.0)):
            again = fingerprint(resaved(ear["first"], quality=quality, scale=scale))
            assert distance_bits(first, again) < SAME_SHOT_BITS
        assert distance_bits(first, fingerprint(ear["other"])) >= SAME_SHOT_BITS


def test_each_photo_names_the_earlier_one_that_it_repeats() -> None:
    rng = np.random.default_rng(1)
    a, b = (rng.random(256) < 0.5 for _ in range(2))
    near = a.copy()
    near[:5] = ~near[:5]
    prints = [a, b, near, a, np.zeros(0, bool), np.zeros(0, bool)]
    found = first_of_each(["1", "2", "3", "1", "", ""], prints)
    assert found == (-1, -1, 0, 0, -1, -1)
    assert first_of_each(["1", "1"], [a, b]) == (-1, 0)
