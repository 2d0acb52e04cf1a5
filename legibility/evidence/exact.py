"""Everything a reading and a comparison computed, unrounded: JSON keeps a float64 bit for bit."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

from legibility.containers import Identification, PhotoResult
from legibility.evidence.comparison import Comparison
from legibility.evidence.ratio import LogRatio

Number = float | str


def exact_reading(result: PhotoResult) -> dict[str, Any]:
    """Log-probabilities of every hypothesis and cell, and the candidates' probabilities."""
    reading = result.reading
    return {
        "logp_no_mark": _number(reading.logp_no_mark),
        "second_opinion": list(reading.second_opinion),
        "hypotheses": [
            {
                "logp": _number(h.logp),
                "mirrored": bool(h.mirrored),
                "rotation_deg": _number(h.rotation_deg),
                "cells": [[_numbers(cell.logp.tolist()) for cell in row] for row in h.rows],
            }
            for h in reading.hypotheses
        ],
        "identification": _identification(result.identification),
        "grade": None if result.grade is None else _number(result.grade.overall),
        "measures": {name: _number(value) for name, value in result.measures.items()},
    }


def exact_comparison(result: Comparison) -> dict[str, Any]:
    """Log ratios and their parts."""
    return {
        "ratio": _ratio(result.ratio),
        "against_neither": [_ratio(r) for r in result.against_neither],
        "intervals": [
            {"low": _number(i.low), "high": _number(i.high), "uncapped": _numbers(i.uncapped)}
            for i in result.intervals
        ],
        "variants": [_ratio(v.ratio) for v in result.variants],
        "by_photo": _numbers(result.by_photo),
        "one_ear": _number(result.one_ear),
        "alternatives": [_number(a.log_ratio) for a in result.alternatives],
        "scores": [
            {reader: _numbers(values) for reader, values in photo.scores.scores.items()}
            for photo in result.photos
        ],
    }


def _identification(found: Identification) -> dict[str, Any]:
    return {
        "candidates": [
            {"animal_id": c.animal_id, "mark": c.mark, "probability": _number(c.probability)}
            for c in found.candidates
        ],
        "misread_risk": _number(found.misread_risk),
    }


def _ratio(ratio: LogRatio) -> dict[str, Number]:
    return {"value": _number(ratio.value), "uncapped": _number(ratio.uncapped)}


def _numbers(values: Iterable[float]) -> list[Number]:
    return [_number(value) for value in values]


def _number(value: float) -> Number:
    """A float as it is; what JSON cannot hold as a word."""
    return float(value) if math.isfinite(value) else str(float(value))
