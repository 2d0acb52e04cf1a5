"""Cards: reproducible, mirrored from behind, faults where they are put."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.sample_cards import LoadedDie, loaded_dies, render_card, sample_card


def spec(**options: object):  # type: ignore[no-untyped-def]
    return sample_card(np.random.default_rng(2), mark="K4", width_px=600, **options)  # type: ignore[arg-type]


def test_same_spec_same_bytes() -> None:
    assert render_card(spec()).jpeg == render_card(spec()).jpeg


def test_from_behind_the_dots_are_mirrored() -> None:
    front = spec(behind=False, kind="ink")
    behind = replace(front, pose=replace(front.pose, mirrored=True))
    a, b = render_card(front), render_card(behind)
    assert np.allclose(np.vstack(a.dots_px)[:, 0], 599 - np.vstack(b.dots_px)[:, 0])


def test_dots_are_dark_and_holes_against_light_shine() -> None:
    for kind, darker in (("ink", True), ("holes", True), ("light behind", False)):
        photo = render_card(spec(kind=kind, paper="grey board"))
        at = np.round(np.vstack(photo.dots_px)).astype(int)
        gray = photo.pixels.mean(axis=2)
        dots, paper = np.median(gray[at[:, 1], at[:, 0]]), np.median(gray)
        assert (dots < paper) == darker


def test_faults_change_the_die_they_name() -> None:
    plain = loaded_dies(spec())
    faults = {0: LoadedDie(turned=True), 1: LoadedDie(missing=(0,), bent=((1, 0.1, 0.0),))}
    first, second = loaded_dies(replace(spec(), faults=faults))
    middle = plain[0].quad_mm.mean(axis=0)
    assert np.allclose(first.needles_mm, 2 * middle - plain[0].needles_mm)
    height = spec().dies.height_mm
    assert len(second.needles_mm) == len(plain[1].needles_mm) - 1
    assert np.allclose(second.needles_mm[0], plain[1].needles_mm[1] + [0.1 * height, 0.0])
