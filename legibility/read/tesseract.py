"""Tesseract as an independent second reader of a row: one call, alternatives for each character.

The alternatives come only through hOCR (``hocr_char_boxes=1`` with ``lstm_choice_mode=2``).
Without the program, or when it takes too long, the answer is a typed empty opinion.
"""

from __future__ import annotations

import os
import re
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from typing import Final
from xml.etree import ElementTree

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS, N_CLASSES, index_of
from legibility.containers import LogLikelihood
from legibility.read.cells import CellBox

BORDER_PX: Final = 10
"""Choice: white margin put around the strip; Tesseract reads characters at the edge badly."""

PAGE_SEGMENTATION: Final = 7
"""Tesseract's "single text line"."""

CONFIDENCE_SHARE: Final = 0.5
"""Choice: share of a symbol's evidence taken from its own confidence, the rest from the choices."""

UNIFORM_SHARE: Final = 0.1
"""Choice: least probability spread evenly over all 37 classes; fusion weighs the rest."""

LEAST_OVERLAP: Final = 0.3
"""Choice: a symbol speaks for a cell when this share of its width lies in the cell."""

_TITLE_BOX: Final = re.compile(r"x_bboxes (-?\d+) (-?\d+) (-?\d+) (-?\d+)")
_TITLE_CONFIDENCE: Final = re.compile(r"x_confs? (-?\d+(?:\.\d+)?)")
_ENVIRONMENT_LOCK: Final = threading.Lock()


@dataclass(frozen=True, slots=True)
class SymbolOpinion:
    """One symbol as the second reader saw it."""

    character: str
    confidence: float
    """0..1, the program's own figure, not calibrated."""
    alternatives: tuple[tuple[str, float], ...]
    """Characters with the program's confidence 0..1, best first; holds ``character`` itself."""
    left: float
    """x of the symbol's left edge in strip pixels."""
    right: float


@dataclass(frozen=True, slots=True)
class SecondOpinion:
    """A row as the second reader saw it; empty when it saw nothing or could not be asked."""

    text: str = ""
    symbols: tuple[SymbolOpinion, ...] = ()
    asked: bool = False
    """False when the program is missing, failed or timed out."""


@lru_cache(maxsize=1)
def available() -> bool:
    """Whether the Tesseract program can be started; asked once a process."""
    import pytesseract

    try:
        pytesseract.get_tesseract_version()
    except (pytesseract.TesseractNotFoundError, OSError, SystemExit):
        return False
    return True


def read_row(
    strip_gray: NDArray[np.uint8], *, timeout_s: float = 20.0, whitelist: str = CHARACTERS
) -> SecondOpinion:
    """Read one row.

    Parameters
    ----------
    strip_gray : ndarray, shape (h, w), uint8
        Black characters on white, dots joined.
    timeout_s : float
        Seconds after which the program is stopped.
    whitelist : str
        Characters it may answer with.

    Returns
    -------
    SecondOpinion
        With ``asked`` False when there was no answer to be had.

    Raises
    ------
    ValueError
        If the picture is not two-dimensional uint8, or the whitelist holds other characters.
    """
    import pytesseract

    if strip_gray.ndim != 2 or strip_gray.dtype != np.uint8:
        raise ValueError(
            f"strip has shape {strip_gray.shape} and type {strip_gray.dtype}; "
            "expected a (height, width) uint8 picture"
        )
    for character in whitelist:
        index_of(character)
    if not timeout_s > 0:
        raise ValueError(f"timeout is {timeout_s} s; expected a positive number of seconds")
    if strip_gray.size == 0 or not available():
        return SecondOpinion()
    framed = np.pad(strip_gray, BORDER_PX, constant_values=255)
    config = (
        f"--psm {PAGE_SEGMENTATION} -c hocr_char_boxes=1 -c lstm_choice_mode=2 "
        f"-c tessedit_char_whitelist={whitelist}"
    )
    try:
        with _one_thread():
            hocr = pytesseract.image_to_pdf_or_hocr(
                framed, extension="hocr", config=config, timeout=timeout_s
            )
    except (RuntimeError, OSError):  # TesseractError and its time-out are RuntimeErrors
        return SecondOpinion()
    return parse_hocr(hocr, offset_px=BORDER_PX)


