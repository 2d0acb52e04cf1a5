"""Where characters and needles lie: rows for whole-picture crops and for reader strips."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields

import torch
from torch import Tensor

from legibility.alphabet import N_CHARACTERS
from legibility.train.layouts import LayoutBank

PLACES = 16
"""Choice: characters a scene can hold: two rows of eight."""


@dataclass(frozen=True, slots=True)
class Placement:
    """Characters of a batch of scenes, (batch, PLACES, ...), pixels and radians."""

    centre: Tensor
    height: Tensor
    angle: Tensor
    """Clockwise rotation of the character in the picture."""
    character: Tensor
    exists: Tensor
    main_row: Tensor
    """bool: belongs to the row a strip is about."""
    mirrored: Tensor
    """(batch,) bool; strips are rendered upright, other poses are flipped views of them."""
    needles: Tensor
    """(batch, PLACES, needles, 2) pixels."""
    needle_present: Tensor

    def part(self, which: slice | Tensor) -> Placement:
        """Some of the scenes."""
        return Placement(**{f.name: getattr(self, f.name)[which] for f in fields(self)})


def joined(placements: Sequence[Placement]) -> Placement:
    """Scenes of several batches, one after another."""
    names = [f.name for f in fields(Placement)]
    return Placement(**{n: torch.cat([getattr(p, n) for p in placements]) for n in names})


class Sampler:
    """Seeded random numbers on one device."""

    def __init__(self, generator: torch.Generator, device: torch.device) -> None:
        self.generator = generator
        self.device = device

    def uniform(self, *shape: int, low: float = 0.0, high: float = 1.0) -> Tensor:
        values = torch.rand(*shape, generator=self.generator, device=self.device)
        return values * (high - low) + low

    def normal(self, *shape: int) -> Tensor:
        return torch.randn(*shape, generator=self.generator, device=self.device)

    def integer(self, high: int, *shape: int) -> Tensor:
        return torch.randint(0, high, shape, generator=self.generator, device=self.device)

    def chance(self, probability: float, *shape: int) -> Tensor:
        return torch.rand(*shape, generator=self.generator, device=self.device) < probability

    def choice(self, weights: list[float], *shape: int) -> Tensor:
        table = torch.tensor(weights, device=self.device)
        flat = torch.multinomial(
            table, math.prod(shape), replacement=True, generator=self.generator
        )
        return flat.view(*shape)


ROW_LENGTH_WEIGHTS = [0.05, 0.14, 0.2, 0.2, 0.16, 0.11, 0.07, 0.07]
"""Choice: share of rows with 1..8 characters."""


REPLACED_DIES = 0.08
"""Choice: share of dies from another set than the rest of the mark."""
STYLE = (0.05, 0.10, 0.08, 0.04)
"""Choice: standard deviations of a die set's waist, taper, squareness and lean; larger ones turn
characters into others (looked at by eye)."""


WIDEST = 2.5
"""Choice: standard deviations beyond which no set is made wider or narrower; one in eighty would
be, until its dies reach into their neighbours' cells."""
EVEN_SHARE = 0.5
"""Choice: share of scenes whose dies are evenly made: all of one set, each hardly distorted. Real
sets are; the others keep the reader from resting on it."""
EVEN_DIES = 0.3
"""Choice: how far a die of such a scene is distorted, as a share of what it is in the others."""


def restyled(u: Tensor, v: Tensor, style: Tensor) -> tuple[Tensor, Tensor]:
    """Bend drawn characters as another engraver would draw them.

    Parameters
    ----------
    u, v : (..., needles), from -0.5 to 0.5 across and down the character
    style : (..., 4, 1)
        Waist (where the middle stands), taper (wider below), squareness (wider at both ends than in
        the middle) and lean (both ends to one side), in standard deviations.
    """
    waist, taper, squareness, lean = (style[..., k, :] * STYLE[k] for k in range(4))
    ends = 4 * v**2
    bent = u * (1 + taper * 2 * v + squareness * (ends - 0.5)) + lean * (ends - 0.5)
    return bent, v + waist * (1 - ends)


