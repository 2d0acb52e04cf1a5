"""From placed needles to pictures in torch: skin, ink, what lies over it, light and camera.

The same physics as ``legibility.simulate`` (coverage of soft discs, Beer-Lambert staining), with
wider ranges than are plausible for an ear: a reader that has seen stranger things than it will
meet depends less on the renderer.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import torch
from torch import Tensor
from torch.nn import functional as F

from legibility.train.atlas import Atlas, cut, splat
from legibility.train.camera import blur, camera, motion, some
from legibility.train.placement import Placement, Sampler, joined

SKIN = torch.tensor(
    [
        [0.86, 0.66, 0.60],  # pink
        [0.78, 0.60, 0.48],  # tan
        [0.58, 0.56, 0.54],  # grey
        [0.30, 0.24, 0.21],  # dark
        [0.16, 0.14, 0.14],  # black
        [0.92, 0.86, 0.80],  # pale
        [0.52, 0.36, 0.27],  # brown
    ]
)
"""Choice: sRGB centres of skin colours, varied widely around."""

ABSORBANCE = torch.tensor(
    [
        [2.2, 0.9, 1.6],  # green
        [2.4, 2.4, 2.4],  # black
        [0.9, 2.0, 2.3],  # red-brown
        [1.9, 1.1, 0.7],  # old blue-green
        [2.3, 1.6, 0.8],  # blue
        [1.6, 1.2, 1.4],  # dull green-grey
    ]
)
"""Choice: absorbance (natural log, R G B) of full ink, varied widely around."""


@dataclass(frozen=True, slots=True)
class Batch:
    """Rendered pictures and what is true of them."""

    pixels: Tensor
    """(batch, 3, height, width), 0..1 sRGB."""
    coverage: Tensor
    """(batch, 1, height, width) ink that was laid, before hair and camera, 0..1."""
    visibility: Tensor
    """(batch, PLACES) ink contrast against noise of each character, 0 = nothing to see."""
    placement: Placement


def mixed(batches: Sequence[Batch], order: Tensor) -> Batch:
    """Batches one after another, then put into ``order``."""
    return Batch(
        pixels=torch.cat([b.pixels for b in batches])[order],
        coverage=torch.cat([b.coverage for b in batches])[order],
        visibility=torch.cat([b.visibility for b in batches])[order],
        placement=joined([b.placement for b in batches]).part(order),
    )


def narrowed(batch: Batch, room_px: int) -> Batch:
    """The middle ``room_px`` columns; characters with their middle outside are not there."""
    edge = (batch.pixels.shape[3] - room_px) // 2
    inside = slice(edge, edge + room_px)
    placement = batch.placement
    offset = torch.tensor([float(edge), 0.0], device=batch.pixels.device)
    x = placement.centre[..., 0] - edge
    exists = placement.exists & (x > 0) & (x < room_px)
    return Batch(
        pixels=batch.pixels[..., inside],
        coverage=batch.coverage[..., inside],
        visibility=batch.visibility * exists,
        placement=replace(
            placement,
            centre=placement.centre - offset,
            needles=placement.needles - offset,
            exists=exists,
            needle_present=placement.needle_present & exists[..., None],
        ),
    )


CALM_SHARE = 0.6
"""Choice: share of pictures in which all that disturbs is weaker, so that more than half of the
characters can be seen; without it most strips of a batch taught nothing (looked at by eye)."""
CALM_INK = 0.45
"""Choice: least strength of ink in such a picture."""


def how_severe(sampler: Sampler, batch: int) -> Tensor:
    """How strong textures, cover, glare, blur and noise are, (batch,), 0..1; 1 in full."""
    calm = sampler.uniform(batch, low=0.05, high=0.6)
    return torch.where(sampler.chance(CALM_SHARE, batch), calm, 1.0)


def _window(
    sampler: Sampler, layers: Tensor, batch: int, size: tuple[int, int], low: float, high: float
) -> Tensor:
    scale = torch.exp(sampler.uniform(batch, low=low, high=high))
    return cut(
        layers,
        sampler.integer(layers.shape[0], batch),
        size=size,
        scale=scale,
        angle=sampler.uniform(batch, high=6.2832),
        shift=sampler.uniform(batch, 2, low=-0.9, high=0.9),
    )


def _skin(sampler: Sampler, atlas: Atlas, severity: Tensor, size: tuple[int, int]) -> Tensor:
    """Albedo of skin or of whatever lies behind, (batch, 3, h, w) linear 0..1."""
    device = sampler.device
    batch = len(severity)
    severe = severity[:, None, None, None]
    palette = SKIN.to(device)
    wild = sampler.chance(0.07, batch)[:, None]

    def colour() -> Tensor:
        base = palette[sampler.integer(len(palette), batch)] + 0.06 * sampler.normal(batch, 3)
        base = base * torch.exp(0.2 * sampler.normal(batch, 1))
        return torch.where(wild, sampler.uniform(batch, 3), base).clamp(0.02, 1.0) ** 2.2

    first, second = colour(), colour()
    second = torch.where(sampler.chance(0.55, batch)[:, None], first, second)
    second = first + (second - first) * severity[:, None]
    mottle = torch.sigmoid(
        (
            _window(sampler, atlas.textures[:48], batch, size, -2.5, 0.0)
            + sampler.normal(batch, 1, 1, 1)
        )
        * torch.exp(sampler.uniform(batch, 1, 1, 1, low=0, high=2.5))
    )
    albedo = first[..., None, None] * (1 - mottle) + second[..., None, None] * mottle
    for _ in range(3):
        texture = _window(sampler, atlas.textures, batch, size, -2.0, 0.7).clamp(-2.5, 2.5)
        strength = 0.14 * severe * sampler.uniform(batch, 1, 1, 1) ** 2.5
        tint = 1 + 0.5 * sampler.normal(batch, 3, 1, 1) * sampler.chance(0.5, batch, 1, 1, 1)
        albedo = albedo * torch.exp(strength * 1.4 * texture * tint)
    vein = _window(sampler, atlas.veins, batch, size, -1.5, 0.3)
    strength = sampler.uniform(batch, 1, 1, 1) ** 2 * sampler.chance(0.6, batch, 1, 1, 1)
    strength = strength * severe
    vein_tint = torch.tensor([0.8, 1.1, 0.9], device=device).view(1, 3, 1, 1)
    albedo = albedo * torch.exp(-1.2 * strength * vein * vein_tint)
    if atlas.photographs.shape[0]:
        photograph = _window(sampler, atlas.photographs, batch, size, -1.5, 0.7) ** 2.2
        use = sampler.uniform(batch, 1, 1, 1) ** 2 * sampler.chance(0.3, batch, 1, 1, 1) * severe
        flat = photograph / photograph.mean(dim=(2, 3), keepdim=True).clamp_min(0.02)
        albedo = albedo * (1 - use + use * flat.clamp(0, 3))
    return albedo.clamp(0.002, 1.0)


def stain(skin: Tensor, coverage: Tensor, absorbance: Tensor) -> Tensor:
    """Skin seen through ink; the same formula as ``simulate.ink.stain``, as a test checks.

    Parameters
    ----------
    skin : (batch, 3, h, w), linear
    coverage : (batch, 1, h, w), 0..1
    absorbance : (batch, 3), natural logarithm
    """
    return skin * torch.exp(-coverage * absorbance[..., None, None])


def _ink(
    sampler: Sampler,
    atlas: Atlas,
    placement: Placement,
    severity: Tensor,
    size: tuple[int, int],
    *,
    reach: int,
) -> tuple[Tensor, Tensor, Tensor]:
    """Coverage (batch, 1, h, w), needle amounts (batch, PLACES, n) and strength (batch,)."""
    batch = placement.centre.shape[0]
    height = placement.height
    n = placement.needle_present.shape[-1]
    fine = torch.exp(0.3 * sampler.normal(batch))
    relative = (0.05 * fine).clamp(0.022, 0.095)
    radius = (relative[:, None] * height)[..., None] * (
        1 + 0.18 * sampler.normal(batch, 16, n)
    ).clamp(0.4, 1.8)
    lost = (
        torch.where(sampler.chance(0.45, batch), 0.03, 1.0) * sampler.uniform(batch) ** 1.5 * 0.55
    )
    per_die = (severity * lost)[:, None] * (0.5 + sampler.uniform(batch, 16))
    kept = sampler.uniform(batch, 16, n) > per_die.clamp(0, 0.9)[..., None]
    dead_die = sampler.chance(0.03, batch, 16)[..., None]
    kept = kept & ~dead_die
    # One side of a die or row that did not take: a linear fall of ink across the picture.
    spread = 0.25 * sampler.uniform(batch, 1, 1)
    amount = (1 - spread + spread * sampler.normal(batch, 16, n)).clamp(0.1, 1.0)
    die_amount = (1 - 0.35 * sampler.uniform(batch, 1) * sampler.uniform(batch, 16)).clamp(0.1, 1)
    amount = amount * die_amount[..., None] * kept * placement.needle_present
    softness = (relative[:, None] * height.mean(dim=1, keepdim=True)) * sampler.uniform(
        batch, 1, low=0.06, high=0.35
    ) + 0.2
    points = placement.needles.reshape(batch, -1, 2)
    flat_radius, flat_amount = radius.reshape(batch, -1), amount.reshape(batch, -1)
    coverage = splat(points, flat_radius, flat_amount, size=size, softness=softness, reach=reach)
    rings = some(sampler, batch, 0.08)
    hollow = splat(
        points[rings],
        flat_radius[rings] * 0.55,
        flat_amount[rings],
        size=size,
        softness=softness[rings],
        reach=reach,
    )
    coverage[rings] = (coverage[rings] - 0.8 * hollow).clamp(0, 1)
    mean_height = height.mean(dim=1)
    bleeding = some(sampler, batch, 0.4)
    clean = coverage[bleeding]
    spread_px = mean_height[bleeding] * 0.05 * sampler.uniform(len(bleeding)) + 0.1
    bled = blur(clean, spread_px, reach=min(reach, 9))
    share = sampler.uniform(len(bleeding), 1, 1, 1) ** 1.2
    coverage[bleeding] = torch.maximum(clean * (1 - 0.6 * share), (bled * 1.6 * share).clamp(0, 1))
    smudged = some(sampler, batch, 0.12)
    clean = coverage[smudged]
    smear = motion(
        clean,
        mean_height[smudged] * 0.5 * sampler.uniform(len(smudged)),
        sampler.uniform(len(smudged), high=3.1416),
        reach=reach,
    )
    share = sampler.uniform(len(smudged), 1, 1, 1)
    coverage[smudged] = torch.maximum(clean * (1 - 0.5 * share), smear * share)
    patch = _window(sampler, atlas.textures[:48], batch, size, -2.0, 0.5)
    patchy = sampler.uniform(batch, 1, 1, 1) * sampler.chance(0.4, batch, 1, 1, 1)
    worn = torch.sigmoid(2.5 * patch + 1.5 + sampler.normal(batch, 1, 1, 1))
    coverage = coverage * (1 - patchy + patchy * worn)
    # Fading: from fresh ink down to nothing; a third of the marks is faint.
    faint = torch.where(
        sampler.chance(0.75, batch),
        sampler.uniform(batch, low=0.12, high=0.5),
        sampler.uniform(batch, low=0.0, high=0.12),
    )
    strength = torch.where(
        sampler.chance(0.35, batch), faint, sampler.uniform(batch, low=0.4, high=1.5)
    )
    return coverage, amount, strength


def _cover(
    sampler: Sampler, atlas: Atlas, image: Tensor, severity: Tensor, size: tuple[int, int]
) -> tuple[Tensor, Tensor]:
    """Hair, straw, dirt and wax over the skin; also returns what is hidden, (batch, 1, h, w)."""
    batch = image.shape[0]
    severe = severity[:, None, None, None]
    hidden = torch.zeros(batch, 1, *size, device=sampler.device)
    for chance in (0.45, 0.15):
        strand = _window(sampler, atlas.strands, batch, size, -1.6, 0.5)
        opacity = sampler.uniform(batch, 1, 1, 1, low=0.3) * sampler.chance(chance, batch, 1, 1, 1)
        level = sampler.uniform(batch, 1, 1, 1) ** 1.5
        warm = 1 + 0.12 * sampler.normal(batch, 3, 1, 1)
        colour = (level * warm).clamp(0.003, 1.2)
        alpha = strand * opacity * severe
        image = image * (1 - alpha) + colour * alpha
        hidden = torch.maximum(hidden, alpha)
    blob = _window(sampler, atlas.textures[:48], batch, size, -3.0, 0.3)
    cut_at = sampler.uniform(batch, 1, 1, 1, low=0.8, high=2.8)
    alpha = torch.sigmoid(
        (blob - cut_at) * torch.exp(sampler.uniform(batch, 1, 1, 1, low=0.5, high=3))
    )
    alpha = alpha * sampler.uniform(batch, 1, 1, 1, low=0.2) * sampler.chance(0.2, batch, 1, 1, 1)
    alpha = alpha * severe
    dirt = sampler.uniform(batch, 3, 1, 1) ** 2
    image = image * (1 - alpha) + dirt * alpha
    speck = _window(sampler, atlas.textures[48:72], batch, size, -1.5, 0.7)
    alpha = torch.sigmoid((speck - sampler.uniform(batch, 1, 1, 1, low=1.5, high=4)) * 4)
    alpha = alpha * sampler.uniform(batch, 1, 1, 1) * sampler.chance(0.12, batch, 1, 1, 1) * severe
    image = image * (1 - alpha) + (sampler.uniform(batch, 3, 1, 1) ** 2) * alpha
    return image, torch.maximum(hidden, alpha)


def _behind(
    sampler: Sampler, atlas: Atlas, image: Tensor, size: tuple[int, int], chance: float
) -> tuple[Tensor, Tensor]:
    """Something else beyond a curved edge of the ear; returns the picture and where it is."""
    batch = image.shape[0]
    height, width = size
    ys = torch.arange(height, device=sampler.device).view(1, height, 1) - height / 2
    xs = torch.arange(width, device=sampler.device).view(1, 1, width) - width / 2
    angle = sampler.uniform(batch, 1, 1, high=6.2832)
    along = xs * torch.cos(angle) + ys * torch.sin(angle)
    across = ys * torch.cos(angle) - xs * torch.sin(angle)
    reach = max(size)
    offset = sampler.uniform(batch, 1, 1, low=0.05, high=0.6) * reach
    bend = sampler.normal(batch, 1, 1) * 0.6 / reach
    mask = torch.sigmoid((across - offset - bend * along**2) * 1.2)
    mask = (mask * sampler.chance(chance, batch, 1, 1))[:, None]
    other = _skin(sampler, atlas, torch.ones(batch, device=sampler.device), size)
    if atlas.photographs.shape[0]:
        photograph = _window(sampler, atlas.photographs, batch, size, -1.0, 1.0) ** 2.2
        other = torch.where(sampler.chance(0.5, batch)[:, None, None, None], photograph, other)
    straw = _window(sampler, atlas.strands, batch, size, -0.5, 0.7)
    other = other * (1 - straw) + straw * sampler.uniform(batch, 3, 1, 1)
    shade = 1 - 0.6 * torch.exp(-((across - offset).abs() / (0.06 * reach)))[
        :, None
    ] * sampler.uniform(batch, 1, 1, 1)
    return image * (1 - mask) * (shade * (1 - mask) + mask) + other * mask, mask


def _light(
    sampler: Sampler, atlas: Atlas, image: Tensor, severity: Tensor, size: tuple[int, int]
) -> Tensor:
    batch = image.shape[0]
    height, width = size
    ys = torch.linspace(-1, 1, height, device=sampler.device).view(1, 1, height, 1)
    xs = torch.linspace(-1, 1, width, device=sampler.device).view(1, 1, 1, width)
    a = sampler.normal(batch, 5, 1, 1) * sampler.uniform(batch, 1, 1, 1) * 0.7
    field = (
        a[:, 0:1] * xs
        + a[:, 1:2] * ys
        + 0.4 * (a[:, 2:3] * xs**2 + a[:, 3:4] * ys**2 + a[:, 4:5] * xs * ys)
    )
    spot_x, spot_y = (
        sampler.uniform(batch, 1, 1, 1, low=-1),
        sampler.uniform(batch, 1, 1, 1, low=-1),
    )
    radius = sampler.uniform(batch, 1, 1, 1, low=0.2, high=1.2)
    spot = torch.exp(
        -((xs - spot_x) ** 2 + (ys - spot_y) ** 2 * (height / width) ** 0.5) / radius**2
    )
    field = field + 1.8 * spot * sampler.chance(0.25, batch, 1, 1, 1) * sampler.uniform(
        batch, 1, 1, 1
    )
    relief = _window(sampler, atlas.textures, batch, size, -3.5, -0.5).clamp(-2.5, 2.5)
    field = field + 0.35 * relief * sampler.uniform(batch, 1, 1, 1) ** 2
    tint = 0.1 * sampler.normal(batch, 3, 1, 1)
    lit = image * torch.exp(field - field.mean(dim=(2, 3), keepdim=True) + tint)
    wet = _window(sampler, atlas.textures[:72], batch, size, -1.8, 0.6)
    glare = torch.sigmoid(
        (wet - sampler.uniform(batch, 1, 1, 1, low=1.2, high=3.2))
        * torch.exp(sampler.uniform(batch, 1, 1, 1, high=2.0))
    )
    glare = (
        glare
        * sampler.chance(0.22, batch, 1, 1, 1)
        * sampler.uniform(batch, 1, 1, 1, low=0.2, high=1.6)
        * severity[:, None, None, None]
    )
    mean = lit.mean(dim=(1, 2, 3), keepdim=True)
    target = torch.exp(sampler.uniform(batch, 1, 1, 1, low=-2.2, high=-0.5))
    return lit * (target / mean.clamp_min(1e-4)) + glare


@torch.no_grad()
def render(
    sampler: Sampler,
    atlas: Atlas,
    placement: Placement,
    *,
    canvas: tuple[int, int],
    reach: int,
    edge_chance: float,
    page_chance: float,
) -> Batch:
    """Pictures of placed rows; see the module for what is varied.

    Parameters
    ----------
    reach : int
        Half window in pixels of a needle's disc; at least 1.5 times the largest radius.
    edge_chance, page_chance : float
        Share of pictures with the ear's edge in view, and of printed pages without a mark.
    """
    device = sampler.device
    batch = placement.centre.shape[0]
    severity = how_severe(sampler, batch)
    skin = _skin(sampler, atlas, severity, canvas)
    coverage, amount, strength = _ink(sampler, atlas, placement, severity, canvas, reach=reach)
    strength = torch.where(severity < 1, CALM_INK + 0.7 * strength, strength)
    palette = ABSORBANCE.to(device)
    absorb = palette[sampler.integer(len(palette), batch)] * torch.exp(
        0.25 * sampler.normal(batch, 3)
    )
    absorb = absorb * strength[:, None]
    stained = stain(skin, coverage, absorb)
    # Some inks lie over the skin like paint, some scars are lighter than the skin.
    opaque = (0.6 * torch.exp(-absorb * 1.5) * skin.mean(dim=(2, 3)).clamp(0.05, 1))[
        ..., None, None
    ]
    solid = strength.clamp(0, 1)[:, None, None, None]
    painted = skin * (1 - coverage * solid) + opaque * coverage * solid
    stained = torch.where(sampler.chance(0.2, batch)[:, None, None, None], painted, stained)
    light_ink = sampler.uniform(batch, 3, 1, 1, low=0.3) * solid
    scar = skin + coverage * light_ink * (1 - skin) * 0.8
    stained = torch.where(sampler.chance(0.06, batch)[:, None, None, None], scar, stained)
    page = sampler.chance(page_chance, batch)
    printed = _window(sampler, atlas.pages, batch, canvas, -1.0, 0.8)
    stained = torch.where(
        page[:, None, None, None], skin * torch.exp(-2.5 * printed * solid), stained
    )

    image, mask = _behind(sampler, atlas, stained, canvas, edge_chance)
    image, hidden = _cover(sampler, atlas, image, severity, canvas)
    image = _light(sampler, atlas, image, severity, canvas)
    mean_height = placement.height.mean(dim=1)
    sigma = (mean_height * 0.065 * severity * sampler.uniform(batch) ** 2 + 0.3).clamp(max=3.5)
    image, noise = camera(sampler, image, sigma, severity, reach=reach)

    # How visible each character is: mean stain at its needles, blurred and hidden for the camera.
    hidden = torch.maximum(hidden, mask)
    grid = placement.needles.reshape(batch, 1, -1, 2)
    scale = torch.tensor([canvas[1], canvas[0]], device=device)
    grid = (grid + 0.5) / scale * 2 - 1
    seen_skin = F.grid_sample(skin, grid, align_corners=False, padding_mode="border")
    seen_stain = F.grid_sample(stained, grid, align_corners=False, padding_mode="border")
    seen_hidden = F.grid_sample(hidden, grid, align_corners=False, padding_mode="border")
    ratio = (torch.log(seen_skin + 0.01) - torch.log(seen_stain + 0.01)).abs().amax(dim=1)
    ratio = (ratio * (1 - seen_hidden[:, 0])).view(batch, *amount.shape[1:])
    dots = placement.needle_present.sum(dim=-1).clamp_min(1)
    contrast = (ratio * placement.needle_present).sum(dim=-1) / dots
    radius = 0.05 * placement.height
    contrast = contrast * (radius / (radius + sigma[:, None] * 0.7))
    visibility = contrast / (0.03 + noise[:, None] * 1.5)
    exists = placement.exists & ~page[:, None]
    visibility = visibility * exists
    placement = Placement(
        centre=placement.centre,
        height=placement.height,
        angle=placement.angle,
        character=placement.character,
        exists=exists,
        main_row=placement.main_row,
        mirrored=placement.mirrored,
        needles=placement.needles,
        needle_present=placement.needle_present & exists[..., None],
    )
    keep = (~page).float()[:, None, None, None]
    return Batch(pixels=image, coverage=coverage * keep, visibility=visibility, placement=placement)
