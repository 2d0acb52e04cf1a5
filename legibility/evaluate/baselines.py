"""General text recognition programs on the same photos, scored as kindly as can be.

Each program gets the whole photo, and also the upright crop that a patient person would have made
(turned, un-mirrored, filling the frame). Of all it says, the piece nearest to the truth counts:
a word, a line, two lines one after the other, or everything; so its figures are upper bounds.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from functools import lru_cache
from importlib import import_module
from itertools import pairwise
from typing import Any, Final

import cv2
import numpy as np

from legibility.alphabet import CHARACTERS
from legibility.containers import ColorImage
from legibility.errors import MissingExtraError
from legibility.evaluate.crop import upright_crop
from legibility.evaluate.metrics import edit_distance, plain
from legibility.evaluate.truth import EvaluationPhoto

Baseline = Callable[[EvaluationPhoto], tuple[str, ...]]
"""All lines a program reads in a photo, top to bottom."""

TIMEOUT_S: Final = 60.0
"""Choice: a page pass on a large photo takes a few seconds."""

_NOT_IN_A_MARK: Final = re.compile(f"[^{CHARACTERS}]")


def tesseract_lines(pixels: ColorImage, *, page_mode: int) -> tuple[str, ...]:
    """Lines Tesseract reads, with the alphabet of marks as whitelist.

    Parameters
    ----------
    pixels : ndarray of uint8, (height, width, 3)
    page_mode : int
        Its ``--psm``: 7 one line, 8 one word, 11 sparse text in the whole picture.

    Raises
    ------
    MissingExtraError
        If the program is not installed.
    """
    import pytesseract

    options = f"--psm {page_mode} -c tessedit_char_whitelist={CHARACTERS}"
    try:
        text = pytesseract.image_to_string(pixels, config=options, timeout=TIMEOUT_S)
    except pytesseract.TesseractNotFoundError as error:
        raise MissingExtraError(
            "Tesseract is not installed; expected the program 'tesseract' (Debian: tesseract-ocr)"
        ) from error
    except RuntimeError:  # pytesseract's only sign of its timeout
        return ()
    return tuple(line for line in str(text).splitlines() if line.strip())


def tesseract_whole(photo: EvaluationPhoto) -> tuple[str, ...]:
    """Tesseract on the photo as it is (sparse text)."""
    return tesseract_lines(photo.pixels, page_mode=11)


def tesseract_crop(photo: EvaluationPhoto) -> tuple[str, ...]:
    """Tesseract on the true upright crop of each row, large and small, as a line and as a word.

    In the small crop the dots of a character nearly touch.
    """
    said: list[str] = []
    for height_px, page_mode in ((64.0, 7), (64.0, 8), (28.0, 7)):
        for row in range(len(photo.truth.rows)):
            crop = upright_crop(photo, row=row, height_px=height_px)
            said.append(" ".join(tesseract_lines(crop, page_mode=page_mode)))
        said.append("")
    return tuple(said)


@lru_cache(maxsize=1)
def _rapid_engine() -> Any:
    try:
        rapid = import_module("rapidocr_onnxruntime")
    except ImportError as error:
        raise MissingExtraError(
            "RapidOCR is not installed; expected the extra: pip install 'legibility[test]'"
        ) from error
    return rapid.RapidOCR()


def rapid_lines(pixels: ColorImage) -> tuple[str, ...]:
    """Lines RapidOCR finds and reads with the models of its wheel, top to bottom.

    Raises
    ------
    MissingExtraError
        If it is not installed.
    """
    bgr = cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR)
    found, _ = _rapid_engine()(bgr)
    lines = [(float(np.mean(np.asarray(box)[:, 1])), str(text)) for box, text, _ in found or ()]
    return tuple(text for _, text in sorted(lines))


def rapid_whole(photo: EvaluationPhoto) -> tuple[str, ...]:
    """RapidOCR on the photo as it is."""
    return rapid_lines(photo.pixels)


def rapid_crop(photo: EvaluationPhoto) -> tuple[str, ...]:
    """RapidOCR on the true upright crop of each row, with and without its own search for text."""
    rows = [upright_crop(photo, row=row) for row in range(len(photo.truth.rows))]
    found = [" ".join(rapid_lines(crop)) for crop in rows]
    given = []
    for crop in rows:
        bgr = cv2.cvtColor(crop, cv2.COLOR_RGB2BGR)
        lines, _ = _rapid_engine()(bgr, use_det=False, use_cls=False, use_rec=True)
        given.append(" ".join(str(line[0]) for line in lines or ()))
    return (*found, "", *given)


BASELINES: Final[Mapping[str, Baseline]] = {
    "Tesseract, whole photo": tesseract_whole,
    "Tesseract, upright crop": tesseract_crop,
    "RapidOCR, whole photo": rapid_whole,
    "RapidOCR, upright crop": rapid_crop,
}


def kindest(truth: str, lines: tuple[str, ...]) -> str:
    """The piece of what a program said that is nearest to the truth, without row breaks.

    Examples
    --------
    >>> kindest("AB/12", ("noise", "A8", "1 2"))
    'A812'
    """
    cleaned = [_NOT_IN_A_MARK.sub("", line.upper()) for line in lines]
    words = [_NOT_IN_A_MARK.sub("", w) for line in lines for w in line.upper().split()]
    pairs = [first + second for first, second in pairwise(cleaned)]
    options = ["", *words, *cleaned, *pairs, "".join(cleaned)]
    wanted = plain(truth)
    return min(options, key=lambda text: (edit_distance(wanted, text), text))
