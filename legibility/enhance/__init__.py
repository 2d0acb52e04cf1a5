"""Enhancement: even light, masks of glare and hair, ink told from skin, contrast.

Each step is a pure function that can be used alone; :func:`enhance` runs them in order.
"""

from __future__ import annotations

from legibility.enhance.chain import STEPS, enhance
from legibility.enhance.contrast import dot_join, stretch_contrast
from legibility.enhance.glare import find_glare
from legibility.enhance.hair import find_hair
from legibility.enhance.illumination import flatten_illumination
from legibility.enhance.ink import separate_ink, unmix
from legibility.enhance.pictures import picture_steps, step_pictures

__all__ = [
    "STEPS",
    "dot_join",
    "enhance",
    "find_glare",
    "find_hair",
    "flatten_illumination",
    "picture_steps",
    "separate_ink",
    "step_pictures",
    "stretch_contrast",
    "unmix",
]
