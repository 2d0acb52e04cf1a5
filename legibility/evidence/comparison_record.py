"""The record of two weighed claims: one set of rows for JSON, text and HTML."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping
from typing import Any, Final

from legibility.evidence.comparison import Comparison, DecisiveCell, PhotoEvidence
from legibility.evidence.needles import Owner, needle_log_ratio
from legibility.evidence.ratio import LogRatio, pair_posteriors, three_way_posteriors
from legibility.evidence.ratio_model import TOGETHER, RatioModel
from legibility.evidence.verbal import BANDS, EDGES, SOURCE, band_range, verbal

FIGURES: Final = 6
"""Significant figures of numbers in the record; people are shown two."""

CAUTIONS: Final = (
    "A likelihood ratio weighs these two claims against each other; it is not the probability "
    "that a claim is true. That also depends on everything else that is known.",
    "A reading is not an official identity. The authority that keeps the registry decides.",
    "Altering an official identification may be an offence.",
)
NOT_CONSIDERED: Final = (
    "papers, transponders, tags, the other ear, colour, sex and age of the animal",
    "whether a photo shows the animal it is said to show",
    "marks altered or applied again on purpose",
)
NEITHER: Final = (
    "The photographed ear carries some other mark, drawn from all that the herd's rules allow."
)


def comparison_record(result: Comparison) -> dict[str, Any]:
    """The comparison as plain values; logarithms are natural."""
    words = verbal(result.ratio.value)
    low, high = result.model.cap
    return {
        "propositions": {
            "A": result.claims[0].proposition,
            "B": result.claims[1].proposition,
            "neither": NEITHER,
        },
        "claims": [
            {"name": c.name, "mark": c.mark, "animal_ids": list(c.animal_ids), "ears": list(c.ears)}
            for c in result.claims
        ],
        "log_ratio": _round(result.ratio.value),
        "log_ratio_uncapped": _round(result.ratio.uncapped),
        "ratio": _round(math.exp(result.ratio.value)),
        "capped": result.ratio.capped,
        "cap": {
            "low": _round(math.exp(low)),
            "high": _round(math.exp(high)),
            "disputes": len(result.model.held_out),
            "formula": "empirical lower and upper bound, one misleading ratio added to each kind",
            "source": "Vergeer et al. 2016, Sci. Justice 56:482-491, "
            "doi:10.1016/j.scijus.2016.06.003",
        },
        "verbal": {
            "words": words.words,
            "for": ("A" if words.for_first else "B") if words.supports else "neither",
            "ratio": _round(words.ratio),
            "source": SOURCE,
            "edges": EDGES,
            "table": [{"ratio": band_range(b), "words": b.words} for b in BANDS],
        },
        "intervals": [
            {
                "resampled": i.source,
                "low": _round(math.exp(i.low)),
                "high": _round(math.exp(i.high)),
                "log_low_uncapped": _round(i.uncapped[0]),
                "log_high_uncapped": _round(i.uncapped[1]),
            }
            for i in result.intervals
        ],
        "against_neither": [
            {"claim": name, **_ratio(r)}
            for name, r in zip("AB", result.against_neither, strict=True)
        ],
        "variants": [{"name": v.name, **_ratio(v.ratio)} for v in result.variants],
        "priors": _priors(result),
        "photos": [
            _photo(photo, part, result.model)
            for photo, part in zip(result.photos, result.by_photo, strict=True)
        ],
        "one_ear_log_ratio": _round(result.one_ear),
        "application": [
            {
                "claim": a.claim,
                "probability": _round(a.probability),
                "mark": a.mark,
                "log_gain": _round(a.log_gain),
            }
            for a in result.application
        ],
        "alternatives": [
            {
                "animal_ids": list(a.animal_ids),
                "mark": a.mark,
                "ratio": _round(math.exp(a.log_ratio)),
            }
            for a in result.alternatives
        ],
        "validity": validity_record(result.model),
        "weights": dict(zip(TOGETHER, map(_round, result.model.together), strict=True)),
        "repeat": _round(result.model.repeat),
        "notes": list(result.notes),
        "cautions": list(CAUTIONS),
        "not_considered": list(NOT_CONSIDERED),
        "provenance": {
            "version": result.provenance.version,
            "model_sha256": result.provenance.model_sha256,
            "settings_sha256": result.provenance.settings_sha256,
            "ratios_sha256": result.ratios_sha256,
            "registry_sha256": result.registry,
            "ratios_measured_with_these_models": result.same_models,
        },
    }


def comparison_entry(record: Mapping[str, Any]) -> tuple[dict[str, Any], dict[str, Any]]:
    """Inputs and outputs of a comparison for the chain of a herd's record."""
    made = record["provenance"]
    inputs = {
        "photos": [{"photo": p["photo"], "sha256": p["sha256"]} for p in record["photos"]],
        "claims": [claim["name"] for claim in record["claims"]],
        **{name: made[f"{name}_sha256"] for name in ("registry", "settings", "model", "ratios")},
    }
    text = json.dumps(record, sort_keys=True, separators=(",", ":"), allow_nan=False)
    outputs = {
        "log_ratio": record["log_ratio"],
        "verbal": record["verbal"]["words"],
        "for": record["verbal"]["for"],
        "record_sha256": hashlib.sha256(text.encode("ascii")).hexdigest(),
    }
    return inputs, outputs


