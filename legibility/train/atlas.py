"""Texture and strand layers made once per run on the device, then cut at random by every scene."""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional as F

LAYER_PX = 512
"""Choice: side of one layer."""


@dataclass(frozen=True, slots=True)
class Atlas:
    """Layers, each (n, 1, LAYER_PX, LAYER_PX) float32; textures have mean 0 and deviation 1."""

    textures: Tensor
    strands: Tensor
    """Hair, straw and scratches: 0 (none) .. 1 (opaque)."""
    veins: Tensor
    pages: Tensor
    """Printed lines: many small characters; taught to the spotter as "no mark"."""
    photographs: Tensor
    """(n, 3, LAYER_PX, LAYER_PX) 0..1; empty (n = 0) when no pictures were given."""


def _standardise(layers: Tensor) -> Tensor:
    mean = layers.mean(dim=(2, 3), keepdim=True)
    return (layers - mean) / layers.std(dim=(2, 3), keepdim=True).clamp_min(1e-6)


def fractal_noise(count: int, *, generator: torch.Generator, device: torch.device) -> Tensor:
    """Sums of value noise over seven octaves with a random spectral slope a layer."""
    total = torch.zeros(count, 1, LAYER_PX, LAYER_PX, device=device)
    slope = torch.rand(count, 1, 1, 1, generator=generator, device=device) * 1.6 - 0.2
    for octave in range(2, 10):
        cells = 2**octave
        grid = torch.randn(count, 1, cells, cells, generator=generator, device=device)
        layer = F.interpolate(grid, size=(LAYER_PX, LAYER_PX), mode="bicubic", align_corners=False)
        total += layer * torch.exp2(-slope * octave)
    return _standardise(total)


def cellular_noise(count: int, *, generator: torch.Generator, device: torch.device) -> Tensor:
    """Pores and pebbles: smooth blobs of one size a layer, thresholded softly."""
    layers: list[Tensor] = []
    for _ in range(count):
        cells = int(torch.randint(24, 200, (1,), generator=generator, device=device))
        grid = torch.randn(1, 1, cells, cells, generator=generator, device=device)
        layer = F.interpolate(grid, size=(LAYER_PX, LAYER_PX), mode="bicubic", align_corners=False)
        gain = float(torch.rand(1, generator=generator, device=device)) * 4 + 0.5
        shift = float(torch.rand(1, generator=generator, device=device)) * 2
        layers.append(
            torch.sigmoid(gain * (layer.abs() if len(layers) % 2 else layer) - gain * shift)
        )
    return _standardise(torch.cat(layers))


def fibre_noise(count: int, *, generator: torch.Generator, device: torch.device) -> Tensor:
    """Fur and wrinkles: noise stretched along one axis."""
    layers: list[Tensor] = []
    for _ in range(count):
        along = int(torch.randint(4, 40, (1,), generator=generator, device=device))
        across = int(torch.randint(60, 400, (1,), generator=generator, device=device))
        grid = torch.randn(1, 1, across, along, generator=generator, device=device)
        layers.append(
            F.interpolate(grid, size=(LAYER_PX, LAYER_PX), mode="bicubic", align_corners=False)
        )
    return _standardise(torch.cat(layers))


def splat(
    points: Tensor,
    radius: Tensor,
    amount: Tensor,
    *,
    size: tuple[int, int],
    softness: Tensor,
    reach: int,
) -> Tensor:
    """Coverage of soft discs: ``1 - prod_i (1 - amount_i * sigmoid((radius_i - d_i) / softness))``.

    The same formula as ``simulate.ink.coverage``; a test holds the two together.

    Parameters
    ----------
    points : (batch, n, 2) x, y in pixels
    radius, amount : (batch, n)
    size : height, width
    softness : (batch, 1) pixels
    reach : half side in pixels of the window that a disc is drawn in

    Returns
    -------
    (batch, 1, height, width), 0..1
    """
    batch = points.shape[0]
    height, width = size
    picture, disc = torch.nonzero(amount > 0, as_tuple=True)
    centre = points[picture, disc]
    soft = softness[picture, 0, None, None]
    steps = torch.arange(-reach, reach + 1, device=points.device)
    base = centre.round()
    x = base[:, 0, None, None] + steps[None, None, :]
    y = base[:, 1, None, None] + steps[None, :, None]
    distance = torch.sqrt((x - centre[:, 0, None, None]) ** 2 + (y - centre[:, 1, None, None]) ** 2)
    profile = torch.sigmoid((radius[picture, disc][:, None, None] - distance) / soft)
    covered = (amount[picture, disc][:, None, None] * profile).clamp(0, 0.999)
    inside = (x >= 0) & (x < width) & (y >= 0) & (y < height)
    covered = covered * inside
    line = picture[:, None, None] * height + y.clamp(0, height - 1)
    index = line * width + x.clamp(0, width - 1)
    canvas = torch.zeros(batch * height * width, device=points.device)
    canvas.scatter_add_(0, index.long().reshape(-1), torch.log1p(-covered).reshape(-1))
    return (1 - torch.exp(canvas)).view(batch, 1, height, width)


