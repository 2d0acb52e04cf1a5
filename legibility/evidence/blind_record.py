"""The score of a reading set as plain values."""

from __future__ import annotations

import math
from typing import Any, Final

from legibility.evidence.agreement import Kappa, Share
from legibility.evidence.blind_score import Agreement, BlindScore

FIGURES: Final = 6
"""Choice: significant figures of numbers in the record."""


def score_record(score: BlindScore) -> dict[str, Any]:
    """The score as plain values; what cannot be computed is None."""
    return {
        "readers": [
            {
                "reader": r.reader,
                "read": r.read,
                "unread": r.unread,
                "accuracy": _round(r.accuracy),
                "right": None if r.right is None else _share_record(r.right),
            }
            for r in score.readers
        ],
        "between": [_agreement_record(a) for a in score.between],
        "within": [_agreement_record(a) for a in score.within],
        "alpha": {
            "characters": _round(score.alpha_characters),
            "marks": _round(score.alpha_marks),
            "legibility": _round(score.alpha_legibility),
        },
        "adjudicate": [
            {
                "photo": d.photo,
                "sha256": d.sha256,
                "readings": {name: list(texts) for name, texts in d.readings.items()},
                "places": list(d.places),
            }
            for d in score.adjudicate
        ],
        "claims": {name: dict(counts) for name, counts in score.claims.items()},
        "order": [{"what": s.what, "at": s.at, "sha256": s.sha256} for s in score.order],
        "unanswered": list(score.unanswered),
        "truth_known": score.truth_known,
    }


def _agreement_record(agreement: Agreement) -> dict[str, Any]:
    return {
        "readers": [agreement.first, agreement.second],
        "characters": _share_record(agreement.characters),
        "character_kappa": _kappa_record(agreement.character_kappa),
        "marks": _share_record(agreement.marks),
        "mark_kappa": _kappa_record(agreement.mark_kappa),
        "legibility_linear_kappa": _kappa_record(agreement.legibility_linear),
        "legibility_quadratic_kappa": _kappa_record(agreement.legibility_quadratic),
    }


def _share_record(share: Share) -> dict[str, Any]:
    return {
        "count": share.count,
        "total": share.total,
        "share": _round(share.value),
        "low": _round(share.low),
        "high": _round(share.high),
    }


def _kappa_record(kappa: Kappa | None) -> dict[str, Any] | None:
    if kappa is None:
        return None
    return {
        "kappa": _round(kappa.value),
        "low": _round(kappa.low),
        "high": _round(kappa.high),
        "n": kappa.n,
    }


def _round(value: float) -> float | None:
    return None if math.isnan(value) else float(f"{value:.{FIGURES}g}")
