"""The package's networks: where their files are, how their input is made, how they are run."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any, Final, TypeAlias, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.containers import ColorImage
from legibility.errors import ModelError

MODELS: Final = Path(__file__).parent / "models"
"""Folder of the shipped network files."""
NetworkInput: TypeAlias = NDArray[np.float32]
"""(3, height, width) normalised log colour."""

LOG_OFFSET: Final = 0.04
"""As in training: keeps the logarithm of black finite and its noise small."""
CONTRAST_FLOOR: Final = 0.03
"""As in training: about the noise of a good photo, so that bare skin is not blown up."""
BLOCK_PX: Final = 8
"""As in training: surroundings are averaged over blocks of this side."""


REDNESS_WEIGHTS: Final = np.array([1.0, -0.5, -0.5], dtype=np.float32)
"""Choice: log red less the mean of log green and log blue. Skin reflects red best, while green,
blue-green and black ink take it away, so ink is dark here even where it is as bright as skin."""
REDNESS_GAIN: Final = 2.0
"""Choice: contrast of the redness picture; the networks even out contrast above their floor."""
REDNESS_GREY: Final = 120.0
"""Choice: grey value of the median redness, about half way."""
REDNESS_SIGMA_PX: Final = 0.7
"""Choice: smoothing, as colour is noisier than brightness (JPEG keeps half its resolution)."""


def redness(pixels: ColorImage) -> ColorImage:
    """How red each pixel is against the picture's median, as a grey picture for the networks.

    The networks learned ink that is darker than skin. In this picture green ink is dark on any
    skin; red-brown ink vanishes, so it is a second look and never the only one.

    Parameters
    ----------
    pixels : (height, width, 3) uint8 RGB

    Returns
    -------
    (height, width, 3) uint8, three equal channels
    """
    opponent = _LOG_TABLE[pixels] @ REDNESS_WEIGHTS
    smooth = cv2.GaussianBlur(opponent, (0, 0), REDNESS_SIGMA_PX)
    grey = REDNESS_GREY * np.exp(REDNESS_GAIN * (smooth - np.median(smooth)))
    return np.repeat(np.clip(grey, 0, 255).astype(np.uint8)[..., None], 3, axis=2)


@cache
def _network(name: str) -> Any:
    path = MODELS / f"{name}.onnx"
    if not path.is_file():
        raise ModelError(f"{path}: the {name} network is missing; install the package again")
    try:
        return cv2.dnn.readNetFromONNX(str(path))
    except cv2.error as error:
        raise ModelError(f"{path}: OpenCV cannot load the {name} network: {error}") from error


def run_network(
    name: str, inputs: NDArray[np.float32], *, outputs: Sequence[str]
) -> tuple[NDArray[np.float32], ...]:
    """Outputs of a shipped network for a batch (n, 3, height, width) float32.

    Raises
    ------
    ModelError
        If the file is missing or cannot be loaded.
    """
    network = _network(name)
    network.setInput(np.ascontiguousarray(inputs))
    return tuple(np.asarray(value) for value in network.forward(list(outputs)))


_Model = TypeVar("_Model")


def model_from_json(path: Path, make: Callable[[Mapping[str, Any]], _Model]) -> _Model:
    """A small shipped model from its JSON file.

    Parameters
    ----------
    make : callable
        Builds the model from the file's values; may raise what a missing or wrong value raises.

    Raises
    ------
    ModelError
        If the file is missing, is no JSON, or lacks a value.
    """
    try:
        return make(json.loads(path.read_text(encoding="utf-8")))
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise ModelError(f"{path}: cannot be read: {error}; install the package again") from error


@cache
def models_sha256() -> str:
    """Hex digest over all model files in the order of their names."""
    digest = hashlib.sha256()
    for path in sorted(MODELS.iterdir()):
        if path.suffix in {".onnx", ".json", ".npz"}:
            digest.update(path.name.encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()


def normalise(pixels: ColorImage, *, sigma_blocks: float) -> NetworkInput:
    """Log colour less its surroundings, over the local contrast.

    The same formula as ``train.networks.normalise``; a test holds the two together.

    Parameters
    ----------
    pixels : (height, width, 3) uint8 RGB, both sides divisible by ``BLOCK_PX``
    sigma_blocks : standard deviation of the surroundings in blocks

    Returns
    -------
    (3, height, width) float32
    """
    logs = _LOG_TABLE[pixels]
    centred = logs - _surroundings(logs, sigma_blocks)
    power = _surroundings((centred * centred).mean(axis=2), sigma_blocks)
    scaled = centred / (np.sqrt(np.maximum(power, 0)) + np.float32(CONTRAST_FLOOR))[..., None]
    return np.ascontiguousarray(scaled.transpose(2, 0, 1))


_LOG_TABLE: Final = np.log(np.arange(256, dtype=np.float32) / 255 + LOG_OFFSET)


def _surroundings(values: NDArray[np.float32], sigma: float) -> NDArray[np.float32]:
    height, width = values.shape[:2]
    small = cv2.resize(
        values, (width // BLOCK_PX, height // BLOCK_PX), interpolation=cv2.INTER_AREA
    )
    reach = int(3 * sigma)
    small = cv2.GaussianBlur(
        small, (2 * reach + 1, 2 * reach + 1), sigma, borderType=cv2.BORDER_REPLICATE
    )
    return np.asarray(cv2.resize(small, (width, height), interpolation=cv2.INTER_LINEAR))