def curves(
    layers: int,
    count: int,
    *,
    length_px: tuple[float, float],
    radius_px: tuple[float, float],
    bend: float,
    generator: torch.Generator,
    device: torch.device,
) -> Tensor:
    """Layers of ``count`` smooth curves each, (layers, 1, LAYER_PX, LAYER_PX)."""

    def uniform(*shape: int, low: float = 0.0, high: float = 1.0) -> Tensor:
        return torch.rand(*shape, generator=generator, device=device) * (high - low) + low

    steps = 160
    along = torch.linspace(0, 1, steps, device=device)
    start = uniform(layers, count, 2, low=-40, high=LAYER_PX + 40)
    length = uniform(layers, count, low=length_px[0], high=length_px[1])
    main = uniform(layers, 1, high=2 * math.pi)
    spread = uniform(layers, 1, high=1.6)
    angle = main + spread * torch.randn(layers, count, generator=generator, device=device)
    turn = bend * torch.randn(layers, count, generator=generator, device=device)
    heading = angle[..., None] + turn[..., None] * along
    step = (length / steps)[..., None]
    x = start[..., 0, None] + torch.cumsum(torch.cos(heading) * step, dim=-1)
    y = start[..., 1, None] + torch.cumsum(torch.sin(heading) * step, dim=-1)
    points = torch.stack([x, y], dim=-1).view(layers, count * steps, 2)
    radius = uniform(layers, count, low=radius_px[0], high=radius_px[1])
    taper = 1 - 0.6 * along
    radius = (radius[..., None] * taper).view(layers, -1)
    amount = uniform(layers, count, low=0.3, high=1.0)[..., None].expand(-1, -1, steps)
    reach = int(radius_px[1] * 1.5 + 3)
    out = []
    for i in range(layers):
        out.append(
            splat(
                points[i : i + 1],
                radius[i : i + 1],
                amount.reshape(layers, -1)[i : i + 1] * 0.35,
                size=(LAYER_PX, LAYER_PX),
                softness=torch.full((1, 1), 0.35 + 0.15 * radius_px[1], device=device),
                reach=reach,
            )
        )
    return torch.cat(out)


def printed_pages(
    layouts: Tensor,
    present: Tensor,
    count: int,
    *,
    generator: torch.Generator,
    device: torch.device,
) -> Tensor:
    """Pages of five to twenty lines of small solid characters, (count, 1, LAYER_PX, LAYER_PX)."""
    pages = []
    for _ in range(count):
        height = float(torch.rand(1, generator=generator, device=device)) * 26 + 9
        rows = int(LAYER_PX / (height * 1.7))
        columns = int(LAYER_PX / (height * 0.85))
        pick = torch.randint(
            0, layouts.shape[0], (rows * columns,), generator=generator, device=device
        )
        needles = layouts[pick] * height
        row = torch.arange(rows, device=device).repeat_interleave(columns)
        column = torch.arange(columns, device=device).repeat(rows)
        origin = torch.stack([column * height * 0.85 + 3, row * height * 1.7 + 4], dim=-1)
        points = (needles + origin[:, None]).view(1, -1, 2)
        words = torch.rand(rows * columns, generator=generator, device=device) > 0.15
        amount = (present[pick] * words[:, None]).view(1, -1).float()
        radius = torch.full_like(amount, height * 0.075)
        pages.append(
            splat(
                points,
                radius,
                amount,
                size=(LAYER_PX, LAYER_PX),
                softness=torch.full((1, 1), 0.5, device=device),
                reach=5,
            )
        )
    return torch.cat(pages)


def build_atlas(
    layouts: Tensor,
    present: Tensor,
    photographs: Tensor,
    *,
    generator: torch.Generator,
    device: torch.device,
) -> Atlas:
    """All layers of a run; about two seconds on a GPU."""

    def strands(
        layers: int, count: int, radius: tuple[float, float], length: tuple[float, float]
    ) -> Tensor:
        return curves(
            layers,
            count,
            length_px=length,
            radius_px=radius,
            bend=0.8,
            generator=generator,
            device=device,
        )

    textures = torch.cat(
        [
            fractal_noise(48, generator=generator, device=device),
            cellular_noise(24, generator=generator, device=device),
            fibre_noise(24, generator=generator, device=device),
        ]
    )
    hair = torch.cat(
        [
            strands(8, 12, (0.3, 1.0), (100, 500)),
            strands(8, 40, (0.3, 1.0), (60, 400)),
            strands(8, 140, (0.2, 0.9), (30, 200)),
            strands(6, 400, (0.2, 0.8), (20, 90)),
            strands(6, 20, (1.0, 3.5), (60, 400)),
        ]
    )
    veins = curves(
        16, 5, length_px=(200, 900), radius_px=(2, 9), bend=0.7, generator=generator, device=device
    )
    pages = printed_pages(layouts, present, 24, generator=generator, device=device)
    return Atlas(textures=textures, strands=hair, veins=veins, pages=pages, photographs=photographs)


def cut(
    layers: Tensor,
    index: Tensor,
    *,
    size: tuple[int, int],
    scale: Tensor,
    angle: Tensor,
    shift: Tensor,
) -> Tensor:
    """Windows of layers under a similarity, reflected at the borders.

    Parameters
    ----------
    layers : (n, c, LAYER_PX, LAYER_PX)
    index : (batch,) which layer
    scale : (batch,) layer pixels per output pixel
    angle : (batch,) radians
    shift : (batch, 2) window centre, -1..1

    Returns
    -------
    (batch, c, height, width)
    """
    height, width = size
    cos = (torch.cos(angle) * scale)[:, None, None]
    sin = (torch.sin(angle) * scale)[:, None, None]
    # Centres of the pixels in units of half a layer; a matrix product for this costs 15 times more.
    xs = (torch.arange(width, device=angle.device) * 2 + 1 - width).view(1, 1, -1) / LAYER_PX
    ys = (torch.arange(height, device=angle.device) * 2 + 1 - height).view(1, -1, 1) / LAYER_PX
    grid = torch.stack(
        [
            cos * xs - sin * ys + shift[:, 0, None, None],
            sin * xs + cos * ys + shift[:, 1, None, None],
        ],
        dim=-1,
    )
    return F.grid_sample(
        layers[index], grid, mode="bilinear", padding_mode="reflection", align_corners=False
    )
