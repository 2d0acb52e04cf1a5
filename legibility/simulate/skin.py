"""Skin: colour from melanin and blood, patches, pores and wrinkles."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.containers import GrayImage
from legibility.simulate.texture import fractal_noise, smooth_noise, soft_step, stretched_noise

SKIN_KINDS: Final = ("pink", "grey", "dark", "mottled")

_BARE: Final = np.array([0.86, 0.80, 0.75], dtype=np.float32)
"""Choice: linear reflectance of skin without pigment or blood."""
_MELANIN: Final = np.array([0.62, 0.88, 1.35], dtype=np.float32)
"""Choice: absorbance per unit, falling with wavelength as melanin's does."""
_MELANIN_GREY: Final = np.array([0.92, 0.93, 0.96], dtype=np.float32)
"""Choice: deep pigment seen through scattering skin looks grey instead of brown."""
BLOOD: Final = np.array([0.16, 1.00, 0.80], dtype=np.float32)
"""Choice: absorbance per unit of blood, strongest in green."""


@dataclass(frozen=True, slots=True)
class SkinSpec:
    """What the skin is made of."""

    kind: str
    melanin: float
    """Units of pigment, 0.05 (white animal) .. 2.6 (black)."""
    grey: float
    """0 brown .. 1 grey pigment."""
    blood: float
    """0.05 (pale) .. 0.8 (flushed)."""
    mottle: float
    """Pigment of the patches beyond the rest, units."""
    mottle_mm: float
    mottle_cover: float
    """Share of the skin that is patched, 0..1."""
    mottle_edge: float
    """Softness of the patches' edges, 0.1 (sharp) .. 1.2."""
    pores: float
    """Contrast of pores, 0..0.1."""
    pore_mm: float
    wrinkles: float
    """Height of wrinkles, 0..1."""
    wrinkle_mm: float
    wrinkle_angle_deg: float


def sample_skin(rng: np.random.Generator, *, kind: str | None = None) -> SkinSpec:
    """Skin drawn at random.

    Raises
    ------
    ValueError
        If ``kind`` is not one of ``SKIN_KINDS``.
    """
    if kind is None:
        kind = str(rng.choice(SKIN_KINDS, p=[0.5, 0.2, 0.12, 0.18]))
    if kind not in SKIN_KINDS:
        raise ValueError(f"skin {kind!r} is not known; expected one of {', '.join(SKIN_KINDS)}")
    melanin = {"pink": (0.05, 0.35), "grey": (0.5, 1.0), "dark": (1.3, 2.2), "mottled": (0.1, 0.5)}
    grey = {"pink": (0.0, 0.5), "grey": (0.6, 1.0), "dark": (0.4, 0.95), "mottled": (0.1, 0.9)}
    blood = {"pink": (0.12, 0.55), "grey": (0.05, 0.3), "dark": (0.05, 0.3), "mottled": (0.1, 0.5)}
    return SkinSpec(
        kind=kind,
        melanin=float(rng.uniform(*melanin[kind])),
        grey=float(rng.uniform(*grey[kind])),
        blood=float(rng.uniform(*blood[kind])),
        mottle=float(rng.uniform(0.5, 1.6) if kind == "mottled" else rng.uniform(0.0, 0.15)),
        mottle_mm=float(rng.uniform(2.0, 12.0)),
        mottle_cover=float(rng.uniform(0.15, 0.6)),
        mottle_edge=float(rng.uniform(0.15, 1.2)),
        pores=float(rng.uniform(0.01, 0.07)),
        pore_mm=float(rng.uniform(0.25, 0.6)),
        wrinkles=float(rng.beta(1.2, 3.0)),
        wrinkle_mm=float(rng.uniform(0.5, 1.6)),
        wrinkle_angle_deg=float(rng.uniform(0.0, 180.0)),
    )


def skin_absorbance(
    spec: SkinSpec,
    shape: tuple[int, int],
    *,
    px_per_mm: float,
    rng: np.random.Generator,
    veins: GrayImage,
) -> NDArray[np.float32]:
    """Natural-log absorbance of the skin, (height, width, 3) float32.

    Parameters
    ----------
    veins : (height, width) float32
        Extra blood, units.
    """
    patches = fractal_noise(rng, shape, scale_px=spec.mottle_mm * px_per_mm, octaves=4)
    threshold = float(np.quantile(patches[::8, ::8], 1.0 - spec.mottle_cover))
    melanin = spec.mottle * soft_step(patches, threshold=threshold, width=spec.mottle_edge)
    melanin += spec.melanin * (
        1.0 + 0.10 * fractal_noise(rng, shape, scale_px=14.0 * px_per_mm, octaves=3)
    )
    fine = smooth_noise(rng, shape, scale_px=max(spec.pore_mm * px_per_mm, 1.0))
    melanin += spec.pores * (0.4 + spec.melanin) * fine
    flush = fractal_noise(rng, shape, scale_px=9.0 * px_per_mm, octaves=4)
    blood = spec.blood * (1.0 + 0.22 * flush) + veins + 0.5 * spec.pores * fine
    pigment = (1 - spec.grey) * _MELANIN + spec.grey * _MELANIN_GREY
    melanin, blood = np.maximum(melanin, 0.0), np.maximum(blood, 0.0)
    planes = [
        cv2.addWeighted(melanin, float(own), blood, float(red), 0.0)
        for own, red in zip(pigment, BLOOD, strict=True)
    ]
    return np.asarray(cv2.merge(planes), dtype=np.float32)


def skin_reflectance(absorbance: NDArray[np.float32]) -> NDArray[np.float32]:
    """Linear reflectance of skin without ink, (height, width, 3) float32."""
    shifted = cv2.subtract((*(float(value) for value in np.log(_BARE)), 0.0), absorbance)
    return np.asarray(cv2.exp(shifted), dtype=np.float32)


def skin_relief(
    spec: SkinSpec, shape: tuple[int, int], *, px_per_mm: float, rng: np.random.Generator
) -> GrayImage:
    """Height of the skin's surface in pixels, (height, width) float32: folds, wrinkles, pores."""
    across = spec.wrinkle_mm * px_per_mm
    crease = stretched_noise(
        rng,
        shape,
        along_px=7.0 * across,
        across_px=across,
        angle_deg=spec.wrinkle_angle_deg,
    )
    crossing = stretched_noise(
        rng,
        shape,
        along_px=4.0 * across,
        across_px=0.8 * across,
        angle_deg=spec.wrinkle_angle_deg + 65.0,
    )
    height = -0.16 * across * spec.wrinkles * (np.abs(crease) + 0.6 * np.abs(crossing))
    pore_px = spec.pore_mm * px_per_mm
    if pore_px > 1.2:
        height += 2.0 * spec.pores * pore_px * smooth_noise(rng, shape, scale_px=1.6 * pore_px)
    height += 0.28 * px_per_mm * fractal_noise(rng, shape, scale_px=12.0 * px_per_mm, octaves=2)
    return np.asarray(height, dtype=np.float32)
