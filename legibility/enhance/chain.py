"""The enhancement steps in order, each of which can be left out or shown."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import replace
from types import MappingProxyType

import cv2
import numpy as np

from legibility.containers import ColorImage, Enhanced, GrayImage, Photo
from legibility.enhance.contrast import stretch_contrast
from legibility.enhance.glare import find_glare
from legibility.enhance.hair import find_hair
from legibility.enhance.illumination import flatten_illumination
from legibility.enhance.ink import separate_ink
from legibility.errors import SettingsError
from legibility.settings import Settings

Step = Callable[[Enhanced], Enhanced]


def _illumination(state: Enhanced) -> Enhanced:
    return replace(state, flat=flatten_illumination(state.pixels))


def _glare(state: Enhanced) -> Enhanced:
    return replace(state, glare=find_glare(state.pixels))


def _hair(state: Enhanced) -> Enhanced:
    return replace(state, hair=find_hair(state.flat))


def _ink(state: Enhanced) -> Enhanced:
    return replace(state, ink=separate_ink(state.flat, not_seen=state.glare | state.hair))


def _contrast(state: Enhanced) -> Enhanced:
    return replace(state, flat=stretch_contrast(state.flat))


STEPS: Mapping[str, Step] = MappingProxyType(
    {
        "illumination": _illumination,
        "glare": _glare,
        "hair": _hair,
        "ink": _ink,
        "contrast": _contrast,
    }
)
"""Name -> step, in the order they are run. Masks and ink are found before contrast is stretched,
which would bring out the grain of the skin too."""


def enhance(
    photo: Photo,
    *,
    working_px: int | None = None,
    settings: Settings | None = None,
    without: Collection[str] = (),
) -> Enhanced:
    """Everything later stages look at, at the working scale.

    Parameters
    ----------
    photo : Photo
        The decoded picture; not modified.
    working_px : int or None
        Longest side of the working picture; ``settings.working_side_px`` when not given.
    settings : Settings or None
        Defaults when not given. Smaller photos are not enlarged.
    without : collection of str
        Names of ``STEPS`` to leave out: no mask is found, the light or contrast stays as it is, or
        the ink is plain darkness.

    Returns
    -------
    Enhanced
        Pictures and masks, all of one size.

    Raises
    ------
    SettingsError
        If ``without`` names an unknown step or ``working_px`` is below 1.
    """
    unknown = sorted(set(without) - set(STEPS))
    if unknown:
        raise SettingsError(f"unknown step {unknown[0]!r} to leave out; known: {', '.join(STEPS)}")
    longest = (settings or Settings()).working_side_px if working_px is None else working_px
    if longest < 1:
        raise SettingsError(f"working_px is {longest}; expected at least 1 pixel")
    pixels, scale = at_working_scale(photo.pixels, working_px=longest)
    nothing = np.zeros(pixels.shape[:2], np.bool_)
    state = Enhanced(
        pixels=pixels,
        scale=scale,
        flat=pixels.copy(),
        ink=darkness(pixels),
        glare=nothing,
        hair=nothing.copy(),
    )
    for name, step in STEPS.items():
        if name not in without:
            state = step(state)
    return state


def at_working_scale(pixels: ColorImage, *, working_px: int) -> tuple[ColorImage, float]:
    """The picture reduced to the working size, and working pixels per photo pixel (<= 1).

    Pixel areas are averaged, so that no needle mark falls between samples. A picture that is small
    enough is copied.
    """
    height, width = pixels.shape[:2]
    scale = min(1.0, working_px / max(height, width))
    if scale == 1.0:
        return pixels.copy(), 1.0
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    return cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), scale


def darkness(pixels: ColorImage) -> GrayImage:
    """Plain darkness, 0 (white) .. 1 (black), float32: the ink map when nothing is known of ink."""
    gray = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    dark: GrayImage = np.float32(1) - gray.astype(np.float32) / np.float32(255)
    return dark
