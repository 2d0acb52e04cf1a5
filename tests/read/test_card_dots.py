"""Dots on cards against where the simulator put them, and pictures that are no cards."""

from __future__ import annotations

import numpy as np
import pytest

from legibility.read.card_dots import find_dots, redraw
from legibility.simulate import render, sample_scene
from tests.sample_cards import KINDS, render_card, sample_card


@pytest.mark.parametrize(("kind", "behind"), list(zip(KINDS, (False, True, False), strict=True)))
def test_every_dot_is_found_where_it_is(kind: str, behind: bool) -> None:
    rng = np.random.default_rng(4)
    photo = render_card(
        sample_card(rng, mark="K417", split="held_out", kind=kind, behind=behind, width_px=800)
    )
    truth = np.vstack(photo.dots_px)
    dots = find_dots(photo.pixels)
    assert dots.shining == (kind == "light behind")
    apart = np.hypot(*(truth[:, None] - dots.centres[None]).transpose(2, 0, 1))
    assert len(dots.centres) == len(truth)
    assert apart.min(axis=1).max() < 1.5
    assert np.median(apart.min(axis=1)) < 0.4
    assert dots.clean > 8


def test_an_even_picture_has_no_dots() -> None:
    assert len(find_dots(np.full((300, 400, 3), 200, np.uint8)).centres) == 0


def test_an_ear_is_not_clean() -> None:
    clean = []
    for seed in range(2):
        rng = np.random.default_rng(seed)
        spec = sample_scene(rng, split="held_out", wear="mild", width_px=600)
        clean.append(find_dots(render(spec).pixels).clean)
    assert max(clean) < 8


def test_redrawn_dots_lie_where_the_scale_says() -> None:
    photo = render_card(sample_card(np.random.default_rng(4), mark="HB", kind="ink", width_px=800))
    dots = find_dots(photo.pixels)
    pixels, scale, origin = redraw(dots)
    at = (dots.centres - np.array(origin)) * scale
    darkness = 255 - pixels.mean(axis=2)
    columns, rows = np.round(at).astype(int).T
    assert darkness[rows, columns].min() > darkness.mean() + 40
