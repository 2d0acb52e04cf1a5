"""Pictures of the enhancement steps for a person to look at."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np

from legibility.containers import ColorImage, Enhanced, Mask

GLARE_COLOR = (230, 159, 0)
HAIR_COLOR = (0, 114, 178)
"""Orange and blue of Okabe & Ito (2008), "Color universal design", told apart in all common forms
of colour blindness (values from memory); the hatchings run opposite ways as well."""
HATCH_PERIOD_SHARE = 0.012
"""Choice: distance between the lines of a hatching, as a share of the longest side."""
HATCH_SHARE = 0.45
"""Choice: share of the area that the lines of a hatching cover."""
DECODED = "decoded, turned upright, RGB"
"""First step of every picture."""
TINT = 0.35
"""Choice: how strongly the area between the lines takes the mask's colour."""


def step_pictures(enhanced: Enhanced) -> dict[str, ColorImage]:
    """One picture for each thing the chain found, by name, in order.

    Returns
    -------
    dict
        (height, width, 3), RGB, uint8 each: ``photo``; ``even_light``; ``glare``, ``hair`` and
        ``not_seen``, the photo with the masked area hatched and outlined (glare orange, lines
        rising to the right; hair blue, falling); ``ink``, dark on white.
    """
    glare = hatched(enhanced.pixels, enhanced.glare, color=GLARE_COLOR, rising=True)
    hair = hatched(enhanced.pixels, enhanced.hair, color=HAIR_COLOR, rising=False)
    both = hatched(glare, enhanced.hair, color=HAIR_COLOR, rising=False)
    ink = np.round(255 * (1 - np.clip(enhanced.ink, 0, 1))).astype(np.uint8)
    return {
        "photo": enhanced.pixels.copy(),
        "even_light": enhanced.flat.copy(),
        "glare": glare,
        "hair": hair,
        "not_seen": both,
        "ink": np.repeat(ink[..., None], 3, axis=2),
    }


def picture_steps(enhanced: Enhanced, *, without: Collection[str] = ()) -> dict[str, list[str]]:
    """What was done to the original for each of :func:`step_pictures`, in order."""
    start = [DECODED]
    if enhanced.scale < 1:
        start.append(f"reduced to {enhanced.scale:.6g} of its size by averaging areas")
    used = {
        "photo": (),
        "even_light": ("illumination", "contrast"),
        "glare": ("glare",),
        "hair": ("illumination", "hair"),
        "not_seen": ("illumination", "glare", "hair"),
        "ink": ("illumination", "glare", "hair", "ink"),
    }
    masks = {"glare", "hair", "not_seen"}
    return {
        name: [
            *start,
            *(step for step in steps if step not in without),
            *(["hatched where it was found"] if name in masks else []),
        ]
        for name, steps in used.items()
    }


def hatched(
    pixels: ColorImage, mask: Mask, *, color: tuple[int, int, int], rising: bool
) -> ColorImage:
    """A copy of a picture with an area tinted, hatched and outlined in black and white.

    Parameters
    ----------
    pixels : ColorImage
        (height, width, 3), RGB, uint8.
    mask : Mask
        (height, width).
    color : tuple of int
        RGB, 0..255.
    rising : bool
        Lines rise to the right, else they fall.
    """
    height, width = mask.shape
    period = max(4, round(HATCH_PERIOD_SHARE * max(height, width)))
    rows, columns = np.arange(height)[:, None], np.arange(width)[None, :]
    diagonal = rows + columns if rising else rows - columns
    lines = (diagonal % period) < HATCH_SHARE * period
    paint = np.array(color, np.float32)
    picture = pixels.copy()
    between = mask & ~lines
    picture[between] = np.round((1 - TINT) * picture[between] + TINT * paint).astype(np.uint8)
    picture[mask & lines] = paint.astype(np.uint8)
    rim = _outside_rim(mask)
    picture[rim] = np.where(lines[rim][:, None], 0, 255).astype(np.uint8)
    return picture


def _outside_rim(mask: Mask) -> Mask:
    """Pixels next to a mask but not in it."""
    padded = np.pad(mask, 1)
    near = padded[:-2, 1:-1] | padded[2:, 1:-1] | padded[1:-1, :-2] | padded[1:-1, 2:]
    rim: Mask = near & ~mask
    return rim
