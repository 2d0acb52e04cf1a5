"""The result of weighing two claims."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from legibility.containers import Provenance
from legibility.evidence.contributions import CharacterPart
from legibility.evidence.needles import NeedlePlace
from legibility.evidence.ratio import (
    Interval,
    LogRatio,
    PhotoScores,
    Variant,
    intervals,
    neither_ratio,
    pair_ratio,
    photo_parts,
    variants,
)
from legibility.evidence.ratio_model import RatioModel


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
