"""What lens, sensor and file do to a rendered picture: blur, motion, noise, tone, compression."""

from __future__ import annotations

import torch
from torch import Tensor
from torch.nn import functional as F

from legibility.train.placement import Sampler


def some(sampler: Sampler, batch: int, share: float) -> Tensor:
    """Indices of a random ``share`` of the pictures, at least one."""
    order = torch.randperm(batch, generator=sampler.generator, device=sampler.device)
    return order[: max(1, round(share * batch))]


def blur(images: Tensor, sigma: Tensor, *, reach: int) -> Tensor:
    """Separable Gaussian blur with one sigma a picture."""
    batch, channels, _, _ = images.shape
    steps = torch.arange(-reach, reach + 1, device=images.device).float()
    kernel = torch.exp(-0.5 * (steps[None] / sigma.clamp_min(0.05)[:, None]) ** 2)
    kernel = kernel / kernel.sum(dim=1, keepdim=True)
    kernel = kernel.repeat_interleave(channels, dim=0)[:, None, None]
    flat = images.reshape(1, batch * channels, *images.shape[2:])
    flat = F.conv2d(
        F.pad(flat, (reach, reach, 0, 0), mode="reflect"), kernel, groups=batch * channels
    )
    flat = F.conv2d(
        F.pad(flat, (0, 0, reach, reach), mode="reflect"),
        kernel.transpose(2, 3),
        groups=batch * channels,
    )
    return flat.view(images.shape)


def motion(images: Tensor, length: Tensor, angle: Tensor, *, reach: int) -> Tensor:
    """Blur along a line of ``length`` pixels, one direction a picture."""
    batch, channels, _, _ = images.shape
    steps = torch.arange(-reach, reach + 1, device=images.device).float()
    gy, gx = torch.meshgrid(steps, steps, indexing="ij")
    along = gx[None] * torch.cos(angle)[:, None, None] + gy[None] * torch.sin(angle)[:, None, None]
    across = gy[None] * torch.cos(angle)[:, None, None] - gx[None] * torch.sin(angle)[:, None, None]
    half = (length / 2).clamp_min(0.01)[:, None, None]
    kernel = torch.sigmoid((half + 0.3 - along.abs()) * 4) * torch.exp(-0.5 * (across / 0.45) ** 2)
    kernel = kernel / kernel.sum(dim=(1, 2), keepdim=True)
    kernel = kernel.repeat_interleave(channels, dim=0)[:, None]
    flat = images.reshape(1, batch * channels, *images.shape[2:])
    flat = F.conv2d(F.pad(flat, (reach,) * 4, mode="reflect"), kernel, groups=batch * channels)
    return flat.view(images.shape)


def jpeg(sampler: Sampler, image: Tensor) -> Tensor:
    """Quantise 8 x 8 cosine blocks of luma and halved chroma (ISO/IEC 10918-1, annexes A, K)."""
    batch, _, height, width = image.shape
    device = image.device
    k = torch.arange(8, device=device).float()
    basis = torch.cos((2 * k[None] + 1) * k[:, None] * torch.pi / 16) * 0.5
    basis[0] = basis[0] / 2**0.5
    # A smooth stand-in for the quantisation tables of annex K.
    table = 10 + 6.0 * (k[:, None] + k[None]) + 1.2 * (k[:, None] * k[None])
    scale = torch.exp(sampler.uniform(batch, low=-2.5, high=0.8))
    step = (table[None] * scale[:, None, None] / 255)[:, None, None, None]
    to_ycc = torch.tensor(
        [[0.299, 0.587, 0.114], [-0.169, -0.331, 0.5], [0.5, -0.419, -0.081]], device=device
    )
    ycc = torch.einsum("ij,bjhw->bihw", to_ycc, image)
    chroma = F.interpolate(
        F.avg_pool2d(ycc[:, 1:], 2), scale_factor=2, mode="bilinear", align_corners=False
    )
    ycc = torch.cat([ycc[:, :1], chroma], dim=1)
    blocks = ycc.view(batch, 3, height // 8, 8, width // 8, 8).permute(0, 1, 2, 4, 3, 5)
    freq = basis @ blocks @ basis.T
    freq = torch.round(freq / step) * step
    blocks = basis.T @ freq @ basis
    ycc = blocks.permute(0, 1, 2, 4, 3, 5).reshape(batch, 3, height, width)
    return torch.einsum("ij,bjhw->bihw", torch.linalg.inv(to_ycc), ycc)


def camera(
    sampler: Sampler, image: Tensor, sigma: Tensor, severity: Tensor, *, reach: int
) -> tuple[Tensor, Tensor]:
    """Blur, sampling, noise, tone, compression; returns pictures and noise deviation (batch,)."""
    batch, _, height, width = image.shape
    image = blur(image, sigma, reach=min(reach, 9))
    moved = some(sampler, batch, 0.15)
    length = sampler.uniform(len(moved)) ** 2 * 8 * sigma.mean()
    direction = sampler.uniform(len(moved), high=3.1416)
    image[moved] = motion(image[moved], length, direction, reach=min(reach, 7))
    image = image.clamp(0, 1.3)
    gamma = torch.exp(0.2 * sampler.normal(batch, 1, 1, 1)) / 2.2
    image = image.clamp(1e-4, 1.0) ** gamma
    noise = 0.05 * severity * sampler.uniform(batch) ** 3 + 0.002
    grain = sampler.normal(*image.shape)
    grey = grain.mean(dim=1, keepdim=True) * 1.7
    grain = torch.where(
        sampler.chance(0.5, batch)[:, None, None, None], grey.expand_as(grain), grain
    )
    coarse = F.interpolate(
        F.avg_pool2d(grain, 2) * 2, scale_factor=2, mode="bilinear", align_corners=False
    )
    grain = torch.where(sampler.chance(0.4, batch)[:, None, None, None], coarse, grain)
    shot = sampler.uniform(batch, 1, 1, 1)
    image = image + grain * noise[:, None, None, None] * (1 - shot + shot * 1.6 * image.sqrt())
    if height % 16 == 0 and width % 16 == 0:
        factor = [1.0, 1.0, 0.75, 0.5][int(sampler.integer(4))]
        if factor < 1:
            part = some(sampler, batch, 0.33)
            mode = "area" if factor == 0.5 else "bilinear"
            small = F.interpolate(image[part], scale_factor=factor, mode=mode)
            image[part] = F.interpolate(
                small, size=(height, width), mode="bilinear", align_corners=False
            )
    soft = F.avg_pool2d(F.pad(image, (1, 1, 1, 1), mode="reflect"), 3, stride=1)
    amount = sampler.uniform(batch, 1, 1, 1) * 1.6 * sampler.chance(0.35, batch, 1, 1, 1)
    image = image + amount * (image - soft)
    grey = image.mean(dim=1, keepdim=True)
    saturation = torch.where(
        sampler.chance(0.08, batch)[:, None, None, None],
        0.0,
        1 + 0.2 * sampler.normal(batch, 1, 1, 1),
    )
    image = grey + saturation * (image - grey)
    image = image * torch.exp(0.1 * sampler.normal(batch, 3, 1, 1))
    # Compression varies with the phase of the blocks: shift before and after.
    dy, dx = int(sampler.integer(8)), int(sampler.integer(8))
    part = some(sampler, batch, 0.5)
    shifted = torch.roll(image[part], (dy, dx), dims=(2, 3))
    image[part] = torch.roll(jpeg(sampler, shifted), (-dy, -dx), dims=(2, 3))
    return image.clamp(0, 1), noise
