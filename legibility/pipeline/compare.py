"""Two claims and some photos: read, lay both needle patterns over the mark, weigh."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from legibility import __version__
from legibility.containers import ColorImage, Photo, Provenance
from legibility.enhance.pictures import DECODED
from legibility.errors import EvidenceError
from legibility.evidence.comparison import (
    Alternative,
    ApplicationError,
    Claim,
    Comparison,
    DecisiveCell,
    PhotoEvidence,
    weigh,
)
from legibility.evidence.contributions import CharacterPart, character_parts
from legibility.evidence.fitting import rank_weights
from legibility.evidence.ratio import PhotoScores, one_ear_log_ratio
from legibility.evidence.ratio_file import (
    RATIOS_FILE,
    load_ratio_model,
    measured_models_sha256,
)
from legibility.evidence.ratio_model import READERS, RatioModel
from legibility.identify.channel import channel_odds, channel_outcomes
from legibility.identify.emissions import Prices
from legibility.identify.layouts import LayoutPrior, even_layouts
from legibility.identify.marktable import MarkTable
from legibility.identify.marktext import best_text, probable_marks
from legibility.identify.rowcheck import check_mark
from legibility.identify.rules import Rules
from legibility.identify.unregistered import UnregisteredMarks, unregistered_marks
from legibility.marks.rules import of_marks
from legibility.networks import models_sha256
from legibility.photo.load import load_photo
from legibility.pipeline.claim_needles import CLAIM_STEPS, claim_pictures, decisive_cells
from legibility.pipeline.claim_scores import (
    PhotoOpinions,
    as_recorded,
    mark_log_likelihoods,
    neither_log_likelihood,
    photo_opinions,
    reader_readings,
    said,
)
from legibility.pipeline.claims import (
    check_claims,
    different_ears,
    in_the_same_way,
    resolve_claim,
)
from legibility.pipeline.exposures import copies
from legibility.settings import Settings

if TYPE_CHECKING:
    from legibility.identify.animals import Registry

DIFFERENT_EARS: Final = math.log(1e-3)
"""Choice: photos a thousand times better explained by different marks are not of one ear."""
ALTERNATIVES: Final = 5
"""Choice: registered marks listed beside the claims."""
OWN_MARKS: Final = 8
"""Choice: marks of each photo's own reading that the one-ear check allows."""


@dataclass(frozen=True, slots=True)
class ComparedPhoto:
    """Pictures of one photo for a person to look at."""

    photo: str
    pixels: ColorImage
    rows: tuple[ColorImage, ...]
    """Both claims' needles over the ink map, a picture a row."""
    steps: tuple[str, ...] = (DECODED,)
    """What was done to the original for ``pixels``."""
    row_steps: tuple[str, ...] = (DECODED, *CLAIM_STEPS)
    """The same for ``rows``."""


def compare(
    paths: Sequence[Path],
    claims: tuple[str, str],
    *,
    registry: Registry | None = None,
    rules: Rules | None = None,
    settings: Settings | None = None,
    allow_different_ears: bool = False,
    ratios: Path = RATIOS_FILE,
) -> tuple[Comparison, tuple[ComparedPhoto, ...]]:
    """Weigh two claims about the ear in some photos.

    Parameters
    ----------
    paths : sequence of Path
        Photos of one ear.
    claims : (str, str)
        Animals of the registry, or marks; without a registry, marks.
    allow_different_ears : bool
        Weigh photos that seem to be of different ears all the same.

    Raises
    ------
    EvidenceError
        If a claim is not in the registry or breaks the rules, both claims are one, or photos seem
        to be of different ears.
    PhotoError
        If a file cannot be used as a photo.
    ModelError
        If the ratio model is missing.
    """
    settings = settings or Settings()
    photos, notes = _different_files(paths, settings)
    return compare_photos(
        photos,
        claims,
        registry=registry,
        rules=rules,
        settings=settings,
        allow_different_ears=allow_different_ears,
        ratios=ratios,
        notes=notes,
    )


