"""How an ear is not flat: rows seen at an angle, on a curved sheet, and pulled by a scar."""

from __future__ import annotations

from dataclasses import dataclass, replace

import torch
from torch import Tensor

from legibility.train.placement import Placement, Sampler


@dataclass(frozen=True, slots=True)
class Scar:
    """One scar across each strip, (batch,); lengths in pixels."""

    shown: Tensor
    x: Tensor
    """Where it crosses the middle line."""
    lean: Tensor
    """Pixels along for each pixel down."""
    width: Tensor

    def away(self, x: Tensor, y: Tensor, middle: float) -> Tensor:
        """Signed distance along the row; arguments (batch, ...)."""
        return x - _beside(self.x, x) - _beside(self.lean, x) * (y - middle)


def _beside(values: Tensor, others: Tensor) -> Tensor:
    """Values (batch,), shaped so that they count for all others (batch, ...) of their scene."""
    return values.view((-1,) + (1,) * (others.dim() - 1))


def _main_rows(placement: Placement) -> tuple[Tensor, Tensor]:
    """Which characters (batch, PLACES) are of the main row, and its middle's x (batch,)."""
    row = (placement.exists & placement.main_row).float()
    at = (placement.centre[..., 0] * row).sum(dim=1) / row.sum(dim=1).clamp_min(1)
    return row, at


SCAR_SHARE = 0.12
"""Choice: share of strips with a scar through the row."""
SEEN_AT_AN_ANGLE = 0.6
"""Choice: share of strips whose sheet is not flat."""


def draw_scar(sampler: Sampler, placement: Placement, *, share: float = SCAR_SHARE) -> Scar:
    """A scar through or near the row of each strip."""
    batch = placement.centre.shape[0]
    row, middle = _main_rows(placement)
    reach = ((placement.centre[..., 0] - middle[:, None]).abs() * row).amax(dim=1) + 20
    height = placement.height.mean(dim=1)
    return Scar(
        shown=sampler.chance(share, batch),
        x=middle + reach * sampler.uniform(batch, low=-1, high=1),
        lean=0.5 * sampler.normal(batch),
        width=height * sampler.uniform(batch, low=0.06, high=0.4),
    )


def pulled(sampler: Sampler, placement: Placement, scar: Scar, middle: float) -> Placement:
    """Dots beside the scar are drawn to it, and its two lips grow together out of line."""
    height = placement.height.mean(dim=1)
    batch = len(height)
    pull = height * sampler.uniform(batch, low=-0.05, high=0.25) * scar.shown
    slip = 0.12 * height * sampler.normal(batch) * scar.shown
    reach = height * sampler.uniform(batch, low=0.3, high=1.0)

    def moved(points: Tensor) -> Tensor:
        d = scar.away(points[..., 0], points[..., 1], middle)
        fade = torch.exp(-d.abs() / _beside(reach, d))
        side = torch.tanh(d / _beside(0.15 * height, d))
        dx = -side * fade * _beside(pull, d)
        dy = side * fade * _beside(slip, d)
        return points + torch.stack([dx, dy], dim=-1)

    return replace(placement, centre=moved(placement.centre), needles=moved(placement.needles))


def tilted(sampler: Sampler, placement: Placement, canvas: tuple[int, int]) -> Placement:
    """Strips of a sheet that recedes to one side, curls away at its ends, or waves."""
    rows, columns = canvas
    batch = placement.centre.shape[0]
    bent = sampler.chance(SEEN_AT_AN_ANGLE, batch).float()
    recede = (0.12 * sampler.normal(batch)).clamp(-0.3, 0.3) * bent
    curl = sampler.uniform(batch, high=0.9) * sampler.chance(0.5, batch) * bent
    wave = 0.9 * sampler.normal(batch) * bent
    turns = sampler.uniform(batch, low=1.0, high=6.0)
    phase = sampler.uniform(batch, high=6.2832)
    half, middle = columns / 2, (rows - 1) / 2
    # The sheet's scale stays as it is about the row's own middle.
    row, at = _main_rows(placement)
    at = torch.where(row.sum(dim=1) > 0, at, half)

    def seen(points: Tensor) -> tuple[Tensor, Tensor]:
        x, y = points[..., 0], points[..., 1]
        own = _beside(at, x)
        u = (x - own) / half
        k = _beside(curl, x).clamp_min(1e-3)
        u = torch.sin(k * u.clamp(-1.7, 1.7)) / k
        scale = 1 / (1 + _beside(recede, x) * u).clamp_min(0.5)
        y = middle + (y - middle) * scale
        y = y + _beside(wave, u) * torch.sin(_beside(turns, u) * u + _beside(phase, u))
        return torch.stack([own + half * u * scale, y], dim=-1), scale

    centre, scale = seen(placement.centre)
    needles, _ = seen(placement.needles)
    inside = (centre[..., 0] > 0) & (centre[..., 0] < columns)
    return replace(
        placement,
        centre=centre,
        height=placement.height * scale,
        needles=needles,
        exists=placement.exists & inside,
        needle_present=placement.needle_present & inside[..., None],
    )
