"""The result of weighing two claims, and its record: one set of rows for JSON, text and HTML."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from legibility.containers import Provenance
from legibility.evidence.contributions import CharacterPart
from legibility.evidence.needles import NeedlePlace, Owner, needle_log_ratio
from legibility.evidence.ratio import (
    Interval,
    LogRatio,
    PhotoScores,
    Variant,
    intervals,
    neither_ratio,
    pair_posteriors,
    pair_ratio,
    photo_parts,
    three_way_posteriors,
    variants,
)
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


@dataclass(frozen=True, slots=True)
class Claim:
    """One of the two claims."""

    name: str
    """As given."""
    mark: str
    animal_ids: tuple[str, ...]
    """Registered animals with that mark, or the one that was named; empty without a registry."""
    ears: tuple[str, ...] = ()
    """Ears their records name, as far as they do."""

    @property
    def proposition(self) -> str:
        """The claim as a sentence."""
        if self.animal_ids:
            whose = " or ".join(self.animal_ids)
            return (
                f"The photographed ear is that of {whose}, recorded with the mark {self.mark} "
                "(an error when the mark was applied is allowed for)."
            )
        return (
            f"The photographed ear was to be marked {self.mark} (an error when the mark was "
            "applied is allowed for)."
        )


NEITHER: Final = (
    "The photographed ear carries some other mark, drawn from all that the herd's rules allow."
)


@dataclass(frozen=True, slots=True)
class DecisiveCell:
    """The needles of both claims in one cell in which they differ."""

    row: int
    cell: int
    first: str
    second: str
    height_px: float
    places: tuple[NeedlePlace, ...]
    """Those only one claim has first, then by strength."""
    other_poses: float
    """What the needle model's average over other poses and dies adds."""
    total: float
    """Needle model's log-likelihood of the first claim's character less the second's."""


@dataclass(frozen=True, slots=True)
class PhotoEvidence:
    """One photo's part in the comparison."""

    scores: PhotoScores
    text: str
    """Mark as read without the claims, "?" where unread; empty when nothing was read."""
    condition: float
    """How clearly ink shows, mean over the cells, 0..1; NaN when nothing was read."""
    characters: tuple[CharacterPart, ...]
    cells: tuple[DecisiveCell, ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ApplicationError:
    """How an error when the mark was applied would help a claim."""

    claim: str
    probability: float
    """That the ear does not carry the recorded mark, if the claim is true."""
    mark: str
    """The most probable other mark the ear would then carry."""
    log_gain: float
    """Log-likelihood of that mark less that of the recorded one, before its price."""


@dataclass(frozen=True, slots=True)
class Alternative:
    """A registered mark other than the claims."""

    animal_ids: tuple[str, ...]
    mark: str
    log_ratio: float
    """Against the better of the two claims, by the fused readers, within the cap."""


@dataclass(frozen=True, slots=True)
class Comparison:
    """Everything that is reported of a dispute."""

    claims: tuple[Claim, Claim]
    photos: tuple[PhotoEvidence, ...]
    ratio: LogRatio
    against_neither: tuple[LogRatio, LogRatio]
    intervals: tuple[Interval, ...]
    variants: tuple[Variant, ...]
    by_photo: tuple[float, ...]
    """What each photo adds to the uncapped log ratio."""
    application: tuple[ApplicationError, ...]
    alternatives: tuple[Alternative, ...]
    one_ear: float
    """Log ratio of "all photos show one mark" against "each its own"; 0 for one photo."""
    model: RatioModel
    ratios_sha256: str
    same_models: bool
    """Whether the networks are those the ratios were measured with."""
    registry: str
    """Digest of the registry; empty without one."""
    provenance: Provenance
    notes: tuple[str, ...] = ()


def weigh(
    claims: tuple[Claim, Claim],
    photos: Sequence[PhotoEvidence],
    model: RatioModel,
    *,
    application: Sequence[ApplicationError],
    alternatives: Sequence[Alternative],
    one_ear: float,
    ratios_sha256: str,
    same_models: bool,
    registry: str,
    provenance: Provenance,
    notes: Sequence[str] = (),
) -> Comparison:
    """Weigh two claims by what the readers said of the photos."""
    scores = tuple(photo.scores for photo in photos)
    return Comparison(
        claims=claims,
        photos=tuple(photos),
        ratio=pair_ratio(scores, model),
        against_neither=(
            neither_ratio(scores, model, claim=0),
            neither_ratio(scores, model, claim=1),
        ),
        intervals=intervals(scores, model),
        variants=variants(scores, model),
        by_photo=photo_parts(scores, model),
        application=tuple(application),
        alternatives=tuple(alternatives),
        one_ear=one_ear,
        model=model,
        ratios_sha256=ratios_sha256,
        same_models=same_models,
        registry=registry,
        provenance=provenance,
        notes=tuple(notes),
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
            "readers": {r: _round(v) for r, v in p.differences.items()},
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
