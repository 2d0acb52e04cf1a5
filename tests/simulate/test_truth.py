"""The truth of a photo as JSON, and the definition of readable."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from legibility.simulate import (
    CharacterTruth,
    NeedleTruth,
    render,
    sample_scene,
    truth_from_json,
    truth_to_json,
)
from legibility.simulate.truth import contrast_to_noise, is_readable


def needle(x: float, *, visible: bool = True) -> NeedleTruth:
    return NeedleTruth(x, 10.0, 2.0, 1.0 if visible else 0.0, 0.0, visible)


def character(visible: int, lost: int, *, height: float = 30.0) -> CharacterTruth:
    needles = [needle(8.0 * i) for i in range(visible)]
    needles += [needle(8.0 * (visible + i), visible=False) for i in range(lost)]
    quad = ((0.0, 0.0), (20.0, 0.0), (20.0, height), (0.0, height))
    return CharacterTruth("A", 0, 0, quad, tuple(needles))


def test_json_round_trip() -> None:
    truth = render(sample_scene(np.random.default_rng(1), mark="A1/B2", width_px=300)).truth
    line = truth_to_json(truth)
    assert "\n" not in line
    assert truth_from_json(line) == truth
    assert json.loads(line)["rows"][1][0]["character"] == "B"


@pytest.mark.parametrize("text", ["[]", "{}", '{"rows": 3}', '{"rows": [], "x": 1}'])
def test_other_json_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="no truth of a rendered photo"):
        truth_from_json(text)


def test_readable_needs_all_of_its_conditions() -> None:
    good = ((character(10, 0), character(8, 2)),)
    assert is_readable(good, contrast=3.0, blur_px=1.0)
    assert not is_readable(good, contrast=1.0, blur_px=1.0)
    assert not is_readable(good, contrast=3.0, blur_px=6.0)
    assert not is_readable(((character(10, 0), character(5, 5)),), contrast=3.0, blur_px=1.0)
    assert not is_readable(((character(10, 0, height=9.0),),), contrast=3.0, blur_px=1.0)
    assert not is_readable((), contrast=3.0, blur_px=1.0)


def test_contrast_to_noise_of_a_drawn_dot() -> None:
    rng = np.random.default_rng(2)
    y, x = np.mgrid[:60, :60]
    inside = np.hypot(x - 30, y - 30) <= 6
    noise = rng.normal(0.0, 1.0, size=(60, 60, 1))
    pixels = np.clip(np.round(150 + 4 * noise - 20 * inside[:, :, None]), 0, 255)
    pixels = np.repeat(pixels, 3, axis=2).astype(np.uint8)
    dots = np.array([[30.0, 30.0, 6.0, 1.0]])
    found = contrast_to_noise(pixels, inside.astype(np.float32), dots, np.ones(3))
    # Twenty grey levels over a deviation of four, a little more as density is concave: near 5.
    assert found == pytest.approx(5.3, abs=0.8)
    nothing = contrast_to_noise(pixels, inside.astype(np.float32), np.zeros((0, 4)), np.ones(3))
    assert nothing == 0.0


def test_visible_share_of_a_character() -> None:
    assert character(6, 2).visible_share == 0.75
    assert replace(character(1, 0), needles=()).visible_share == 0.0