def compare_photos(
    photos: Sequence[Photo],
    claims: tuple[str, str],
    *,
    registry: Registry | None = None,
    rules: Rules | None = None,
    settings: Settings,
    allow_different_ears: bool = False,
    ratios: Path = RATIOS_FILE,
    notes: Sequence[str] = (),
) -> tuple[Comparison, tuple[ComparedPhoto, ...]]:
    """:func:`compare` for decoded photos of different files.

    Raises
    ------
    EvidenceError, ModelError
        As :func:`compare`.
    """
    notes = list(notes)
    model, digest = load_ratio_model(ratios)
    resolved = (
        resolve_claim(claims[0], registry, rules=rules),
        resolve_claim(claims[1], registry, rules=rules),
    )
    check_claims(*resolved)
    if registry is None:
        resolved = in_the_same_way(resolved)
    others = registry.unregistered if registry is not None else unregistered_marks(rules=rules)
    marks = (resolved[0].mark, resolved[1].mark)
    layouts = registry.layouts if registry is not None else even_layouts(rules)
    opinions = [photo_opinions(photo, settings=settings) for photo in photos]
    evidence, pictures = [], []
    repeated = copies(photos)
    for place, (photo, seen) in enumerate(zip(photos, opinions, strict=True)):
        scores = _scores(photo.name, photo.sha256, seen, marks, others, settings, layouts)
        parts = _character_parts(seen, marks)
        cells = decisive_cells(seen, parts)
        said_before = ""
        if place in repeated:
            said_before = photos[repeated[place]].name
            scores = replace(scores, scores={}, as_recorded={}, said=0.0)
        evidence.append(_photo_evidence(scores, seen, parts, cells, settings, said_before))
        pictures.append(ComparedPhoto(photo.name, photo.pixels, claim_pictures(seen, parts, cells)))
    opinions = [seen for place, seen in enumerate(opinions) if place not in repeated]
    one_ear = _one_ear(opinions, marks, registry, model.alone["pooled"], settings, layouts)
    if one_ear < DIFFERENT_EARS and not allow_different_ears:
        read = ", ".join(f"{e.scores.photo}: {e.text or 'nothing'}" for e in evidence)
        raise EvidenceError(
            f"the photos seem to be of different ears ({read}); compare photos of one ear, or say "
            "--different-ears if you know that they are of one"
        )
    same_models = model.models_sha256 == measured_models_sha256()
    if not same_models:
        notes.append(
            "The ratios were measured with other networks or fits than these; validity and cap "
            "hold for those."
        )
    notes += different_ears(resolved)
    result = weigh(
        resolved,
        evidence,
        model,
        application=[_application(claim, opinions, settings, layouts) for claim in resolved],
        alternatives=_alternatives(opinions, resolved, registry, model, settings),
        one_ear=one_ear,
        ratios_sha256=digest,
        same_models=same_models,
        registry="" if registry is None else registry.digest,
        provenance=Provenance(__version__, models_sha256(), settings.sha256),
        notes=notes,
    )
    return result, tuple(pictures)


def compare_files(
    paths: Sequence[Path],
    claims: tuple[str, str],
    *,
    registry: Path | None = None,
    columns: Mapping[str, str] | None = None,
    rules: Path | None = None,
    settings: Settings | None = None,
    allow_different_ears: bool = False,
) -> tuple[Comparison, tuple[ComparedPhoto, ...]]:
    """:func:`compare` with registry, its columns as a person said, and rules from files.

    Raises
    ------
    RegistryError, SettingsError
        If a file cannot be used.
    """
    from legibility.identify.registry import load_registry
    from legibility.identify.rules import load_rules

    said = load_rules(rules) if rules else None
    known = of_marks(said)
    return compare(
        paths,
        claims,
        registry=load_registry(registry, rules=said, columns=columns) if registry else None,
        rules=known,
        settings=settings,
        allow_different_ears=allow_different_ears,
    )


def _different_files(
    paths: Sequence[Path], settings: Settings
) -> tuple[tuple[Photo, ...], list[str]]:
    """Photos, each file once, and what was left out."""
    photos: dict[str, Photo] = {}
    notes = []
    for path in paths:
        photo = load_photo(path, settings=settings)
        if photo.sha256 in photos:
            first = photos[photo.sha256].name
            notes.append(f"{photo.name} is the same file as {first}; counted once.")
        photos.setdefault(photo.sha256, photo)
    return tuple(photos.values()), notes


def _scores(
    name: str,
    sha256: str,
    seen: PhotoOpinions,
    marks: tuple[str, str],
    others: UnregisteredMarks,
    settings: Settings,
    layouts: LayoutPrior,
) -> PhotoScores:
    plain = as_recorded(settings)
    scores, recorded = {}, {}
    for reader, reading in reader_readings(seen).items():
        neither = neither_log_likelihood(reading, others)
        a, b = mark_log_likelihoods(reading, marks, settings=settings, layouts=layouts)
        scores[reader] = (float(a), float(b), neither)
        a, b = mark_log_likelihoods(reading, marks, settings=plain, layouts=layouts)
        recorded[reader] = (float(a), float(b), neither)
    told = said(seen.reading, scores["pooled"][2], settings=settings) if scores else 0.0
    return PhotoScores(name, sha256, scores, recorded, told)


def _character_parts(seen: PhotoOpinions, marks: tuple[str, str]) -> tuple[CharacterPart, ...]:
    prices = Prices()
    return character_parts(
        [row.logp for row in seen.kept],
        marks,
        readers=READERS,
        extra=prices.extra_cell,
        missed=prices.missed_cell,
    )