def validity_record(model: RatioModel) -> dict[str, Any]:
    """Validity of the ratios as plain values."""
    curves = model.curves
    return {
        "origin": model.origin,
        "rows": [
            {
                "name": v.name,
                "disputes": v.n,
                "nothing_read": v.silent,
                "cllr": _round(v.cllr),
                "cllr_min": _round(v.cllr_min),
                "misleading": v.misleading,
                "strongest_misleading_ratio": _round(math.exp(v.worst)),
            }
            for v in model.validity
        ],
        "tippett": {
            "log10_ratio": list(curves.log10_ratio),
            "same": list(curves.same),
            "other": list(curves.other),
        },
        "cross_entropy": {
            "log10_prior_odds": list(curves.log10_prior_odds),
            "ratios": list(curves.entropy),
            "recalibrated": list(curves.entropy_pav),
            "silent": list(curves.entropy_silent),
        },
    }


def _priors(result: Comparison) -> dict[str, Any]:
    first, second = (r.value for r in result.against_neither)
    three = three_way_posteriors(result.ratio.value, (first, second))
    return {
        "two_claims": [
            {"prior_odds": odds, "probability_A": _round(p)}
            for odds, p in pair_posteriors(result.ratio.value)
        ],
        "three": [
            {"prior_neither": prior, "A": _round(a), "B": _round(b), "neither": _round(n)}
            for prior, a, b, n in three
        ],
    }


def _photo(photo: PhotoEvidence, part: float, model: RatioModel) -> dict[str, Any]:
    scores = photo.scores
    raw = scores.differences(0, 1)
    weights: Mapping[str, float] = dict(zip(TOGETHER, model.together, strict=True))
    weighted = sum(weights[reader] * raw[reader] for reader in TOGETHER)
    factor = part / weighted if weighted else 0.0
    added = [
        factor * sum(weights[r] * p.differences[r] for r in TOGETHER) for p in photo.characters
    ]
    characters = [
        {
            "row": p.row + 1,
            "place": p.cell + 1,
            "A": p.first,
            "B": p.second,
            "log_ratio": _round(value),
            "readers": {r: _round(v) for r, v in p.differences.items() if r in scores.scores},
        }
        for p, value in zip(photo.characters, added, strict=True)
    ]
    return {
        "photo": scores.photo,
        "sha256": scores.sha256,
        "text": photo.text,
        "condition": None if math.isnan(photo.condition) else _round(photo.condition),
        "log_ratio": _round(part),
        "readers": {r: _round(raw[r]) for r in raw if r in scores.scores},
        "characters": characters,
        "rest": _round(part - sum(added)),
        "cells": [_cell(cell) for cell in photo.cells],
        "notes": list(photo.notes),
    }


def _cell(cell: DecisiveCell) -> dict[str, Any]:
    counted = [(p.owner, p.inked) for p in cell.places]
    return {
        "row": cell.row + 1,
        "place": cell.cell + 1,
        "A": cell.first,
        "B": cell.second,
        "needle_log_ratio": _round(cell.total),
        "other_poses": _round(cell.other_poses),
        "counted_log_ratio": _round(needle_log_ratio(counted)),
        "only_A": _count(cell, "first"),
        "only_B": _count(cell, "second"),
        "needles": [
            {
                "claim": "A" if p.claim == "first" else "B",
                "only": p.owner != "both",
                "x": round(p.x, 2),
                "y": round(p.y, 2),
                "inked": _round(p.inked),
                "log_ratio": _round(p.logratio),
            }
            for p in cell.places
        ],
    }


def _count(cell: DecisiveCell, owner: Owner) -> dict[str, Any]:
    inked = [float(p.inked) > 0.5 for p in cell.places if p.owner == owner]
    return {"needles": len(inked), "inked": sum(inked)}


def _ratio(ratio: LogRatio) -> dict[str, Any]:
    return {
        "ratio": _round(math.exp(ratio.value)),
        "log_ratio": _round(ratio.value),
        "log_ratio_uncapped": _round(ratio.uncapped),
        "capped": ratio.capped,
    }


def _round(value: float) -> float:
    return float(f"{value:.{FIGURES}g}")
