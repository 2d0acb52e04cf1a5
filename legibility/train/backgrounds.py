"""Photographs for the training scenes, from Debian's package ``opencv-doc`` (never shipped).

The evaluation scenes use the photographs of scikit-image and scikit-learn, and the outside checks
use other files of ``opencv-doc``; the names below are disjoint from both.
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np

from legibility.errors import PhotoError
from legibility.train.atlas import LAYER_PX

FOLDER = Path("/usr/share/doc/opencv-doc/examples")
"""Where Debian installs the package's examples."""
NAMES = (
    "data/chicky_512.png",
    "data/rubberwhale1.png",
    "data/leuvenA.jpg",
    "data/aloeL.jpg",
    "data/starry_night.jpg",
    "data/baboon.jpg",
    "data/basketball1.png",
    "data/fruits.jpg",
    "data/home.jpg",
    "data/orange.jpg",
    "data/apple.jpg",
    "data/smarties.png",
    "data/stuff.jpg",
    "data/graf1.png",
    "data/HappyFish.jpg",
    "data/ela_original.jpg",
    "data/cards.png",
    "data/gradient.png",
    "dnn_superres/butterfly.png",
    "alphamat/input_images/plant.jpg",
)


def collect(target: Path, *, folder: Path = FOLDER) -> int:
    """Write the pictures as ``pictures`` (n, LAYER_PX, LAYER_PX, 3) uint8 RGB; returns n."""
    pictures = []
    for name in NAMES:
        picture = cv2.imread(str(folder / name), cv2.IMREAD_COLOR)
        if picture is None:
            continue
        pictures.append(
            cv2.resize(picture, (LAYER_PX, LAYER_PX), interpolation=cv2.INTER_AREA)[..., ::-1]
        )
    if not pictures:
        raise PhotoError(f"{folder}: none of the background pictures is there; install opencv-doc")
    np.savez_compressed(target, pictures=np.stack(pictures))
    return len(pictures)