def _photo_evidence(
    scores: PhotoScores,
    seen: PhotoOpinions,
    parts: tuple[CharacterPart, ...],
    cells: tuple[DecisiveCell, ...],
    settings: Settings,
    said_before: str,
) -> PhotoEvidence:
    notes = []
    if said_before:
        notes.append(f"The same exposure as {said_before}, saved again; counted once.")
    elif not scores.scores:
        notes.append("Nothing was read in this photo; it says nothing of either claim.")
    elif "needles" not in scores.scores:
        notes.append("The needle model could not be laid over this photo's cells.")
    conditions = [
        float(seen.rows[row.row].condition[place]) for row in seen.kept for place in row.places
    ]
    return PhotoEvidence(
        scores=scores,
        text=best_text(seen.reading, settings) if seen.reading.hypotheses else "",
        condition=float(np.mean(conditions)) if conditions else float("nan"),
        characters=parts,
        cells=cells,
        notes=tuple(notes),
    )


def _pooled(
    opinions: Sequence[PhotoOpinions],
    marks: Sequence[str] | MarkTable,
    settings: Settings,
    layouts: LayoutPrior,
) -> NDArray[np.float64]:
    """(photos, marks) by the fused readers; photos in which nothing was read are left out."""
    rows = [
        mark_log_likelihoods(seen.reading, marks, settings=settings, layouts=layouts)
        for seen in opinions
        if seen.reading.hypotheses
    ]
    return np.array(rows, dtype=np.float64).reshape(len(rows), len(marks))


def _one_ear(
    opinions: Sequence[PhotoOpinions],
    marks: tuple[str, str],
    registry: Registry | None,
    exponent: float,
    settings: Settings,
    layouts: LayoutPrior,
) -> float:
    """The log ratio of "all of one ear", over the claims, the registry and what each photo says."""
    speaking = [seen for seen in opinions if seen.reading.hypotheses]
    if len(speaking) < 2:
        return 0.0
    known = dict.fromkeys(marks)
    for seen in speaking:
        own = probable_marks(seen.reading, count=OWN_MARKS, exponent=1.0)
        known |= dict.fromkeys(mark for mark, _ in own if not check_mark(mark, None)[1])
    values = _pooled(speaking, tuple(known), settings, layouts)
    if registry is not None:
        values = np.concatenate(
            [values, _pooled(speaking, registry.table, settings, layouts)], axis=1
        )
    return one_ear_log_ratio(values, exponent=min(1.0, exponent))


def _application(
    claim: Claim, opinions: Sequence[PhotoOpinions], settings: Settings, layouts: LayoutPrior
) -> ApplicationError:
    """Over all photos, what the ear would most probably carry if not the recorded mark."""
    outcomes: Mapping[str, float] = channel_outcomes(claim.mark, odds=channel_odds(settings))
    marks = tuple(outcomes)
    total = _pooled(opinions, marks, as_recorded(settings), layouts).sum(axis=0)
    weighted = total + np.log(np.array([outcomes[mark] for mark in marks]))
    own = marks.index(claim.mark)
    share = np.exp(weighted - np.logaddexp.reduce(weighted))
    rest = np.where(np.arange(len(marks)) == own, -np.inf, weighted)
    best = int(np.argmax(rest)) if len(marks) > 1 else own
    return ApplicationError(
        claim=claim.name,
        probability=float(1.0 - share[own]),
        mark=marks[best],
        log_gain=float(total[best] - total[own]),
    )


def _alternatives(
    opinions: Sequence[PhotoOpinions],
    claims: tuple[Claim, Claim],
    registry: Registry | None,
    model: RatioModel,
    settings: Settings,
) -> tuple[Alternative, ...]:
    if registry is None or not any(seen.reading.hypotheses for seen in opinions):
        return ()
    logp = model.alone["pooled"] * _pooled(opinions, registry.table, settings, registry.layouts)
    own = [registry.find(claim.mark)[0] for claim in claims]
    parts = np.abs(logp[:, own[0]] - logp[:, own[1]])
    total = rank_weights(parts, model.repeat) @ logp
    best = max(total[index] for index in own)
    found: dict[str, Alternative] = {}
    for index in np.argsort(-total, kind="stable"):
        mark = registry.mark(int(index))
        if mark not in found and mark not in {claim.mark for claim in claims}:
            found[mark] = Alternative(
                animal_ids=tuple(registry.animal_id(i) for i in registry.find(mark)),
                mark=mark,
                log_ratio=float(np.clip(total[index] - best, *model.cap)),
            )
        if len(found) == ALTERNATIVES:
            break
    return tuple(found.values())
