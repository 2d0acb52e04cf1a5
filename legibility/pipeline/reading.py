"""A photo's :class:`Reading`: the sighted mark under each pose worth keeping."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.containers import (
    CellReading,
    ColorImage,
    Flag,
    Hypothesis,
    LogLikelihood,
    Mask,
    Photo,
    Reading,
)
from legibility.enhance.chain import enhance
from legibility.networks import MODELS, model_from_json
from legibility.pipeline.cells import (
    Readers,
    RowOpinions,
    cell_readings,
    is_cell,
    pooled,
    readers_disagree,
    row_opinions,
)
from legibility.pipeline.seen_rows import Picture, SeenRow, place_evidence, view_rows
from legibility.pipeline.sighting import POSE_FLOOR, Sighting, posed_rows, sight_mark
from legibility.read.alike import likeness, load_alike_model, place_pictures
from legibility.read.reading_model import ReadingModel, load_reading_model
from legibility.read.tesseract import available

DISAGREE: Final = 0.5
"""Choice: Jensen-Shannon share above which the readers' disagreement is flagged."""
OTHER_POSES: Final = 2
"""Choice: most poses kept beside the best one; each costs a run of the reader."""


@dataclass(frozen=True, slots=True)
class MarkModel:
    """Probability that what was sighted is a readable mark: a logistic regression."""

    bias: float
    evidence: float
    """Weight of log(evidence + 0.1)."""
    certainty: float
    """Weight of the mean certainty of the places."""
    pose: float
    """Weight of the probability of the best pose."""

    def log_no_mark(self, features: tuple[float, float, float]) -> float:
        """Log-probability that no readable mark was sighted."""
        evidence, certainty, pose = features
        logit = (
            self.bias
            + self.evidence * math.log(evidence + 0.1)
            + self.certainty * certainty
            + self.pose * pose
        )
        return -float(np.logaddexp(0.0, logit))


MARK_FILE: Final = MODELS / "mark.json"


@lru_cache(maxsize=1)
def load_mark_model(path: Path = MARK_FILE) -> MarkModel:
    """The shipped regression.

    Raises
    ------
    ModelError
        If the file is missing or lacks a weight.
    """
    names = ("bias", "evidence", "certainty", "pose")
    return model_from_json(path, lambda values: MarkModel(*(float(values[k]) for k in names)))


def mark_features(sighting: Sighting) -> tuple[float, float, float]:
    """Evidence, mean certainty of the places, and probability of the best pose."""
    places = [place for row in sighting.rows for place in row.view.places]
    weight = sum(place.presence for place in places)
    certainty = place_evidence(places) / weight if weight > 0 else 0.0
    return sighting.evidence, certainty, float(np.exp(sighting.pose_logp.max()))


@lru_cache(maxsize=1)
def reading_model() -> ReadingModel:
    """The shipped pool and calibration, loaded once a process."""
    return load_reading_model()


def read_without_second(photo: Photo) -> Reading:
    """Reading of a photo, by the standard settings and without the second reader."""
    enhanced = enhance(photo)
    reading, _, _ = read_mark(
        photo.pixels,
        not_seen=enhanced.glare | enhanced.hair,
        readers=Readers(second=False),
    )
    return reading


