"""Layers of the second scene model: noise by its spectrum, vessels, crusts and coats of hair.

None of them is made as ``train.atlas`` makes its own (value noise, discs along curves), so that
what both models show is what the network can rest on.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
from torch import Tensor

from legibility.train.atlas import LAYER_PX, cut
from legibility.train.placement import Sampler


@dataclass(frozen=True, slots=True)
class Sheets:
    """Layers (n, channels, LAYER_PX, LAYER_PX) float32, made once per run."""

    ground: Tensor
    """Noise with mean 0 and deviation 1, from smooth to rough."""
    vessels: Tensor
    """Networks of vessels, 0 (none) .. 1 (middle of one)."""
    crust: Tensor
    """Two channels: nearness to a grain (mean 0, deviation 1), cracks between grains 0..1."""
    coat: Tensor
    """Two channels: cover of hair 0..1, lightness of the hair there 0..1."""


def spectral_noise(count: int, slope: Tensor, stretch: Tensor, *, sampler: Sampler) -> Tensor:
    """Gaussian noise of which the amplitude falls as frequency to the power of -``slope``.

    Parameters
    ----------
    slope : (count,)
    stretch : (count,) how many times longer structures are along one (random) direction

    Returns
    -------
    (count, 1, LAYER_PX, LAYER_PX), mean 0, deviation 1
    """
    fy, fx = _frequencies(sampler)
    angle = sampler.uniform(count, 1, 1, high=math.pi)
    along = fx * torch.cos(angle) + fy * torch.sin(angle)
    across = fy * torch.cos(angle) - fx * torch.sin(angle)
    frequency = torch.sqrt((along * stretch[:, None, None]) ** 2 + across**2).clamp_min(1.0)
    amplitude = frequency ** -slope[:, None, None]
    amplitude[:, 0, 0] = 0
    return _filtered(count, amplitude, sampler)


def _frequencies(sampler: Sampler) -> tuple[Tensor, Tensor]:
    """Cycles a layer down (1, LAYER_PX, 1) and along (1, 1, LAYER_PX // 2 + 1)."""
    fy = torch.fft.fftfreq(LAYER_PX, device=sampler.device)[None, :, None] * LAYER_PX
    return fy, torch.fft.rfftfreq(LAYER_PX, device=sampler.device)[None, None, :] * LAYER_PX


def _filtered(count: int, amplitude: Tensor, sampler: Sampler) -> Tensor:
    """Gaussian noise with these amplitudes by frequency, (count, 1, LAYER_PX, LAYER_PX)."""
    side = (LAYER_PX, LAYER_PX)
    spectrum = torch.fft.rfft2(sampler.normal(count, *side)) * amplitude
    return standardised(torch.fft.irfft2(spectrum, s=side)[:, None])


def standardised(layers: Tensor) -> Tensor:
    """Mean 0 and deviation 1 of each layer."""
    mean = layers.mean(dim=(2, 3), keepdim=True)
    return (layers - mean) / layers.std(dim=(2, 3), keepdim=True).clamp_min(1e-6)


def slopes(layers: Tensor) -> tuple[Tensor, Tensor]:
    """Differences a pixel along x and along y, of the same size."""
    gx = (torch.roll(layers, -1, 3) - torch.roll(layers, 1, 3)) / 2
    gy = (torch.roll(layers, -1, 2) - torch.roll(layers, 1, 2)) / 2
    return gx, gy


def vessel_networks(count: int, *, sampler: Sampler) -> Tensor:
    """Vessels where smooth noise crosses zero: they branch, join and taper, and never end.

    Value over slope is the distance to the crossing in pixels, so widths are in pixels too.
    """
    total = torch.zeros(count, 1, LAYER_PX, LAYER_PX, device=sampler.device)
    fy, fx = _frequencies(sampler)
    frequency = torch.sqrt(fx**2 + fy**2)
    for order, (low, high) in enumerate(((2.0, 7.0), (1.0, 3.0), (0.6, 1.5))):
        band = 2.0 ** (order + 2.2 + 0.5 * sampler.uniform(count, 1, 1))
        keep = torch.exp(-((frequency / band) ** 2)) + 0.02 * torch.exp(
            -((frequency / (6 * band)) ** 2)
        )
        field = _filtered(count, keep, sampler)
        gx, gy = slopes(field)
        distance = field.abs() / torch.sqrt(gx**2 + gy**2 + 1e-6)
        width = sampler.uniform(count, 1, 1, 1, low=low, high=high)
        swell = torch.exp(0.5 * torch.roll(field, (90, 140), dims=(2, 3)))
        line = torch.exp(-((distance / (width * swell)) ** 2))
        # A branch fades where it dives into the tissue.
        shown = torch.sigmoid(3 * torch.roll(field, (200, 33), dims=(2, 3)) + 1.5)
        total = torch.maximum(total, line * shown * (1 - 0.25 * order))
    return total


def grains(count: int, *, sampler: Sampler) -> Tensor:
    """Grains around points of a jittered grid, (count, 2, LAYER_PX, LAYER_PX).

    Distances to the nearest and second nearest point (Worley 1996).
    """
    layers = []
    ys, xs = torch.meshgrid(
        torch.arange(LAYER_PX, device=sampler.device),
        torch.arange(LAYER_PX, device=sampler.device),
        indexing="ij",
    )
    for _ in range(count):
        cells = int(sampler.integer(100)) + 12
        points = sampler.uniform(cells, cells, 2)
        y, x = ys * cells / LAYER_PX, xs * cells / LAYER_PX
        row, column = y.long(), x.long()
        found = []
        for dy in (-1, 0, 1):
            for dx in (-1, 0, 1):
                r, c = row + dy, column + dx
                at = points[r % cells, c % cells]
                found.append((at[..., 0] + c - x) ** 2 + (at[..., 1] + r - y) ** 2)
        nearest = torch.stack(found).sort(dim=0).values[:2].sqrt()
        crack = torch.exp(-(((nearest[1] - nearest[0]) / 0.12) ** 2))
        flat = (nearest[0] - nearest[0].mean()) / nearest[0].std()
        layers.append(torch.stack([-flat, crack]))
    return torch.stack(layers)


def coats(count: int, *, sampler: Sampler) -> Tensor:
    """Hair as arcs drawn as chords with a round profile, (count, 2, LAYER_PX, LAYER_PX).

    From a few guard hairs to a dense coat that lies one way; later hairs cover earlier ones, and
    each is as light as it is, brightest where it is turned to the light.
    """
    device = sampler.device
    steps = torch.linspace(0, 1, 48, device=device)
    layers = []
    for number in range(count):
        hairs = (6, 20, 60, 160, 420)[number % 5]
        radius = sampler.uniform(hairs) ** 2 * (2.0 if hairs < 100 else 0.8) + 0.35
        length = sampler.uniform(hairs, low=40, high=420 if hairs < 200 else 160)
        way = sampler.uniform(1, high=2 * math.pi) + 0.35 * sampler.normal(hairs)
        curl = sampler.normal(hairs) * sampler.uniform(1, high=2.5)
        heading = way[:, None] + curl[:, None] * (steps - 0.5)
        start = sampler.uniform(hairs, 2, low=-60, high=LAYER_PX + 60)
        pace = (length / len(steps))[:, None]
        x = start[:, :1] + torch.cumsum(torch.cos(heading) * pace, dim=1)
        y = start[:, 1:] + torch.cumsum(torch.sin(heading) * pace, dim=1)
        tone = (0.15 + 0.7 * sampler.uniform(hairs))[:, None] + 0.3 * torch.cos(
            2 * heading - sampler.uniform(1, high=6.28)
        ).clamp_min(0) ** 8
        layers.append(_chords(x, y, radius[:, None] * (1 - 0.7 * steps**2), tone))
    return torch.stack(layers)


def _chords(x: Tensor, y: Tensor, radius: Tensor, tone: Tensor) -> Tensor:
    """Cover and lightness of hairs given by points along them, (2, LAYER_PX, LAYER_PX)."""
    reach = 4
    # Points half a pixel apart, so that chords have no gaps.
    parts = 20
    share = (torch.arange(parts, device=x.device) / parts)[None, None]

    def fine(values: Tensor) -> Tensor:
        return (values[:, :-1, None] * (1 - share) + values[:, 1:, None] * share).reshape(-1)

    px, py, pr, pt = fine(x), fine(y), fine(radius), fine(tone)
    offsets = torch.arange(-reach, reach + 1, device=x.device)
    ix = px.round().long()[:, None, None] + offsets[None, None, :]
    iy = py.round().long()[:, None, None] + offsets[None, :, None]
    away = torch.sqrt((ix - px[:, None, None]) ** 2 + (iy - py[:, None, None]) ** 2)
    alpha = (pr[:, None, None] + 0.5 - away).clamp(0, 1)
    inside = (ix >= 0) & (ix < LAYER_PX) & (iy >= 0) & (iy < LAYER_PX)
    index = (iy.clamp(0, LAYER_PX - 1) * LAYER_PX + ix.clamp(0, LAYER_PX - 1)).reshape(-1)
    alpha = (alpha * inside).reshape(-1)
    cover = torch.zeros(LAYER_PX * LAYER_PX, device=x.device)
    cover.scatter_reduce_(0, index, alpha, "amax")
    shade = torch.zeros(LAYER_PX * LAYER_PX, device=x.device)
    shade.scatter_reduce_(
        0, index, alpha * pt[:, None, None].expand(-1, *away.shape[1:]).reshape(-1), "amax"
    )
    light = shade / cover.clamp_min(0.05)
    return torch.stack([cover, light.clamp(0, 1)]).view(2, LAYER_PX, LAYER_PX)


def build_sheets(sampler: Sampler) -> Sheets:
    """All layers of a run; a second or two on a GPU."""
    smooth = spectral_noise(
        32,
        sampler.uniform(32, low=1.2, high=2.2),
        torch.ones(32, device=sampler.device),
        sampler=sampler,
    )
    rough = spectral_noise(
        24,
        sampler.uniform(24, low=0.4, high=1.2),
        sampler.uniform(24, low=1, high=6) ** 1.5,
        sampler=sampler,
    )
    return Sheets(
        ground=torch.cat([smooth, rough]),
        vessels=vessel_networks(20, sampler=sampler),
        crust=grains(16, sampler=sampler),
        coat=coats(30, sampler=sampler),
    )


@dataclass(frozen=True, slots=True)
class Window:
    """Where each picture looks at its layer."""

    index: Tensor
    scale: Tensor
    angle: Tensor
    shift: Tensor

    def of(self, layers: Tensor, size: tuple[int, int]) -> Tensor:
        """(batch, channels, *size)"""
        return cut(
            layers, self.index, size=size, scale=self.scale, angle=self.angle, shift=self.shift
        )

    def moved(self, offset: Tensor) -> Window:
        """The same window, moved by ``offset`` (batch, 2) output pixels."""
        c, s = torch.cos(self.angle) * self.scale, torch.sin(self.angle) * self.scale
        dx = (c * offset[:, 0] - s * offset[:, 1]) * 2 / LAYER_PX
        dy = (s * offset[:, 0] + c * offset[:, 1]) * 2 / LAYER_PX
        return Window(self.index, self.scale, self.angle, self.shift + torch.stack([dx, dy], dim=1))


def draw_window(sampler: Sampler, layers: Tensor, batch: int, *, low: float, high: float) -> Window:
    """Any layer, place and turn; layer pixels a pixel between exp(``low``) and exp(``high``)."""
    return Window(
        index=sampler.integer(layers.shape[0], batch),
        scale=torch.exp(sampler.uniform(batch, low=low, high=high)),
        angle=sampler.uniform(batch, high=2 * math.pi),
        shift=sampler.uniform(batch, 2, low=-0.8, high=0.8),
    )
