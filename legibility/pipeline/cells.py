"""From a sighted mark to calibrated cells: needle model, second reader, fusion, measures."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import N_CLASSES, NO_CHARACTER
from legibility.containers import (
    CellReading,
    GrayImage,
    LogLikelihood,
    NeedleEvidence,
    Points,
    RowStrip,
)
from legibility.enhance.contrast import dot_join
from legibility.locate.rectify import STRIP_HEIGHT_PX, STRIP_WIDTH_PX
from legibility.pipeline.seen_rows import strip_to_photo
from legibility.read.calibration import apply
from legibility.read.cells import CellBox
from legibility.read.fusion import disagreement, fuse
from legibility.read.herd_dies import DieWeights, herd_model, load_die_weights, weigh
from legibility.read.learned_dies import load_dies
from legibility.read.measure import ink_contrast, separation
from legibility.read.needles import NeedleModel, NeedleScores
from legibility.read.network import Place, StripView
from legibility.read.presence import weigh_presence
from legibility.read.reading_model import ReadingModel
from legibility.read.tesseract import SecondOpinion, align, read_row
from legibility.read.twins import weigh_twins

NEEDLE_PITCH: Final = 0.17
"""Choice: distance between neighbouring needles in character heights (5 to 7 dots a height)."""
NO_CELL: Final = 0.95
"""Choice: a place with "no character" more probable than this is dropped."""
PRESENCE_LEAST: Final = 1e-3
"""Choice: presence is kept this far from 0 and 1 before the pool weighs it."""


@dataclass(frozen=True, slots=True)
class Readers:
    """Which readers are asked besides the network."""

    needles: bool = True
    second: bool = True
    second_timeout_s: float = 20.0
    """Choice: seconds after which it is given up, as of the settings."""
    dies: str = ""
    """File of the herd's dies; empty: not known."""


@dataclass(frozen=True, slots=True)
class RowOpinions:
    """What the readers said of a row's places, before they are pooled."""

    boxes: tuple[CellBox, ...]
    network_logp: LogLikelihood
    """(n, 37)."""
    needles: NeedleScores | None
    second: SecondOpinion
    second_logp: LogLikelihood | None
    """(n, 37); None when the second reader was not asked."""
    herd: NeedleScores | None = None
    """What the herd's own dies say; None when they are not known."""
    herd_characters: str = ""
    """Characters whose die is known."""

    @property
    def needle_loglik(self) -> NDArray[np.float64]:
        """(n, 36); zero, i.e. silent, when the needle model was not asked."""
        if self.needles is None:
            return np.zeros((len(self.boxes), N_CLASSES - 1))
        return self.needles.loglik

    @property
    def condition(self) -> NDArray[np.float64]:
        """(n,) how clearly ink shows in each cell, 0..1; what the calibration goes by."""
        if self.needles is None:
            return np.zeros(len(self.boxes))
        return self.needles.condition


@lru_cache(maxsize=1)
def needle_model() -> NeedleModel:
    """The shipped needle model, loaded once a process."""
    return NeedleModel.default()


@lru_cache(maxsize=2)
def herd_dies(file: str, changed: float) -> tuple[NeedleModel, str]:
    """The herd's dies as a needle model, and their characters; loaded once a process.

    Parameters
    ----------
    file : str
    changed : float
        Time of the file's last change, so that a file that learned is loaded again.

    Raises
    ------
    SettingsError
        If the file cannot be used.
    """
    dies = load_dies(Path(file))
    return herd_model(dies, needle_model()), dies.characters


def row_opinions(strip: RowStrip, view: StripView, *, readers: Readers) -> RowOpinions:
    """Ask the readers about the places of an upright row."""
    places = view.places
    boxes = tuple(place.box for place in places)
    network = np.array([_with_presence(place) for place in places]).reshape(-1, N_CLASSES)
    needles = None
    if readers.needles and boxes:
        needles = needle_model().score(view.ink, boxes, not_seen=strip.not_seen)
    herd, known = None, ""
    if readers.dies and boxes:
        own, known = herd_dies(readers.dies, last_change(readers.dies))
        herd = own.score(view.ink, boxes, not_seen=strip.not_seen) if known else None
    second, second_logp = SecondOpinion(), None
    if readers.second and boxes:
        printed = _printed(view.ink, boxes)
        second = read_row(printed, timeout_s=readers.second_timeout_s)
        if second.asked:
            enlarged = printed.shape[1] / view.ink.shape[1]
            second_logp = align(_to_strip_scale(second, enlarged), boxes)
    return RowOpinions(boxes, network, needles, second, second_logp, herd, known)