def read_mark(
    pixels: ColorImage,
    *,
    not_seen: Mask,
    readers: Readers,
    sighting: Sighting | None = None,
) -> tuple[Reading, Sighting, tuple[RowOpinions, ...]]:
    """Reading of a photo, what was sighted, and the readers' opinions of the best hypothesis.

    Parameters
    ----------
    sighting : Sighting, optional
        Where the mark is, when a person said so; looked for when not given.
    """
    model = reading_model()
    sighting = sight_mark(pixels, not_seen=not_seen) if sighting is None else sighting
    flags = Flag.NONE
    if readers.second and not available():
        flags |= Flag.NO_SECOND_READER
    if not sighting.rows or sighting.page_like:
        flags |= Flag.TOO_MANY_ROWS if sighting.page_like else Flag.NO_MARK
        return Reading((), 0.0, flags=flags), sighting, ()
    log_no_mark = load_mark_model().log_no_mark(mark_features(sighting))
    log_mark = math.log(-math.expm1(min(log_no_mark, -1e-12)))
    opinions = tuple(row_opinions(seen.strip, seen.view, readers=readers) for seen in sighting.rows)
    pools = [pooled(said, model) for said in opinions]
    rows = tuple(
        cell_readings(seen.strip, seen.view, said, logp)
        for seen, said, logp in zip(sighting.rows, opinions, pools, strict=True)
    )
    alike = _alike(sighting.rows, pools)
    hypotheses = [replace(_hypothesis(sighting, 0, log_mark, rows), alike=alike)]
    hypotheses += _other_poses(pixels, sighting, log_mark, not_seen, model)
    if any(readers_disagree(said, model) > DISAGREE for said in opinions):
        flags |= Flag.READERS_DISAGREE
    if hypotheses[0].mirrored and log_no_mark <= math.log(0.5):
        flags |= Flag.SEEN_MIRRORED
    if log_no_mark > math.log(0.5):
        flags |= Flag.NO_MARK
    second = tuple(said.second.text for said in opinions if said.second.asked)
    reading = Reading(
        hypotheses=_normalised(hypotheses, log_mark),
        logp_no_mark=log_no_mark,
        second_opinion=second,
        flags=flags,
    )
    return reading, sighting, opinions


def _hypothesis(
    sighting: Sighting, pose: int, log_mark: float, rows: tuple[tuple[CellReading, ...], ...]
) -> Hypothesis:
    first = posed_rows(sighting, pose)[0]
    return Hypothesis(
        logp=log_mark + float(sighting.pose_logp[pose]),
        rows=tuple(row for row in rows if row),
        rotation_deg=first.angle_deg,
        mirrored=first.mirrored,
    )


def _alike(rows: Sequence[SeenRow], pools: Sequence[LogLikelihood]) -> NDArray[np.float64]:
    """What the cells' likeness says of each two of them, in reading order."""
    pictures = []
    for seen, logp in zip(rows, pools, strict=True):
        boxes = [p.box for p, line in zip(seen.view.places, logp, strict=True) if is_cell(line)]
        pictures += place_pictures(seen.view.ink, boxes)
    return load_alike_model().log_ratio(likeness(pictures))


def _other_poses(
    pixels: ColorImage,
    sighting: Sighting,
    log_mark: float,
    not_seen: Mask,
    model: ReadingModel,
) -> list[Hypothesis]:
    """Other ways round, read by the network alone."""
    order = np.argsort(-sighting.pose_logp, kind="stable")
    picture = Picture(pixels, not_seen, sighting.by_redness)
    out = []
    for pose in [int(k) for k in order if k != 0][:OTHER_POSES]:
        if sighting.pose_logp[pose] < math.log(POSE_FLOOR):
            continue
        seen_rows = view_rows(picture, posed_rows(sighting, pose))
        silent = Readers(needles=False, second=False)
        rows = []
        for seen in seen_rows:
            said = row_opinions(seen.strip, seen.view, readers=silent)
            rows.append(cell_readings(seen.strip, seen.view, said, pooled(said, model)))
        out.append(_hypothesis(sighting, pose, log_mark, tuple(rows)))
    return out


def _normalised(hypotheses: list[Hypothesis], log_mark: float) -> tuple[Hypothesis, ...]:
    """Those with something to read, the first one first; they and "no mark" sum to one."""
    kept = [h for h in hypotheses if h.rows]
    if not kept:
        return ()
    total = float(np.logaddexp.reduce([h.logp for h in kept]))
    shifted = [replace(h, logp=h.logp - total + log_mark) for h in kept]
    return (shifted[0], *sorted(shifted[1:], key=lambda h: -h.logp))
