"""Copies of one exposure, by general-purpose image functions, and photos that are not copies."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from legibility.containers import Photo
from legibility.pipeline.exposures import copies
from legibility.simulate import render, sample_scene

SAMPLE = Path(__file__).parent.parent.parent / "sample_images" / "as-new.jpg"


def photo(image: Image.Image, name: str) -> Photo:
    return Photo(name=name, sha256="", pixels=np.asarray(image.convert("RGB")))


def saved_again(image: Image.Image, *, quality: int) -> Image.Image:
    data = io.BytesIO()
    image.save(data, "JPEG", quality=quality)
    return Image.open(data)


@pytest.mark.parametrize("how", ["saved", "small", "turned", "mirrored"])
def test_a_copy_is_recognised(how: str) -> None:
    with Image.open(SAMPLE) as opened:
        original = opened.convert("RGB")
    changed = {
        "saved": saved_again(original, quality=40),
        "small": saved_again(original.reduce(3), quality=40),
        "turned": original.transpose(Image.Transpose.ROTATE_90),
        "mirrored": original.transpose(Image.Transpose.FLIP_LEFT_RIGHT),
    }[how]
    other = Image.new("RGB", original.size, (90, 120, 100))
    photos = [photo(original, "a"), photo(other, "b"), photo(changed, "c")]
    assert copies(photos) == {2: 0}
    assert copies([*photos, photo(original, "d")]) == {2: 0, 3: 0}


def test_one_ear_photographed_twice_is_no_copy() -> None:
    rng = np.random.default_rng(4)
    spec = sample_scene(rng, mark="AB12", wear="mild")
    again = sample_scene(rng, mark="AB12", wear="mild")
    second = replace(spec, light=again.light, camera=again.camera)
    photos = [
        Photo(name=name, sha256="", pixels=render(scene).pixels)
        for name, scene in (("a", spec), ("b", second))
    ]
    assert copies(photos) == {}
