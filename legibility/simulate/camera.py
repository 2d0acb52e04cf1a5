"""The camera: lens blur, motion, exposure, noise, colour, sharpening and JPEG."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.containers import ColorImage
from legibility.simulate.ink import line_kernel
from legibility.simulate.texture import blur

_GRAIN_GAIN = 0.0270
"""Measured here: brings random bytes after the 3x3 blur to unit deviation; the blur also makes
them nearly normal, at a fifth of the time of normal numbers."""
_BAND = 48
"""Choice: lines worked on at a time, so that they stay in the processor's cache."""


@dataclass(frozen=True, slots=True)
class CameraSpec:
    """How the picture was taken and stored."""

    defocus_px: float
    """Deviation of the lens blur, pixels."""
    motion_px: float
    """Way the picture moved during exposure."""
    motion_angle_deg: float
    exposure: float
    """Mean linear brightness of the ear in the picture, 0.05..0.7."""
    white_balance: tuple[float, float, float]
    """Gains of red, green, blue."""
    shot_noise: float
    """Variance per unit of light (linear)."""
    read_noise: float
    """Deviation in the dark (linear)."""
    vignetting: float
    """Loss of light in the corners, 0..0.6."""
    contrast: float
    """Strength of the S-curve, 0..0.5."""
    saturation: float
    sharpening: float
    """Gain of the unsharp mask, 0..1.5."""
    jpeg_quality: int
    shot: int = 0
    """Number of the shot: another one of the same scene has other grain."""


def sample_camera(rng: np.random.Generator, *, sharp: bool = False) -> CameraSpec:
    """A camera drawn at random; ``sharp`` keeps blur and noise low."""
    blurred = not sharp and rng.random() < 0.2
    moved = not sharp and rng.random() < 0.15
    noise = 0.0003 if sharp else float(np.exp(rng.uniform(math.log(1e-4), math.log(4e-3))))
    cast = rng.normal(0.0, 0.05, size=3)
    return CameraSpec(
        defocus_px=float(rng.uniform(1.5, 4.0) if blurred else rng.uniform(0.3, 1.1)),
        motion_px=float(rng.uniform(3.0, 14.0)) if moved else 0.0,
        motion_angle_deg=float(rng.uniform(0.0, 180.0)),
        exposure=float(np.clip(rng.normal(0.30, 0.09), 0.08, 0.65)),
        white_balance=(float(1 + cast[0]), 1.0, float(1 + cast[2])),
        shot_noise=noise,
        read_noise=float(noise**0.5 * rng.uniform(0.05, 0.2)),
        vignetting=float(rng.uniform(0.0, 0.35)),
        contrast=float(rng.uniform(0.0, 0.35)),
        saturation=float(rng.uniform(0.75, 1.2)),
        sharpening=float(rng.uniform(0.0, 1.0)),
        jpeg_quality=int(rng.integers(55, 97)),
    )


def srgb(linear: NDArray[np.float32]) -> NDArray[np.float32]:
    """sRGB transfer function of values 0..1, IEC 61966-2-1; its two branches meet as a maximum."""
    clipped = np.clip(linear, 0.0, 1.0)
    curve = cv2.pow(clipped, 1.0 / 2.4) * np.float32(1.055) - np.float32(0.055)
    foot = np.minimum(clipped * np.float32(12.92), np.float32(0.04045))
    return np.asarray(np.maximum(curve, foot), dtype=np.float32)


def lens_and_motion(light: NDArray[np.float32], spec: CameraSpec) -> NDArray[np.float32]:
    """The picture after defocus and motion, same shape."""
    seen = light
    if spec.defocus_px > 0.2:
        seen = blur(seen, sigma_px=spec.defocus_px)
    if spec.motion_px >= 1.0:
        kernel = line_kernel(spec.motion_px, spec.motion_angle_deg)
        seen = cv2.filter2D(seen, -1, kernel, borderType=cv2.BORDER_REFLECT_101)
    return np.asarray(seen, dtype=np.float32)


def develop(
    light: NDArray[np.float32],
    spec: CameraSpec,
    *,
    meter: float,
    rng: np.random.Generator,
) -> tuple[ColorImage, bytes]:
    """A stored photo of the light that came through the lens.

    Parameters
    ----------
    light : (height, width, 3) float32
        Linear light, already blurred.
    meter : float
        Mean light on what is exposed for.

    Returns
    -------
    pixels : (height, width, 3) uint8
        RGB as decoded from the file.
    jpeg : bytes
        The file.
    """
    height, width = light.shape[:2]
    grain = rng.integers(0, 256, size=(height, width, 3), dtype=np.uint8)
    grain = cv2.GaussianBlur(grain, (3, 3), 0.6)
    stored = np.empty((height, width, 3), dtype=np.uint8)
    for top in range(0, height, _BAND):
        band = slice(top, min(top + _BAND, height))
        stored[band] = _expose(light[band], grain[band], spec, meter=meter, top=top, height=height)
    if spec.contrast > 0:
        tone = np.linspace(0.0, 1.0, 256)
        curve = tone + spec.contrast * (tone * tone * (3.0 - 2.0 * tone) - tone)
        stored = cv2.LUT(stored, np.round(255.0 * curve).astype(np.uint8))
    if spec.saturation != 1.0:
        gray = cv2.cvtColor(stored, cv2.COLOR_RGB2GRAY)
        gray = cv2.merge((gray, gray, gray))
        stored = cv2.addWeighted(stored, spec.saturation, gray, 1.0 - spec.saturation, 0.0)
    if spec.sharpening > 0:
        soft = cv2.GaussianBlur(stored, (5, 5), 1.1)
        stored = cv2.addWeighted(stored, 1.0 + spec.sharpening, soft, -spec.sharpening, 0.0)
    return _jpeg(stored, spec.jpeg_quality)


def _expose(
    light: NDArray[np.float32],
    grain: ColorImage,
    spec: CameraSpec,
    *,
    meter: float,
    top: int,
    height: int,
) -> ColorImage:
    """Some lines of the picture, the first one being line ``top`` of ``height``."""
    lines, width = light.shape[:2]
    gain = spec.exposure / max(meter, 1e-4)
    x = np.linspace(-1, 1, width, dtype=np.float32)[None, :] ** 2
    y = np.linspace(-1, 1, height, dtype=np.float32)[top : top + lines, None] ** 2
    reach = 1.0 - np.float32(spec.vignetting / 2) * (x + y)
    signal = light * cv2.merge([reach * np.float32(gain * value) for value in spec.white_balance])
    variance = np.maximum(signal, 0.0) * np.float32(spec.shot_noise)
    variance += np.float32(spec.read_noise**2)
    unit = (grain.astype(np.float32) - np.float32(127.5)) * np.float32(_GRAIN_GAIN)
    signal += cv2.sqrt(variance) * unit
    return np.asarray(cv2.convertScaleAbs(srgb(signal), alpha=255.0), dtype=np.uint8)


def _jpeg(pixels: ColorImage, quality: int) -> tuple[ColorImage, bytes]:
    parameters = [cv2.IMWRITE_JPEG_QUALITY, int(np.clip(quality, 5, 100))]
    done, buffer = cv2.imencode(".jpg", cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR), parameters)
    if not done:
        raise ValueError(f"a picture of shape {pixels.shape} could not be stored as JPEG")
    decoded = cv2.cvtColor(cv2.imdecode(buffer, cv2.IMREAD_COLOR), cv2.COLOR_BGR2RGB)
    return np.asarray(decoded, dtype=np.uint8), buffer.tobytes()
