"""The two networks: a spotter of characters at any angle and a reader of row strips.

Only convolutions, batch normalisation, ReLU, nearest upsampling, addition and concatenation: layers
that every OpenCV release computes like the reference runtime (see the golden tests).
"""

from __future__ import annotations

import torch
from torch import Tensor, nn


def _start_rare(head: nn.Conv2d, *, channel: int) -> None:
    """Start a detection logit at a probability of 0.02 (Lin et al. 2017, focal loss, 4.1)."""
    assert head.bias is not None
    with torch.no_grad():
        head.bias[channel] = -4.0


SPOTTER_CHANNELS = 7
"""objectness logit, dx, dy (strides), cos and sin of twice the row's angle, log(height / 24 px),
ink logit."""


class Conv(nn.Sequential):
    """Convolution, batch normalisation, ReLU."""

    def __init__(
        self, inputs: int, outputs: int, *, kernel: int = 3, stride: int | tuple[int, int] = 1
    ) -> None:
        super().__init__(
            nn.Conv2d(inputs, outputs, kernel, stride=stride, padding=kernel // 2, bias=False),
            nn.BatchNorm2d(outputs),
            nn.ReLU(inplace=True),
        )


class Residual(nn.Module):
    """Two 3 x 3 convolutions around a shortcut; ``dilation`` widens the view along the row."""

    def __init__(self, channels: int, *, dilation: tuple[int, int] = (1, 1)) -> None:
        super().__init__()
        self.first = Conv(channels, channels)
        self.second = nn.Sequential(
            nn.Conv2d(channels, channels, 3, padding=dilation, dilation=dilation, bias=False),
            nn.BatchNorm2d(channels),
        )
        self.activation = nn.ReLU(inplace=True)

    def forward(self, x: Tensor) -> Tensor:
        return self.activation(x + self.second(self.first(x)))


class Spotter(nn.Module):
    """Whole-picture network: (batch, 3, h, w), sides divisible by 32 -> (batch, 7, h/4, w/4)."""

    def __init__(self) -> None:
        super().__init__()
        self.stem = nn.Sequential(Conv(3, 16, stride=2), Conv(16, 32, stride=2))
        self.level4 = nn.Sequential(Residual(32), Residual(32))
        self.level8 = nn.Sequential(Conv(32, 64, stride=2), Residual(64), Residual(64))
        self.level16 = nn.Sequential(Conv(64, 96, stride=2), Residual(96), Residual(96))
        self.level32 = nn.Sequential(
            Conv(96, 128, stride=2), Residual(128), Residual(128, dilation=(2, 2))
        )
        self.up16 = nn.Sequential(
            Conv(128, 96, kernel=1), nn.Upsample(scale_factor=2, mode="nearest")
        )
        self.merge16 = Residual(96)
        self.up8 = nn.Sequential(
            Conv(96, 64, kernel=1), nn.Upsample(scale_factor=2, mode="nearest")
        )
        self.merge8 = Residual(64)
        self.up4 = nn.Sequential(
            Conv(64, 32, kernel=1), nn.Upsample(scale_factor=2, mode="nearest")
        )
        self.merge4 = nn.Sequential(Residual(32), Conv(32, 48))
        self.head = nn.Conv2d(48, SPOTTER_CHANNELS, 1)
        _start_rare(self.head, channel=0)

    def forward(self, x: Tensor) -> Tensor:
        x4 = self.level4(self.stem(x))
        x8 = self.level8(x4)
        x16 = self.level16(x8)
        x32 = self.level32(x16)
        x16 = self.merge16(x16 + self.up16(x32))
        x8 = self.merge8(x8 + self.up8(x16))
        x4 = self.merge4(x4 + self.up4(x8))
        return self.head(x4)


READER_CHANNELS = 36 + 4 + 4
"""36 characters, centre logit, dx, dy, log(height / 32 px), four pose logits (upright, turned,
mirrored, both), given for each column and averaged by the caller."""


class StripReader(nn.Module):
    """(batch, 3, 48, 384) -> columns (batch, READER_CHANNELS, 1, 96), ink (batch, 1, 48, 384)."""

    def __init__(self) -> None:
        super().__init__()
        self.stem = Conv(3, 16)
        self.level2 = nn.Sequential(Conv(16, 40, stride=2), Residual(40))
        self.level4 = nn.Sequential(Conv(40, 80, stride=2), Residual(80), Residual(80))
        self.level8 = nn.Sequential(
            Conv(80, 112, stride=(2, 1)),
            Residual(112),
            Residual(112, dilation=(1, 2)),
            Residual(112),
            Residual(112),
        )
        self.level16 = nn.Sequential(
            Conv(112, 128, stride=(2, 1)),
            Residual(128, dilation=(1, 2)),
            Residual(128, dilation=(1, 4)),
            Residual(128, dilation=(1, 2)),
            Residual(128),
        )
        self.collapse = nn.Sequential(
            nn.Conv2d(128, 192, (3, 1), bias=False), nn.BatchNorm2d(192), nn.ReLU(inplace=True)
        )
        self.along = nn.Sequential(
            _RowBlock(192, 1), _RowBlock(192, 3), _RowBlock(192, 9), _RowBlock(192, 1)
        )
        self.columns = nn.Conv2d(192, READER_CHANNELS, 1)
        _start_rare(self.columns, channel=36)
        self.up2 = nn.Sequential(
            Conv(80, 24, kernel=1), nn.Upsample(scale_factor=2, mode="nearest")
        )
        self.side2 = Conv(40, 24, kernel=1)
        self.up1 = nn.Sequential(Conv(24, 16), nn.Upsample(scale_factor=2, mode="nearest"))
        self.ink = nn.Sequential(Conv(16, 16), nn.Conv2d(16, 1, 1))

    def forward(self, x: Tensor) -> tuple[Tensor, Tensor]:
        x1 = self.stem(x)
        x2 = self.level2(x1)
        x4 = self.level4(x2)
        deep = self.along(self.collapse(self.level16(self.level8(x4))))
        ink = self.up2(x4) + self.side2(x2)
        ink = self.ink(self.up1(ink) + x1)
        return self.columns(deep), ink


class _RowBlock(nn.Module):
    """Residual block along the row only."""

    def __init__(self, channels: int, dilation: int) -> None:
        super().__init__()
        self.first = nn.Sequential(
            nn.Conv2d(
                channels,
                channels // 2,
                (1, 3),
                padding=(0, dilation),
                dilation=(1, dilation),
                bias=False,
            ),
            nn.BatchNorm2d(channels // 2),
            nn.ReLU(inplace=True),
        )
        self.second = nn.Sequential(
            nn.Conv2d(channels // 2, channels, (1, 3), padding=(0, 1), bias=False),
            nn.BatchNorm2d(channels),
        )
        self.activation = nn.ReLU(inplace=True)

    def forward(self, x: Tensor) -> Tensor:
        return self.activation(x + self.second(self.first(x)))


def normalise(pixels: Tensor, *, sigma: float) -> Tensor:
    """Log colour less its surroundings, over the local contrast; as ``networks.normalise``.

    Parameters
    ----------
    pixels : (batch, 3, h, w), 0..1 sRGB; sides divisible by 8
    sigma : standard deviation of the surroundings, in eighths of the side, i.e. 8-pixel blocks

    Returns
    -------
    (batch, 3, h, w)
    """
    logs = torch.log(pixels + LOG_OFFSET)
    centred = logs - _surroundings(logs, sigma)
    power = _surroundings((centred**2).mean(dim=1, keepdim=True), sigma)
    return centred / (power.clamp_min(0).sqrt() + CONTRAST_FLOOR)


LOG_OFFSET = 0.04
"""Choice: keeps the logarithm of black finite and its noise small."""
CONTRAST_FLOOR = 0.03
"""Choice: about the noise of a good photo, so that bare skin is not blown up."""


def _surroundings(x: Tensor, sigma: float) -> Tensor:
    reach = int(3 * sigma)
    steps = torch.arange(-reach, reach + 1, device=x.device, dtype=x.dtype)
    kernel = torch.exp(-0.5 * (steps / sigma) ** 2)
    kernel = (kernel / kernel.sum()).view(1, 1, 1, -1)
    channels = x.shape[1]
    small = nn.functional.avg_pool2d(x, 8)
    across = kernel.expand(channels, 1, 1, -1)
    small = nn.functional.pad(small, (reach, reach, 0, 0), mode="replicate")
    small = nn.functional.conv2d(small, across, groups=channels)
    small = nn.functional.pad(small, (0, 0, reach, reach), mode="replicate")
    small = nn.functional.conv2d(small, across.transpose(2, 3), groups=channels)
    return nn.functional.interpolate(small, scale_factor=8, mode="bilinear", align_corners=False)
