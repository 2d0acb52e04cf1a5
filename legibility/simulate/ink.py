"""Ink under the skin: how needles cover it, and what colour that gives (Beer-Lambert).

The two functions :func:`coverage` and :func:`stain` are the definition other renderers must agree
with.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.containers import GrayImage
from legibility.simulate.texture import blur

INK_ABSORBANCE: Final[dict[str, tuple[float, float, float]]] = {
    "green": (2.30, 1.00, 1.70),
    "black": (2.20, 2.20, 2.10),
    "red-brown": (0.75, 1.90, 2.10),
    "blue-green": (1.90, 1.05, 0.90),
}
"""Absorbance (natural log) of full ink in linear red, green, blue. Choice, looked at on rendered
skin: green and black are the inks handbooks name (green for dark, black for light skin); red-brown
and blue-green are what old ink turns to (common practice, no source)."""

_PIGMENT_VEIL: Final = 0.45
"""Choice: how fast pigment hides ink, per unit of melanin."""
_REACH_IN_SOFTNESS: Final = 10.0
"""Choice: beyond this many softnesses outside a dot its profile is below 5e-5 and left out."""


@dataclass(frozen=True, slots=True)
class InkSpec:
    """One ink as it lies in the skin."""

    kind: str
    """Key of ``INK_ABSORBANCE``."""
    strength: float
    """Factor on the absorbance, about 0.5..1.4."""
    softness: float
    """Softness of a dot's edge as a share of its radius, about 0.15..0.6."""
    radius_spread: float
    """Deviation of the logarithm of a dot's radius."""
    density_spread: float
    """Deviation of the logarithm of a dot's density."""


def coverage(
    needles: NDArray[np.floating], shape: tuple[int, int], *, softness: float
) -> GrayImage:
    r"""Share of full ink at each pixel.

    .. math:: c = 1 - \prod_i (1 - a_i \sigma((r_i - d_i) / s))

    with :math:`d_i` the distance to the middle of dot i, :math:`r_i` its radius, :math:`a_i` its
    density, s the softness and :math:`\sigma` the logistic function.

    Parameters
    ----------
    needles : (n, 4) float
        x, y, radius in pixels; density 0..1.
    shape : (height, width)
    softness : float
        Pixels, positive.

    Returns
    -------
    ndarray of float32, (height, width), 0..1

    Raises
    ------
    ValueError
        If the softness is not positive.
    """
    if not softness > 0:
        raise ValueError(f"softness is {softness}; expected a positive number of pixels")
    height, width = shape
    clear = np.ones(shape, dtype=np.float32)
    for x, y, radius, density in np.asarray(needles, dtype=np.float64).reshape(-1, 4):
        reach = radius + _REACH_IN_SOFTNESS * softness
        left, right = max(math.floor(x - reach), 0), min(math.ceil(x + reach) + 1, width)
        top, bottom = max(math.floor(y - reach), 0), min(math.ceil(y + reach) + 1, height)
        if left >= right or top >= bottom or density <= 0:
            continue
        columns = np.arange(left, right, dtype=np.float32) - np.float32(x)
        lines = np.arange(top, bottom, dtype=np.float32) - np.float32(y)
        distance = np.sqrt(columns[None, :] ** 2 + lines[:, None] ** 2)
        profile = 0.5 * (1.0 + np.tanh((radius - distance) / np.float32(2.0 * softness)))
        clear[top:bottom, left:right] *= 1.0 - np.float32(density) * profile.astype(np.float32)
    return np.asarray(1.0 - clear, dtype=np.float32)


def stain(
    skin: NDArray[np.float32], ink: GrayImage, absorbance: NDArray[np.floating]
) -> NDArray[np.float32]:
    """Skin seen through ink: ``skin * exp(-coverage * absorbance)``.

    Parameters
    ----------
    skin : (height, width, 3) float32
        Linear reflectance or transmittance.
    ink : (height, width) float32
        Coverage, 0..1.
    absorbance : (3,) float
        Natural-log absorbance of full ink in red, green, blue.

    Returns
    -------
    (height, width, 3) float32
    """
    rate = np.asarray(absorbance, dtype=np.float32)
    path = cv2.merge([ink * -rate[0], ink * -rate[1], ink * -rate[2]])
    return np.asarray(skin * cv2.exp(path), dtype=np.float32)