def parse_hocr(hocr: bytes, *, offset_px: float = 0.0) -> SecondOpinion:
    """Symbols and alternatives of Tesseract's hOCR.

    Document types are cut off and entity declarations refused, so that nothing can be expanded.
    Characters that no mark can hold are dropped; small letters count as capitals.
    """
    start = hocr.find(b"<html")
    if start < 0 or b"<!ENTITY" in hocr:
        return SecondOpinion()
    try:
        root = ElementTree.fromstring(hocr[start:])
    except ElementTree.ParseError:
        return SecondOpinion()
    symbols: list[SymbolOpinion] = []
    skip_choices = True
    for span in root.iter("{http://www.w3.org/1999/xhtml}span"):
        if span.get("class") != "ocrx_cinfo":
            continue
        title = span.get("title", "")
        box, confidence = _TITLE_BOX.search(title), _TITLE_CONFIDENCE.search(title)
        character = "".join(span.itertext()).strip().upper()
        if box is not None:
            skip_choices = len(character) != 1 or character not in CHARACTERS
            if not skip_choices:
                symbols.append(
                    SymbolOpinion(
                        character=character,
                        confidence=_share(confidence),
                        alternatives=(),
                        left=float(box.group(1)) - offset_px,
                        right=float(box.group(3)) - offset_px,
                    )
                )
        elif span.get("id", "").startswith("lstm_choices") and not skip_choices:
            symbols[-1] = _with_alternatives(symbols[-1], span)
    symbols.sort(key=lambda symbol: symbol.left + symbol.right)
    text = "".join(symbol.character for symbol in symbols)
    return SecondOpinion(text=text, symbols=tuple(symbols), asked=True)


def align(opinion: SecondOpinion, cells: Sequence[CellBox]) -> LogLikelihood:
    """Log-probabilities of each cell from the symbols that lie in it.

    Parameters
    ----------
    opinion : SecondOpinion
    cells : sequence of CellBox
        Cells of the row in the same pixels as the opinion.

    Returns
    -------
    ndarray, shape (n_cells, 37), float64
        Each row sums to one; uniform where the second reader was silent.
    """
    result = np.full((len(cells), N_CLASSES), 1.0 / N_CLASSES)
    for row, cell in enumerate(cells):
        weights = np.zeros(N_CLASSES)
        for symbol in opinion.symbols:
            width = max(symbol.right - symbol.left, 1.0)
            inside = min(symbol.right, cell.right) - max(symbol.left, cell.left)
            if inside / width >= LEAST_OVERLAP:
                weights += min(inside / width, 1.0) * symbol_weights(symbol)
        total = weights.sum()
        if total > 0:
            uniform = max(UNIFORM_SHARE, 1.0 - min(total, 1.0))
            result[row] = (1 - uniform) * weights / total + uniform / N_CLASSES
    return np.asarray(np.log(result), dtype=np.float64)


def symbol_weights(symbol: SymbolOpinion) -> NDArray[np.float64]:
    """Weight of each class from one symbol, (37,), summing to at most one; last is always 0."""
    weights = np.zeros(N_CLASSES)
    weights[index_of(symbol.character)] += CONFIDENCE_SHARE * symbol.confidence
    total = sum(confidence for _, confidence in symbol.alternatives)
    for character, confidence in symbol.alternatives:
        share = confidence / max(total, 1.0)
        weights[index_of(character)] += (1 - CONFIDENCE_SHARE) * share
    return weights


def _with_alternatives(symbol: SymbolOpinion, choices: ElementTree.Element) -> SymbolOpinion:
    best: dict[str, float] = {symbol.character: 0.0}
    for span in choices.iter("{http://www.w3.org/1999/xhtml}span"):
        confidence = _TITLE_CONFIDENCE.search(span.get("title", ""))
        character = "".join(span.itertext()).strip().upper()
        if confidence is not None and len(character) == 1 and character in CHARACTERS:
            best[character] = max(best.get(character, 0.0), _share(confidence))
    ordered = sorted(best.items(), key=lambda item: (-item[1], item[0]))
    return SymbolOpinion(
        character=symbol.character,
        confidence=symbol.confidence,
        alternatives=tuple(ordered),
        left=symbol.left,
        right=symbol.right,
    )


def _share(confidence: re.Match[str] | None) -> float:
    if confidence is None:
        return 0.0
    return min(max(float(confidence.group(1)) / 100.0, 0.0), 1.0)


@contextmanager
def _one_thread() -> Iterator[None]:
    """Tesseract's own threads slow a process pool down; the variable is put back afterwards."""
    with _ENVIRONMENT_LOCK:
        before = os.environ.get("OMP_THREAD_LIMIT")
        os.environ["OMP_THREAD_LIMIT"] = "1"
        try:
            yield
        finally:
            if before is None:
                del os.environ["OMP_THREAD_LIMIT"]
            else:
                os.environ["OMP_THREAD_LIMIT"] = before
