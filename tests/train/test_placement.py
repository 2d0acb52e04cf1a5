"""The truth of a rendered scene is where its needles are."""

from __future__ import annotations

import numpy as np
import pytest
import torch

from legibility.train.layouts import LayoutBank
from legibility.train.placement import PLACES, Placement, Sampler, place_rows

CANVAS = {True: (48, 384), False: (256, 256)}


def placed(sampler: Sampler, bank: LayoutBank, *, strip: bool) -> Placement:
    height = (23.0, 39.0) if strip else (11.0, 80.0)
    return place_rows(sampler, bank, batch=400, height_px=height, canvas=CANVAS[strip], strip=strip)


@pytest.mark.parametrize("strip", [True, False])
def test_needles_lie_in_the_cell_of_their_character(
    sampler: Sampler, bank: LayoutBank, strip: bool
) -> None:
    placement = placed(sampler, bank, strip=strip)
    offset = placement.needles - placement.centre[:, :, None]
    cos, sin = torch.cos(placement.angle)[..., None], torch.sin(placement.angle)[..., None]
    right = torch.where(placement.mirrored, -1.0, 1.0)[:, None, None]
    height = placement.height[..., None]
    across = right * (offset[..., 0] * cos + offset[..., 1] * sin) / height
    down = (offset[..., 1] * cos - offset[..., 0] * sin) / height
    shown = placement.needle_present & placement.exists[..., None]
    assert shown.sum() > 10_000
    # A layout fills the unit box; dies differ in width, slant and loose needles.
    assert across[shown].abs().max() < 1.1
    assert down[shown].abs().max() < 0.9
    assert np.quantile(down[shown].abs().numpy(), 0.99) < 0.65
    # Top and bottom of the characters are where the height says.
    spread = torch.where(shown, down, torch.nan).numpy()
    full = np.nanmax(spread[shown.any(-1).numpy()], axis=-1) - np.nanmin(
        spread[shown.any(-1).numpy()], axis=-1
    )
    assert np.median(full) == pytest.approx(1.0, abs=0.08)


@pytest.mark.parametrize("strip", [True, False])
def test_characters_follow_each_other_in_reading_direction(
    sampler: Sampler, bank: LayoutBank, strip: bool
) -> None:
    placement = placed(sampler, bank, strip=strip)
    first = slice(0, PLACES // 2)
    step = placement.centre[:, first].diff(dim=1)
    angle = placement.angle[:, 0:7]
    sign = torch.where(placement.mirrored, -1.0, 1.0)[:, None]
    forward = sign * (step[..., 0] * torch.cos(angle) + step[..., 1] * torch.sin(angle))
    both = placement.exists[:, 0:7] & placement.exists[:, 1:8]
    assert both.sum() > 300
    assert (forward[both] > 0).all()


def test_upright_strips_stand_upright_near_the_middle(sampler: Sampler, bank: LayoutBank) -> None:
    placement = placed(sampler, bank, strip=True)
    main = placement.exists & placement.main_row
    assert not placement.mirrored.any()
    assert placement.angle[main].abs().max() < 0.9
    off = (placement.centre[..., 1] - 23.5).abs()[main]
    assert off.median() < 4
    assert off.max() < 24


def test_same_seed_same_scene(bank: LayoutBank) -> None:
    def once() -> Placement:
        return placed(
            Sampler(torch.Generator().manual_seed(2), torch.device("cpu")), bank, strip=False
        )

    assert torch.equal(once().needles, once().needles)