def absorbance_of(spec: InkSpec, *, fading: float) -> NDArray[np.float32]:
    """Absorbance of the ink as it is now, (3,) float32: fading greens turn towards blue-grey."""
    fresh = np.asarray(INK_ABSORBANCE[spec.kind], dtype=np.float32)
    old = np.asarray(INK_ABSORBANCE["blue-green"], dtype=np.float32)
    share = np.float32(0.0 if spec.kind == "red-brown" else 0.5 * min(max(fading, 0.0), 1.0))
    return np.asarray(spec.strength * ((1 - share) * fresh + share * old), dtype=np.float32)


def dimmed(absorbance: NDArray[np.float32], *, melanin: float) -> NDArray[np.float32]:
    """Absorbance as seen from the front through pigment, (3,) float32.

    Pigment lies above the ink and sends light back before it reaches the ink, so that dark ears
    hide a mark that light from behind still shows (extension handbooks: almost unreadable unless a
    torch is held behind the ear). The strength is a choice, looked at on rendered photos.
    """
    return np.asarray(absorbance * np.exp(-_PIGMENT_VEIL * max(melanin, 0.0)), dtype=np.float32)


def sample_ink(rng: np.random.Generator, *, kind: str | None = None) -> InkSpec:
    """An ink drawn at random; each kind is as likely as its use suggests (choice)."""
    if kind is None:
        kind = str(
            rng.choice(["green", "black", "red-brown", "blue-green"], p=[0.45, 0.3, 0.1, 0.15])
        )
    if kind not in INK_ABSORBANCE:
        raise ValueError(f"ink {kind!r} is not known; expected one of {', '.join(INK_ABSORBANCE)}")
    return InkSpec(
        kind=kind,
        strength=float(rng.uniform(0.65, 1.3)),
        softness=float(rng.uniform(0.18, 0.5)),
        radius_spread=float(rng.uniform(0.03, 0.2)),
        density_spread=float(rng.uniform(0.05, 0.3)),
    )


def spread_ink(ink: GrayImage, *, bleed: float, bleed_px: float) -> GrayImage:
    """Ink that wandered: a share of it is spread to a halo (its total stays the same).

    Parameters
    ----------
    ink : (height, width) float32
    bleed : float
        Share that wandered, 0..1.
    bleed_px : float
        Deviation of the way it went, pixels.
    """
    if bleed <= 0 or bleed_px < 0.2:
        return ink
    halo = blur(ink, sigma_px=bleed_px)
    return np.asarray((1 - bleed) * ink + bleed * halo, dtype=np.float32)


def smudge_ink(ink: GrayImage, *, smudge: float, length_px: float, angle_deg: float) -> GrayImage:
    """Ink rubbed in one direction while it was wet; never removes what is in the skin.

    Parameters
    ----------
    ink : (height, width) float32
    smudge : float
        Strength of the trail, 0..1.
    length_px : float
        Length of the trail.
    angle_deg : float
        Direction, counter-clockwise from the picture's right.
    """
    if smudge <= 0 or length_px < 1.0:
        return ink
    trail = cv2.filter2D(ink, -1, line_kernel(length_px, angle_deg))
    return np.asarray(np.maximum(ink, smudge * trail * 1.6).clip(0.0, 1.0), dtype=np.float32)


def line_kernel(length_px: float, angle_deg: float) -> GrayImage:
    """Kernel of a straight move with constant speed; odd size, sums to one."""
    half = max(math.ceil(length_px / 2.0), 1)
    size = 2 * half + 1
    canvas = np.zeros((size, size), dtype=np.uint8)
    dx = 0.5 * length_px * math.cos(math.radians(angle_deg))
    dy = -0.5 * length_px * math.sin(math.radians(angle_deg))
    start = (round((half - dx) * 16), round((half - dy) * 16))
    end = (round((half + dx) * 16), round((half + dy) * 16))
    cv2.line(canvas, start, end, 255, 1, cv2.LINE_AA, 4)
    kernel = canvas.astype(np.float32)
    return np.asarray(kernel / max(float(kernel.sum()), 1.0), dtype=np.float32)
