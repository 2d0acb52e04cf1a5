"""Condition of a mark from 4 (as new) to 0 (lost), parameter by parameter.

The manner is that of direct part mark grading (ISO/IEC 29158): each parameter is graded by a table
of limits and the worst of them is the grade. The limits for contrast and evenness are those of cell
contrast and cell modulation there, from memory; the quantities are measured in another way, so no
conformity is claimed. The other limits are choices.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Final

import numpy as np

from legibility.alphabet import N_CHARACTERS, NO_CHARACTER
from legibility.containers import CaptureCheck, CellReading, Grade, Reading

Limits = tuple[float, float, float, float, float]
"""Values that get 0, 1, 2, 3 and 4; between them the grade is interpolated."""

INK_CONTRAST: Final[Limits] = (0.10, 0.15, 0.20, 0.25, 0.30)
"""ISO/IEC 29158 cell contrast, grades 1 to 4, from memory; 0 at 0.10 is a choice."""
NEEDLES_PRESENT: Final[Limits] = (0.30, 0.45, 0.60, 0.75, 0.90)
"""Choice: share of a character's needles that show ink; a die of 10 may lose one and be as new."""
SEPARATION: Final[Limits] = (0.00, 0.05, 0.10, 0.20, 0.30)
"""Choice: how far the ink falls between neighbouring needle dots, median over the characters: bleed
is a property of the mark, and dies with many needles have little room between them."""
EVENNESS: Final[Limits] = (0.10, 0.20, 0.30, 0.40, 0.50)
"""ISO/IEC 15415 modulation as used by 29158, grades 1 to 4, from memory; 0 at 0.10 is a choice."""
CERTAINTY: Final[Limits] = (0.30, 0.50, 0.80, 0.95, 0.99)
"""Choice: probability of a character's best reading."""

LEAST_SEEN: Final = 0.5
"""Choice: a cell of which less was seen says nothing of the mark's condition."""
LEAST_CELLS_SEEN: Final = 0.5
"""Choice: share of cells that must have been seen for the mark to be graded."""
NO_MARK_PROBABILITY: Final = 0.5
"""Choice: above this there is nothing to grade."""

REASONS: Final = {
    "ink_contrast": "the ink is faint against the skin",
    "needles_present": "needles left no ink",
    "separation": "needle dots have run together",
    "evenness": "some characters are much fainter than others",
    "certainty": "a character can be taken for another",
}


def grade(reading: Reading, capture: CaptureCheck) -> Grade | None:
    """Condition of the mark; None when the photo does not allow one.

    Parameters
    ----------
    reading : Reading
    capture : CaptureCheck
        A photo that is not good enough gives no grade: a bad photo of a good mark is no bad mark.

    Returns
    -------
    Grade or None
        ``overall`` is the worst parameter. A parameter that was not measured on any character
        (``separation``, ``ink_contrast`` or ``needles_present`` as NaN or without needles) is left
        out.
    """
    if not capture.good_enough or not reading.hypotheses:
        return None
    if math.exp(min(0.0, reading.logp_no_mark)) > NO_MARK_PROBABILITY:
        return None
    best = max(reading.hypotheses, key=lambda hypothesis: hypothesis.logp)
    cells = [cell for row in best.rows for cell in row if not _is_empty(cell)]
    seen = [cell for cell in cells if cell.seen_share >= LEAST_SEEN]
    if not seen or len(seen) < LEAST_CELLS_SEEN * len(cells):
        return None
    contrasts = [cell.ink_contrast for cell in seen]
    measured = {
        "ink_contrast": (_worst(contrasts), INK_CONTRAST),
        "needles_present": (_worst([_share_inked(cell) for cell in seen]), NEEDLES_PRESENT),
        "separation": (_middle([cell.separation for cell in seen]), SEPARATION),
        "evenness": (_evenness(contrasts), EVENNESS),
        "certainty": (_worst([_certainty(cell) for cell in seen]), CERTAINTY),
    }
    parameters = {
        name: round(float(np.interp(value, limits, range(5))), 1)
        for name, (value, limits) in measured.items()
        if not math.isnan(value)
    }
    limiting = min(parameters, key=lambda name: parameters[name])
    overall = parameters[limiting]
    reason = "all parameters are as new" if overall >= 4 else _reason(limiting, seen)
    return Grade(overall, parameters, reason)


def _reason(limiting: str, seen: Sequence[CellReading]) -> str:
    values: dict[str, Callable[[CellReading], float]] = {
        "ink_contrast": lambda cell: cell.ink_contrast,
        "needles_present": _share_inked,
        "separation": lambda cell: cell.separation,
        "evenness": lambda cell: cell.ink_contrast,
        "certainty": _certainty,
    }
    numbers = [values[limiting](cell) for cell in seen]
    place = int(np.nanargmin(numbers)) + 1
    where = f" (worst: character {place} of {len(seen)} seen)" if len(seen) > 1 else ""
    return f"{limiting.replace('_', ' ')}: {REASONS[limiting]}{where}"


def _is_empty(cell: CellReading) -> bool:
    return bool(np.argmax(cell.logp) == NO_CHARACTER)


def _share_inked(cell: CellReading) -> float:
    if cell.needles.expected <= 0:
        return math.nan
    return cell.needles.inked / cell.needles.expected


def _certainty(cell: CellReading) -> float:
    return float(np.exp(np.max(cell.logp[:N_CHARACTERS])))


def _worst(values: Sequence[float]) -> float:
    known = [value for value in values if not math.isnan(value)]
    return min(known, default=math.nan)


def _middle(values: Sequence[float]) -> float:
    known = [value for value in values if not math.isnan(value)]
    return float(np.median(known)) if known else math.nan


def _evenness(contrasts: Sequence[float]) -> float:
    """Weakest character's contrast against the median one's."""
    known = [value for value in contrasts if not math.isnan(value)]
    if not known:
        return math.nan
    middle = float(np.median(known))
    return min(known) / middle if middle > 0 else 0.0
