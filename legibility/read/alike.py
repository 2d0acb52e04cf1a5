"""How much two places of a mark look alike, and what that says of their characters."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from functools import lru_cache
from pathlib import Path
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.containers import GrayImage
from legibility.networks import MODELS, model_from_json
from legibility.read.cells import CellBox

ALIKE_FILE: Final = MODELS / "alike.json"
PATCH: Final = (36, 28)
"""Choice: height and width of a place's picture, in which a character is ``CHARACTER_PX`` high."""
CHARACTER_PX: Final = 31.0
"""As in a strip: the height the locator brings characters to."""
SHIFT_PX: Final = 3
"""Choice: how far two pictures may be shifted against each other; a tenth of the height."""
MOST_TOLD: Final = 2.5
"""Choice: limit of the log-likelihood ratio, so that no likeness overrules a clear character."""


@dataclass(frozen=True, slots=True)
class AlikeModel:
    """Log-likelihood ratio "same character" as a line over the likeness."""

    bias: float
    slope: float
    origin: str = ""

    def log_ratio(self, likeness: NDArray[np.float64]) -> NDArray[np.float64]:
        """Natural logarithm, within ``MOST_TOLD``; same shape as ``likeness``."""
        line = self.bias + self.slope * likeness
        return np.asarray(np.clip(line, -MOST_TOLD, MOST_TOLD), dtype=np.float64)


def place_pictures(ink: GrayImage, boxes: Sequence[CellBox]) -> list[GrayImage]:
    """The ink of each place at one size, ``PATCH`` float32; ``ink`` is the reader's map."""
    height, width = PATCH
    pictures = []
    for box in boxes:
        step = box.height_px / CHARACTER_PX
        to_strip = np.array(
            [
                [step, 0.0, box.x_center - (width - 1) / 2 * step],
                [0.0, step, box.y_center - (height - 1) / 2 * step],
            ]
        )
        pictures.append(
            cv2.warpAffine(
                np.asarray(ink, np.float32),
                to_strip,
                (width, height),
                flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
                borderMode=cv2.BORDER_REPLICATE,
            )
        )
    return pictures


def likeness(pictures: Sequence[GrayImage]) -> NDArray[np.float64]:
    """Largest correlation of each two pictures over small shifts.

    Returns
    -------
    (n, n) float64, -1..1, symmetric, 1 on the diagonal; 0 beside a picture without any contrast
    """
    n = len(pictures)
    out = np.eye(n)
    middles = [picture[SHIFT_PX:-SHIFT_PX, SHIFT_PX:-SHIFT_PX] for picture in pictures]
    for i in range(n):
        for j in range(i):
            found = [
                cv2.matchTemplate(pictures[a], middles[b], cv2.TM_CCOEFF_NORMED).max()
                for a, b in ((i, j), (j, i))
                if pictures[a].std() > 0 and middles[b].std() > 0
            ]
            out[i, j] = out[j, i] = float(np.clip(max(found, default=0.0), -1.0, 1.0))
    return out


def fit_alike(values: NDArray[np.float64], same: NDArray[np.bool_], *, origin: str) -> AlikeModel:
    """Logistic regression of "same character" on the likeness, both kinds weighing the same.

    Parameters
    ----------
    values : (n,) likeness of pairs
    same : (n,) whether both are the same character; both kinds must be there
    """
    from scipy.optimize import minimize

    sign = np.where(same, 1.0, -1.0)
    weight = np.where(same, 0.5 / same.sum(), 0.5 / (~same).sum())

    def loss(line: NDArray[np.float64]) -> float:
        return float((weight * np.logaddexp(0.0, -sign * (line[0] + line[1] * values))).sum())

    bias, slope = minimize(loss, np.zeros(2), method="BFGS").x
    return AlikeModel(float(bias), float(slope), origin)


def save_alike_model(model: AlikeModel, path: Path) -> None:
    """Write the model as JSON; a file of that name is replaced whole."""
    partial = path.with_name(path.name + ".part")
    partial.write_text(json.dumps(asdict(model), indent=1) + "\n", encoding="utf-8")
    partial.replace(path)


@lru_cache(maxsize=1)
def load_alike_model(path: Path = ALIKE_FILE) -> AlikeModel:
    """The shipped model.

    Raises
    ------
    ModelError
        If the file is missing or lacks a number.
    """
    return model_from_json(
        path,
        lambda values: AlikeModel(
            float(values["bias"]), float(values["slope"]), str(values["origin"])
        ),
    )
