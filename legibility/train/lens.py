"""Lens, sensor and phone of the second scene model: depth of field, colour mosaic, smoothing."""

from __future__ import annotations

import torch
from torch import Tensor
from torch.nn import functional as F

from legibility.train.camera import jpeg, some
from legibility.train.placement import Sampler

SIGMAS = (0.55, 1.0, 1.8, 3.0)
"""Choice: widths in pixels of the blurs between which a pixel's own is found."""


def blurred(images: Tensor, sigma: float) -> Tensor:
    """Gaussian blur of one width for all, (batch, channels, h, w)."""
    reach = max(1, round(2.5 * sigma))
    steps = torch.arange(-reach, reach + 1, device=images.device, dtype=images.dtype)
    kernel = torch.exp(-0.5 * (steps / sigma) ** 2)
    kernel = (kernel / kernel.sum()).view(1, 1, 1, -1)
    flat = images.reshape(-1, 1, *images.shape[2:])
    flat = F.conv2d(F.pad(flat, (reach, reach, 0, 0), mode="replicate"), kernel)
    flat = F.conv2d(F.pad(flat, (0, 0, reach, reach), mode="replicate"), kernel.transpose(2, 3))
    return flat.view(images.shape)


def softened(images: Tensor, level: Tensor) -> Tensor:
    """Blur by place: ``level`` (batch, 1, h, w) runs from 0 (sharp) to len(SIGMAS)."""
    stages = [images, *(blurred(images, sigma) for sigma in SIGMAS)]
    out = torch.zeros_like(images)
    for k, stage in enumerate(stages):
        out = out + stage * (1 - (level - k).abs()).clamp_min(0)
    return out


def focus(sampler: Sampler, severity: Tensor, size: tuple[int, int]) -> Tensor:
    """How far out of focus each place is, (batch, 1, h, w), as ``softened`` takes it.

    The ear stands at an angle to the lens: sharpness falls to both sides of a line.
    """
    batch = len(severity)
    xs = torch.linspace(-1, 1, size[1], device=sampler.device).view(1, 1, 1, -1)
    ys = torch.linspace(-1, 1, size[0], device=sampler.device).view(1, 1, -1, 1)
    base = 2.2 * sampler.uniform(batch, 1, 1, 1) ** 1.5 * severity[:, None, None, None]
    tilt = sampler.chance(0.4, batch, 1, 1, 1) * sampler.uniform(batch, 1, 1, 1, high=2.5)
    line = sampler.uniform(batch, 1, 1, 1, low=-1, high=1)
    lean = 0.2 * sampler.normal(batch, 1, 1, 1)
    away = (xs + lean * ys - line).abs() * tilt * severity[:, None, None, None]
    return (base + away).clamp(0, len(SIGMAS))


def _mosaic(images: Tensor) -> Tensor:
    """One colour a pixel (Bayer 1976), the others from their neighbours."""
    height, width = images.shape[2:]
    ys = torch.arange(height, device=images.device).view(-1, 1) % 2
    xs = torch.arange(width, device=images.device).view(1, -1) % 2
    red, blue = (ys == 0) & (xs == 0), (ys == 1) & (xs == 1)
    masks = torch.stack([red, ~(red | blue), blue]).float()[None]
    kernel = torch.tensor([[1.0, 2, 1], [2, 4, 2], [1, 2, 1]], device=images.device)
    kernel = kernel.view(1, 1, 3, 3).expand(3, 1, 3, 3)
    held = F.conv2d(F.pad(images * masks, (1,) * 4, mode="reflect"), kernel, groups=3)
    weight = F.conv2d(F.pad(masks, (1,) * 4, mode="reflect"), kernel, groups=3)
    return held / weight


def phone(sampler: Sampler, light: Tensor, severity: Tensor) -> tuple[Tensor, Tensor]:
    """From linear light to a picture file; also the noise's deviation (batch,).

    Parameters
    ----------
    light : (batch, 3, h, w), linear, 1 = the sensor's full scale; more is cut off
    """
    batch, _, height, width = light.shape
    image = light.clamp(0, 1)
    part = some(sampler, batch, 0.35)
    image[part] = _mosaic(image[part])
    noise = 0.03 * severity * sampler.uniform(batch) ** 2.5 + 0.001
    grain = noise[:, None, None, None] * sampler.normal(*image.shape)
    image = image + grain * (0.3 + 1.3 * image.clamp_min(0).sqrt())
    # White balance on the whole picture, then a curve with a toe and a shoulder.
    grey = image.mean(dim=(2, 3), keepdim=True).clamp_min(0.01)
    balance = (grey.mean(dim=1, keepdim=True) / grey) ** sampler.uniform(batch, 1, 1, 1, high=0.8)
    balance = torch.where(sampler.chance(0.5, batch)[:, None, None, None], balance, 1.0)
    image = (image * balance).clamp(1e-4, 1.0)
    bend = sampler.uniform(batch, 1, 1, 1, high=0.7)
    image = image ** (1 / 2.2)
    image = image * (1 - bend) + bend * image**2 * (3 - 2 * image)
    soft = blurred(image, 1.0)
    detail = image - soft
    # A phone takes small differences for noise and smooths them; larger ones it sharpens.
    limit = 0.03 * sampler.uniform(batch, 1, 1, 1) * sampler.chance(0.4, batch, 1, 1, 1)
    kept = torch.sigmoid((detail.abs().amax(dim=1, keepdim=True) - limit) * 150)
    kept = torch.where(limit > 0, kept, 1.0)
    gain = 1 + 1.5 * sampler.uniform(batch, 1, 1, 1) * sampler.chance(0.4, batch, 1, 1, 1)
    image = soft + detail * kept * gain
    part = some(sampler, batch, 0.25)
    factor = [0.5, 0.625, 0.75][int(sampler.integer(3))]
    small = F.interpolate(image[part], scale_factor=factor, mode="area")
    image[part] = F.interpolate(small, size=(height, width), mode="bicubic", align_corners=False)
    part = some(sampler, batch, 0.5)
    dy, dx = int(sampler.integer(8)), int(sampler.integer(8))
    rolled = torch.roll(image[part], (dy, dx), dims=(2, 3))
    image[part] = torch.roll(jpeg(sampler, rolled), (-dy, -dx), dims=(2, 3))
    return image.clamp(0, 1), noise