def place_rows(
    sampler: Sampler,
    bank: LayoutBank,
    *,
    batch: int,
    height_px: tuple[float, float],
    canvas: tuple[int, int],
    strip: bool,
) -> Placement:
    """Random rows of dies; ``strip`` keeps one row near the centre line, else any pose."""
    device = sampler.device
    rows, columns = canvas
    count = sampler.choice(ROW_LENGTH_WEIGHTS, batch, 2) + 1
    two_rows = sampler.chance(0.2 if strip else 0.25, batch)
    order = torch.arange(8, device=device)
    if strip:
        height = sampler.uniform(batch, low=height_px[0], high=height_px[1])
    else:
        log_low, log_high = math.log(height_px[0]), math.log(height_px[1])
        height = torch.exp(sampler.uniform(batch, low=log_low, high=log_high))
    pitch = height * (0.62 + 0.16 * sampler.normal(batch).abs() + sampler.uniform(batch, high=0.28))
    if strip:
        # Long rows are cut out at a smaller scale, as the locator does.
        fit = (columns - 24) / (pitch * count[:, 0])
        shrink = fit.clamp(max=1.0)
        height, pitch = height * shrink, pitch * shrink
    proportional = sampler.chance(0.25, batch)[:, None, None]

    # Position along the row, one axis unit = one pixel, before rotation.
    widths = torch.where(
        proportional, 1 + 0.18 * sampler.normal(batch, 2, 8), torch.ones(batch, 2, 8, device=device)
    ).clamp(0.6, 1.5)
    widths = widths + 0.035 * sampler.normal(batch, 2, 8) * sampler.uniform(batch, 1, 1, high=2.0)
    gap = sampler.chance(0.06, batch, 2, 8) * sampler.uniform(batch, 2, 8, high=0.9)
    advance = (widths + gap) * pitch[:, None, None]
    along = torch.cumsum(advance, dim=-1) - advance / 2
    valid = order[None, None] < count[..., None]
    total = (advance * valid).sum(dim=-1, keepdim=True)
    along = along - total / 2
    second_shift = (sampler.uniform(batch, 1) - 0.5) * 1.5 * pitch[:, None]
    along = along + torch.stack([torch.zeros_like(second_shift), second_shift], dim=1)

    row_gap = height * sampler.uniform(batch, low=1.15, high=1.9)
    side = torch.where(sampler.chance(0.5, batch), 1.0, -1.0)
    across = torch.stack([torch.zeros_like(row_gap), row_gap * side], dim=1)[..., None]
    bend = sampler.normal(batch, 1, 1) * 0.02 / height[:, None, None]
    across = across + bend * along**2 * 0.35
    slope = 2 * bend * along * 0.35
    uneven = torch.where(sampler.chance(EVEN_SHARE, batch), EVEN_DIES, 1.0)[:, None, None]
    jitter = sampler.uniform(batch, 1, 1, high=0.07) * height[:, None, None]
    along = along + jitter * sampler.normal(batch, 2, 8)
    across = across + jitter * sampler.normal(batch, 2, 8)
    wobble = uneven * sampler.uniform(batch, 1, 1, high=0.1) * sampler.normal(batch, 2, 8)

    if strip:
        angle = 0.06 * sampler.normal(batch)
        slack = ((columns - total[:, 0, 0]) / 2).clamp_min(8.0)
        shift_x = (sampler.uniform(batch, low=-1, high=1)) * torch.minimum(slack, pitch * 3)
        centre_x = columns / 2 + shift_x
        centre_y = rows / 2 + 0.07 * height * sampler.normal(batch)
        mirrored = torch.zeros(batch, dtype=torch.bool, device=device)
    else:
        angle = sampler.uniform(batch, high=2 * math.pi)
        centre_x = sampler.uniform(batch, low=-0.15, high=1.15) * columns
        centre_y = sampler.uniform(batch, low=-0.15, high=1.15) * rows
        mirrored = sampler.chance(0.3, batch)
    sign = torch.where(mirrored, -1.0, 1.0)[:, None, None]
    cos = torch.cos(angle)[:, None, None]
    sin = torch.sin(angle)[:, None, None]
    x = centre_x[:, None, None] + sign * along * cos - across * sin
    y = centre_y[:, None, None] + sign * along * sin + across * cos
    character_angle = angle[:, None, None] + sign * (torch.atan(slope) + wobble)

    exists = valid & torch.stack([torch.ones_like(two_rows), two_rows], dim=1)[..., None]
    margin = 0.0 if strip else -2.0
    exists = exists & (x > margin) & (x < columns - margin) & (y > margin) & (y < rows - margin)
    empty = sampler.chance(0.06 if strip else 0.18, batch)
    exists = exists & ~empty[:, None, None]
    size = 1 + 0.04 * uneven * sampler.normal(batch, 2, 8)
    size = height[:, None, None] * size.clamp(0.8, 1.2)

    character = sampler.integer(N_CHARACTERS, batch, 2, 8)
    replaced = sampler.chance(REPLACED_DIES, batch, 2, 8) & (uneven == 1.0)

    def of_a_set(high: int) -> Tensor:
        own = sampler.integer(high, batch)[:, None, None].expand(-1, 2, 8)
        return torch.where(replaced, sampler.integer(high, batch, 2, 8), own)

    source, variant = of_a_set(bank.needles.shape[0]), of_a_set(bank.needles.shape[2])
    unit = bank.needles[source, character, variant]
    present = bank.present[source, character, variant] & exists[..., None]

    # The die set: aspect, slant, style; each die: own distortion; each needle: own offset.
    aspect = torch.exp(0.13 * sampler.normal(batch, 1, 1, 1).clamp(-WIDEST, WIDEST))
    slant = 0.08 * sampler.normal(batch, 1, 1, 1)
    warp = 0.06 * uneven[..., None, None] * sampler.normal(batch, 2, 8, 2, 2)
    u = unit[..., 0] * aspect - slant * unit[..., 1]
    v = unit[..., 1]
    style = sampler.normal(batch, 2, 8, 4, 1) * 0.4 * uneven[..., None, None]
    style = style + sampler.normal(batch, 1, 1, 4, 1)
    u, v = restyled(u, v, style)
    u, v = (
        u + warp[..., 0, 0, None] * u + warp[..., 0, 1, None] * v,
        v + warp[..., 1, 0, None] * u + warp[..., 1, 1, None] * v,
    )
    loose = uneven[..., None] * sampler.uniform(batch, 1, 1, 1, high=0.04)
    u = u + loose * sampler.normal(*u.shape)
    v = v + loose * sampler.normal(*v.shape)
    c = torch.cos(character_angle)[..., None] * size[..., None]
    s = torch.sin(character_angle)[..., None] * size[..., None]
    mirror = sign[..., None]
    needle_x = x[..., None] + mirror * u * c - v * s
    needle_y = y[..., None] + mirror * u * s + v * c

    def flat(values: Tensor) -> Tensor:
        return values.reshape(batch, PLACES, *values.shape[3:])

    main = torch.zeros(batch, 2, 8, dtype=torch.bool, device=device)
    main[:, 0] = True
    return Placement(
        centre=flat(torch.stack([x, y], dim=-1)),
        height=flat(size.expand(batch, 2, 8)),
        angle=flat(character_angle.expand(batch, 2, 8)),
        character=flat(character),
        exists=flat(exists),
        main_row=flat(main),
        mirrored=mirrored,
        needles=flat(torch.stack([needle_x, needle_y], dim=-1)),
        needle_present=flat(present),
    )
