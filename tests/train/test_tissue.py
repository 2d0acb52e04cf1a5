"""The second scene model: its truth is where its dots are, its parts are what they are named."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
import scipy.spatial
import torch

from legibility.train.appearance import narrowed
from legibility.train.atlas import LAYER_PX, Atlas
from legibility.train.bending import Scar, draw_scar, pulled, tilted
from legibility.train.layouts import LayoutBank
from legibility.train.lens import SIGMAS, blurred, softened
from legibility.train.placement import Placement, Sampler, joined, place_rows
from legibility.train.sheets import Sheets, grains, spectral_noise, vessel_networks
from legibility.train.tissue import render_tissue, without_gone_ends

CANVAS = (48, 384)


def placed(sampler: Sampler, bank: LayoutBank, batch: int = 200) -> Placement:
    return place_rows(sampler, bank, batch=batch, height_px=(23.0, 39.0), canvas=CANVAS, strip=True)


def no_scar(batch: int) -> Scar:
    none = torch.zeros(batch)
    return Scar(shown=none.bool(), x=none, lean=none, width=none + 1)


def test_dots_are_where_the_truth_says(
    sampler: Sampler, bank: LayoutBank, atlas: Atlas, sheets: Sheets
) -> None:
    placement = placed(sampler, bank, batch=48)
    drawn = render_tissue(
        sampler, sheets, atlas, placement, no_scar(48), canvas=CANVAS, edge_chance=0.0
    )
    assert drawn.pixels.shape == (48, 3, *CANVAS)
    assert 0 <= drawn.pixels.min() < drawn.pixels.max() <= 1
    truth = drawn.placement
    at = truth.needles[truth.needle_present]
    inside = (at > 1).all(dim=1) & (at < torch.tensor([382.0, 46.0])).all(dim=1)
    scene = torch.nonzero(truth.needle_present)[:, 0][inside]
    x, y = at[inside].round().long().T
    inked = drawn.coverage[scene, 0, y, x]
    assert len(inked) > 500
    assert inked.mean() > 4 * drawn.coverage.mean()
    # No character that is not there can be seen, and most of those that are.
    assert (drawn.visibility[~truth.exists] == 0).all()
    assert (drawn.visibility[truth.exists] > 2).float().mean() > 0.6


def test_a_flat_sheet_leaves_its_rows_where_they_are(
    sampler: Sampler, bank: LayoutBank, monkeypatch: pytest.MonkeyPatch
) -> None:
    placement = placed(sampler, bank)
    monkeypatch.setattr("legibility.train.bending.SEEN_AT_AN_ANGLE", 0.0)
    same = tilted(sampler, placement, CANVAS)
    torch.testing.assert_close(same.centre, placement.centre, rtol=0, atol=0.05)
    torch.testing.assert_close(same.height, placement.height)


def test_bent_sheets_and_scars_move_characters_with_their_dots(
    sampler: Sampler, bank: LayoutBank
) -> None:
    placement = placed(sampler, bank)
    scar = draw_scar(sampler, placement, share=1.0)
    moved = pulled(sampler, tilted(sampler, placement, CANVAS), scar, 23.5)
    both = moved.exists & placement.exists

    def middle(p: Placement) -> torch.Tensor:
        shown = p.needle_present[..., None].float()
        return (p.needles * shown).sum(dim=2) / shown.sum(dim=2).clamp_min(1)

    shift = (moved.centre - placement.centre)[both]
    of_dots = (middle(moved) - middle(placement))[both]
    assert shift.abs().max() > 3
    # A scar through a character moves its two halves apart: less well, yet within a needle or two.
    assert (shift - of_dots).norm(dim=1).median() < 0.6
    assert (shift - of_dots).norm(dim=1).quantile(0.98) < 5
    order = moved.centre[:, :8, 0].diff(dim=1)
    assert (order[both[:, :7] & both[:, 1:8]] > 0).all()


def test_a_scar_draws_its_two_sides_together() -> None:
    at = torch.tensor([[[90.0, 23.5], [110.0, 23.5]]])
    one = torch.ones(1, 2)
    placement = Placement(
        centre=at,
        height=32 * one,
        angle=one,
        character=one.long(),
        exists=one.bool(),
        main_row=one.bool(),
        mirrored=torch.zeros(1, dtype=torch.bool),
        needles=at[:, :, None],
        needle_present=one.bool()[..., None],
    )
    placement = joined([placement] * 64)
    scar = Scar(
        torch.ones(64, dtype=torch.bool), torch.full((64,), 100.0), torch.zeros(64), torch.ones(64)
    )
    sampler = Sampler(torch.Generator().manual_seed(1), torch.device("cpu"))
    moved = pulled(sampler, placement, scar, 23.5).centre
    left, right = moved[:, 0, 0] - 90, 110 - moved[:, 1, 0]
    torch.testing.assert_close(left, right)
    assert left.mean() > 0.3
    slip = moved[..., 1] - 23.5
    torch.testing.assert_close(slip[:, 0], -slip[:, 1])
    assert slip.abs().max() > 1


def test_characters_are_taken_from_the_ends_of_a_row_only(
    sampler: Sampler, bank: LayoutBank
) -> None:
    placement = placed(sampler, bank, batch=3)
    exists = torch.zeros_like(placement.exists)
    exists[:, :5] = True
    gone = torch.zeros_like(exists)
    gone[0, [0, 1, 3]] = True
    gone[1, [2, 4]] = True
    gone[2, :5] = True
    kept = without_gone_ends(replace(placement, exists=exists), gone).exists
    assert kept[0, :8].tolist() == [False, False, True, True, True, False, False, False]
    assert kept[1, :8].tolist() == [True, True, True, True, False, False, False, False]
    assert not kept[2].any()


def test_the_middle_of_a_strip_keeps_its_truth(
    sampler: Sampler, bank: LayoutBank, atlas: Atlas, sheets: Sheets
) -> None:
    batch = render_tissue(
        sampler, sheets, atlas, placed(sampler, bank, batch=24), no_scar(24), canvas=CANVAS
    )
    part = narrowed(batch, 288)
    assert part.pixels.shape == (24, 3, 48, 288)
    assert torch.equal(part.pixels[..., 5], batch.pixels[..., 53])
    still = part.placement.exists
    torch.testing.assert_close(
        part.placement.centre[still][:, 0] + 48, batch.placement.centre[still][:, 0]
    )
    x = batch.placement.centre[..., 0]
    assert torch.equal(still, batch.placement.exists & (x > 48) & (x < 336))


@pytest.mark.parametrize("sigma", SIGMAS)
def test_the_blur_is_opencv_s(sigma: float) -> None:
    picture = np.random.default_rng(3).uniform(0, 1, (40, 60)).astype(np.float32)
    ours = blurred(torch.from_numpy(picture)[None, None], sigma)[0, 0].numpy()
    size = 2 * max(1, round(2.5 * sigma)) + 1
    theirs = cv2.GaussianBlur(picture, (size, size), sigma, borderType=cv2.BORDER_REPLICATE)
    np.testing.assert_allclose(ours, theirs, atol=1e-5)


def test_blur_by_place_is_sharp_at_zero_and_the_widest_at_the_end() -> None:
    picture = torch.rand(1, 2, 30, 40, generator=torch.Generator().manual_seed(2))
    level = torch.zeros(1, 1, 30, 40)
    level[..., 20:] = len(SIGMAS)
    out = softened(picture, level)
    torch.testing.assert_close(out[..., :20], picture[..., :20])
    torch.testing.assert_close(out[..., 20:], blurred(picture, SIGMAS[-1])[..., 20:])


def test_noise_falls_with_frequency_as_asked(sampler: Sampler) -> None:
    layer = spectral_noise(1, torch.tensor([1.5]), torch.ones(1), sampler=sampler)[0, 0]
    assert float(layer.mean()) == pytest.approx(0, abs=1e-4)
    assert float(layer.std()) == pytest.approx(1, abs=1e-3)
    power = np.abs(np.fft.rfft2(layer.numpy())) ** 2
    fy, fx = np.fft.fftfreq(LAYER_PX) * LAYER_PX, np.fft.rfftfreq(LAYER_PX) * LAYER_PX
    radius = np.hypot(fy[:, None], fx[None])
    rings = [(4, 8), (16, 32), (64, 128)]
    levels = [np.log(power[(radius >= a) & (radius < b)].mean()) for a, b in rings]
    # Power falls as frequency to the power of -3: by 3 log 4 from one ring to the next.
    np.testing.assert_allclose(np.diff(levels), -3 * np.log(4), atol=0.5)


def test_grains_are_near_their_nearest_point(monkeypatch: pytest.MonkeyPatch) -> None:
    """Against scipy's tree of the same points, away from the borders, where they wrap."""
    sampler = Sampler(torch.Generator().manual_seed(9), torch.device("cpu"))
    drawn = grains(1, sampler=sampler)[0]
    again = Sampler(torch.Generator().manual_seed(9), torch.device("cpu"))
    cells = int(again.integer(100)) + 12
    points = again.uniform(cells, cells, 2).numpy() + np.stack(
        np.meshgrid(np.arange(cells), np.arange(cells)), axis=-1
    )
    ys, xs = np.mgrid[0:LAYER_PX, 0:LAYER_PX] * cells / LAYER_PX
    distance, _ = scipy.spatial.cKDTree(points.reshape(-1, 2)).query(
        np.stack([xs, ys], axis=-1).reshape(-1, 2)
    )
    inner = slice(100, 400)
    ours = -drawn[0].numpy()[inner, inner].ravel()
    theirs = distance.reshape(LAYER_PX, LAYER_PX)[inner, inner].ravel()
    assert np.corrcoef(ours, theirs)[0, 1] > 0.999
    assert 0 <= drawn[1].min() < 0.1
    assert drawn[1].max() <= 1


def test_vessels_are_thin_and_go_on(sampler: Sampler) -> None:
    layer = vessel_networks(2, sampler=sampler)[:, 0].numpy()
    assert layer.min() >= 0
    assert layer.max() <= 1
    for one in layer:
        dark = (one > 0.5).astype(np.uint8)
        assert 0.01 < dark.mean() < 0.5
        # Most of what is dark hangs together in long pieces.
        _, _, stats, _ = cv2.connectedComponentsWithStats(dark, connectivity=8)
        sizes = np.maximum(stats[1:, cv2.CC_STAT_WIDTH], stats[1:, cv2.CC_STAT_HEIGHT])
        area = stats[1:, cv2.CC_STAT_AREA]
        assert (area * (sizes > 60)).sum() > 0.6 * area.sum()
