"""What people said beside the photos, as records and as text: prior, readings by eye."""

from __future__ import annotations

import math
from typing import Any

from legibility.containers import Candidate, EyeEvidence, Identification
from legibility.probability import percent
from legibility.report.layout import wrapped
from legibility.report.rounding import round_probability
from legibility.report.words import candidate_name


def candidate_record(candidate: Candidate) -> dict[str, Any]:
    """One candidate; ``prior`` is null without a registry."""
    return {
        "animal_id": candidate.animal_id,
        "mark": candidate.mark,
        "probability": round_probability(candidate.probability),
        "prior": round_probability(candidate.prior),
    }


def prior_record(identification: Identification) -> dict[str, Any] | None:
    """What was known before any mark was looked at; None without a registry."""
    if math.isnan(identification.not_registered_prior):
        return None
    return {
        "not_registered": round_probability(identification.not_registered_prior),
        "statements": [
            {
                "said": statement.said,
                "fitting": statement.fitting,
                "not_recorded": statement.not_recorded,
                "otherwise": round_probability(statement.otherwise),
            }
            for statement in identification.prior
        ],
        "notices": list(identification.prior_notices),
    }


def by_eye_record(identification: Identification) -> dict[str, Any] | None:
    """People's readings, and the candidates without them; None when there is no such reading."""
    if not identification.by_eye:
        return None
    return {
        "readings": [_eye(one) for one in identification.by_eye],
        "photo_alone": [candidate_record(one) for one in identification.photo_alone],
    }


def prior_lines(identification: Identification) -> list[str]:
    """Sentences on what was known beforehand; empty when nothing was."""
    lines: list[str] = []
    for statement in identification.prior:
        text = f"{statement.said[:1].upper()}{statement.said[1:]}: fits {statement.fitting}"
        text += " registered animal" + "s" * (statement.fitting != 1)
        if statement.not_recorded:
            text += f", not recorded for {statement.not_recorded}"
        text += f"; {percent(statement.otherwise)} allowed for a mistake in that."
        lines += wrapped(text, indent="      ", first="    - ")
    if identification.prior:
        first = identification.candidates[:1]
        before = "; ".join(
            f"{candidate_name(one)} {percent(one.prior)}" for one in first if one.prior >= 0
        )
        if before:
            lines += wrapped(f"Before the mark was looked at: {before}.", indent="    ")
    for notice in identification.prior_notices:
        lines += wrapped(f"Note: {notice}.", indent="      ", first="    - ")
    return lines


def by_eye_lines(identification: Identification) -> list[str]:
    """Each person's reading with what it says alone, and what the photo says alone."""
    lines: list[str] = []
    for one in identification.by_eye:
        said = one.reading
        text = f"{said.reader}: {said.text or 'nothing to read'}. A character named is right with "
        text += f"{percent(said.accuracy)} ({said.basis})"
        if one.first:
            text += f". Alone it says {_named(one.first[0])}; here it counts {one.weight:.2f}"
        lines += wrapped(text + ".", indent="      ", first="    - ")
    if identification.by_eye:
        alone = identification.photo_alone
        text = "The photo alone says " + (_named(alone[0]) if alone else "nothing")
        lines += wrapped(text + ".", indent="      ", first="    - ")
    return lines


def _named(candidate: Candidate) -> str:
    return f"{candidate_name(candidate)} ({percent(candidate.probability)})"


def _eye(one: EyeEvidence) -> dict[str, Any]:
    return {
        "reader": one.reading.reader,
        "text": one.reading.text,
        "accuracy": round_probability(one.reading.accuracy),
        "basis": one.reading.basis,
        "weight": round(one.weight, 4),
        "first": candidate_record(one.first[0]) if one.first else None,
    }