def last_change(file: str) -> float:
    """Time of a file's last change; 0 when it is missing, which loading it will report."""
    path = Path(file)
    return path.stat().st_mtime if path.exists() else 0.0


def _with_presence(place: Place) -> NDArray[np.float64]:
    """(37,) log-probabilities with "no character" last."""
    presence = float(np.clip(place.presence, PRESENCE_LEAST, 1 - PRESENCE_LEAST))
    return np.append(place.logp + np.log(presence), np.log1p(-presence))


def _printed(ink: GrayImage, boxes: Sequence[CellBox]) -> NDArray[np.uint8]:
    height = float(np.median([box.height_px for box in boxes]))
    return dot_join(ink, pitch_px=NEEDLE_PITCH * height)


def _to_strip_scale(second: SecondOpinion, enlarged: float) -> SecondOpinion:
    """The second reader's places in pixels of the strip; it saw an enlarged picture."""
    symbols = tuple(
        replace(symbol, left=symbol.left / enlarged, right=symbol.right / enlarged)
        for symbol in second.symbols
    )
    return replace(second, symbols=symbols)


def pooled(opinions: RowOpinions, model: ReadingModel) -> LogLikelihood:
    """(n, 37) calibrated log-probabilities of the places of a row."""
    if not opinions.boxes:
        return np.zeros((0, N_CLASSES))
    joint = fuse(opinions.network_logp, opinions.needle_loglik, opinions.second_logp, model.fusion)
    calibrated = apply(model.calibration, joint, opinions.condition)
    weighed = weigh_presence(model.presence, weigh_twins(model.twins, calibrated))
    if opinions.herd is None:
        return weighed
    return weigh(weighed, opinions.herd.loglik, opinions.herd_characters, die_weights())


@lru_cache(maxsize=1)
def die_weights() -> DieWeights:
    """How much the herd's dies count, loaded once a process."""
    return load_die_weights()


def readers_disagree(opinions: RowOpinions, model: ReadingModel) -> float:
    """Largest disagreement of the readers over the cells of a row, 0..1."""
    if not opinions.boxes:
        return 0.0
    values = disagreement(
        opinions.network_logp, opinions.needle_loglik, opinions.second_logp, model.fusion
    )
    return float(values.max())


def is_cell(logp: LogLikelihood) -> bool:
    """Whether a place, (37,), may hold a character; the others are no cells."""
    return bool(logp[NO_CHARACTER] <= math.log(NO_CELL))


def cell_readings(
    strip: RowStrip, view: StripView, opinions: RowOpinions, logp: LogLikelihood
) -> tuple[CellReading, ...]:
    """Cells with their place in the photo and what was measured in them."""
    out = []
    for i, box in enumerate(opinions.boxes):
        if not is_cell(logp[i]):
            continue
        scores = opinions.herd or opinions.needles
        fit = scores.best[i] if scores else None
        contrast = ink_contrast(strip.pixels, view.ink, box)
        out.append(
            CellReading(
                logp=logp[i],
                quad=_quad(strip, box),
                needles=fit.evidence if fit else NeedleEvidence(expected=0, inked=0.0),
                ink_contrast=contrast,
                seen_share=1.0 - float(_inside(strip.not_seen, box).mean()),
                separation=separation(view.ink, fit.positions, fit.inked) if fit else float("nan"),
            )
        )
    return tuple(out)


def _inside(mask: NDArray[np.bool_], box: CellBox) -> NDArray[np.bool_]:
    top = int(np.clip(box.y_center - box.height_px / 2, 0, STRIP_HEIGHT_PX - 2))
    bottom = int(np.clip(box.y_center + box.height_px / 2, top + 1, STRIP_HEIGHT_PX))
    left = int(np.clip(box.left, 0, STRIP_WIDTH_PX - 2))
    right = int(np.clip(box.right, left + 1, STRIP_WIDTH_PX))
    return mask[top:bottom, left:right]


def _quad(strip: RowStrip, box: CellBox) -> Points:
    top, bottom = box.y_center - box.height_px / 2, box.y_center + box.height_px / 2
    corners = ((box.left, top), (box.right, top), (box.right, bottom), (box.left, bottom))
    return np.array([strip_to_photo(strip, x, y) for x, y in corners])
