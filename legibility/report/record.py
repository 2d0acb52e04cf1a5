"""The JSON contract: one photo, one object, one line, fields in a fixed order."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any, Final, TypeAlias

import numpy as np

from legibility.alphabet import CHARACTERS, N_CHARACTERS
from legibility.containers import (
    CaptureCheck,
    CellReading,
    Flag,
    Grade,
    Hypothesis,
    PhotoResult,
)
from legibility.report.beside import by_eye_record, candidate_record, prior_record
from legibility.report.explanation import explanation_record
from legibility.report.rounding import round_probability

Record: TypeAlias = dict[str, Any]

FIELDS: Final = (
    "photo",
    "sha256",
    "status",
    "flags",
    "reasons",
    "text",
    "rows",
    "rotation_deg",
    "mirrored",
    "grade",
    "candidates",
    "candidate_set",
    "decision",
    "misread_risk",
    "provenance",
    "seconds",
    "prior",
    "by_eye",
    "explanation",
    "differs",
    "same_characters",
    "layouts",
)
"""Names and order of the fields; other programs rely on both."""

SMALLEST_ALTERNATIVE: Final = 0.001
"""Choice: alternatives less likely than this are left out of the line."""

COORDINATE_DECIMALS: Final = 1
"""Choice: a tenth of a pixel is finer than any cell can be located."""


def flag_names(flags: Flag) -> list[str]:
    """Names of the set flags as the contract writes them, lowest bit first.

    Examples
    --------
    >>> flag_names(Flag.GLARE | Flag.MARK_SMALL)
    ['glare', 'mark_small']
    """
    return [flag.name.lower() for flag in Flag if flag in flags and flag.name]


def result_record(result: PhotoResult) -> Record:
    """The contract's object for one photo, ready for ``json.dumps``.

    ``rows`` are those of the most probable hypothesis, weighed by how marks are usually written
    (``marks.usual``); each cell names the most probable of the 36
    characters, while ``text`` writes "?" where that is too unsure. An alternative ``""`` stands
    for "no character here".
    """
    best = result.reading.hypotheses[0].as_written() if result.reading.hypotheses else None
    identification = result.identification
    return {
        "photo": result.photo,
        "sha256": result.sha256,
        "status": result.status.value,
        "flags": flag_names(result.flags),
        "reasons": list(result.reasons),
        "text": result.text,
        "rows": [] if best is None else _rows(best),
        "rotation_deg": None if best is None else _number(best.rotation_deg, 1),
        "mirrored": None if best is None else bool(best.mirrored),
        "grade": None if result.grade is None else _grade(result.grade),
        "candidates": [candidate_record(one) for one in identification.candidates],
        "candidate_set": list(identification.candidate_set),
        "decision": identification.decision.value,
        "misread_risk": round_probability(identification.misread_risk),
        "provenance": {
            "version": result.provenance.version,
            "model_sha256": result.provenance.model_sha256,
            "settings_sha256": result.provenance.settings_sha256,
            "calibration_sha256": result.provenance.calibration_sha256,
        },
        "seconds": _number(result.seconds, 3),
        "prior": prior_record(identification),
        "by_eye": by_eye_record(identification),
        "explanation": explanation_record(identification),
        "differs": [
            {
                "place": one.place,
                "read": one.read,
                "probability": round_probability(one.probability),
                "registered": one.registered,
                "mark": one.mark,
            }
            for one in identification.differs
        ],
        "same_characters": list(identification.same_characters),
        "layouts": identification.layouts or None,
    }


def check_record(photo: str, sha256: str, check: CaptureCheck, *, error: str = "") -> Record:
    """Object for one photo of ``legibility check``: is it good enough, and what was measured.

    ``status`` is "good", "retake" or, with the reason in ``reasons``, "error".
    """
    return {
        "photo": photo,
        "sha256": sha256,
        "status": "error" if error else "good" if check.good_enough else "retake",
        "reasons": [error] if error else [],
        "flags": flag_names(check.flags),
        "measures": {name: _number(value, 4) for name, value in check.measures.items()},
    }


def json_line(record: Mapping[str, Any]) -> str:
    """One line of strict JSON without the line end: ASCII only, no NaN.

    ASCII survives every terminal and pipe, also with file names that are no valid text.
    """
    return json.dumps(record, ensure_ascii=True, allow_nan=False)


def cell_probabilities(cell: CellReading) -> list[tuple[str, float]]:
    """Characters of a cell with their probability, best first; ``""`` is "no character".

    Ties keep the order of the alphabet.
    """
    weights = np.exp(np.asarray(cell.logp, dtype=np.float64))
    names = [*CHARACTERS, ""]
    order = sorted(range(len(names)), key=lambda index: (-float(weights[index]), index))
    return [(names[index], float(weights[index])) for index in order]


def best_character(cell: CellReading) -> tuple[str, float]:
    """Most probable of the 36 characters of a cell and its probability."""
    index = int(np.argmax(cell.logp[:N_CHARACTERS]))
    return CHARACTERS[index], float(np.exp(cell.logp[index]))


def _rows(hypothesis: Hypothesis) -> list[list[Record]]:
    return [[_cell(cell) for cell in row] for row in hypothesis.rows]


def _cell(cell: CellReading) -> Record:
    character, probability = best_character(cell)
    return {
        "character": character,
        "probability": round_probability(probability),
        "alternatives": {
            name: round_probability(value)
            for name, value in cell_probabilities(cell)
            if name != character and value >= SMALLEST_ALTERNATIVE
        },
        "quad": [[_number(float(v), COORDINATE_DECIMALS) for v in point] for point in cell.quad],
        "needles": {
            "expected": int(cell.needles.expected),
            "inked": _number(cell.needles.inked, 1),
        },
    }


def _grade(grade: Grade) -> Record:
    return {
        "overall": _number(grade.overall, 2),
        "parameters": {name: _number(value, 2) for name, value in grade.parameters.items()},
    }


def _number(value: float, decimals: int) -> float | None:
    return round(float(value), decimals) if math.isfinite(value) else None
