"""Marks that people read, as evidence of the same kind as a photo's.

A reader who names a character is right with probability r; a wrong one is any other alike. So the
likelihood of "named 7" is r for 7 and (1 - r) / 36 for each of the 36 other classes ("no character"
among them); of "[8B]" r / 2 for each of the two, and (1 - r) / 35 for the others; "?" says only
that there is a place. What is typed without ``/`` says nothing of rows. Cells, missing and extra
places and the application channel are then those of :mod:`legibility.identify.likelihood`. With
``p_reading_mistaken`` the reading says nothing.

A person who looks at an ear sees the same faults as the photo, and may have seen its answer.
Beside a photo, or another person's reading, the one that says most is a look of its own with a
share ``by_eye_exponent``, the next with its square, and so on (:func:`.sequence.repeated`): a
reading that agrees about doubles high odds, one that disagrees counts nearly in full.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS, N_CLASSES, ROW_SEPARATOR
from legibility.containers import (
    Candidate,
    CellReading,
    EyeEvidence,
    EyeReading,
    Hypothesis,
    NeedleEvidence,
    Reading,
)
from legibility.identify.animals import Registry
from legibility.identify.calibration import FinalCalibration
from legibility.identify.candidates import best_candidates
from legibility.identify.ears import EarRatios, ear_ratios, mark_likelihoods
from legibility.identify.layouts import ONE_ROW_SHARE
from legibility.identify.sequence import Added, information
from legibility.marks.open_readings import reading_rows
from legibility.probability import normalise_log
from legibility.settings import Settings

Rows = tuple[tuple[CellReading, ...], ...]


@dataclass(frozen=True, slots=True)
class Eyes:
    """Evidence of people's readings together."""

    readings: tuple[EyeEvidence, ...]
    ratios: tuple[EarRatios, ...]
    """Of each reading alone, unweighted."""

    def added(self) -> tuple[Added, ...]:
        """The readings as they are added to photos, most telling first."""
        order = sorted(range(len(self.readings)), key=lambda k: -self.readings[k].weight)
        return tuple(
            Added(self.ratios[k].straight, self.ratios[k].swapped, self.readings[k].weight)
            for k in order
        )


def reading_by_eye(said: EyeReading) -> Reading:
    """What a person read, in the form of a photo's reading.

    Examples
    --------
    >>> said = reading_by_eye(EyeReading("K?", accuracy=0.9))
    >>> [round(float(np.exp(cell.logp.max())), 3) for cell in said.hypotheses[0].rows[0]]
    [0.9, 0.027]
    """
    rows = tuple(
        tuple(_cell(place, said.accuracy) for place in row) for row in reading_rows(said.text)
    )
    if not rows:
        return Reading((), 0.0)
    ways = [(ROW_SEPARATOR in said.text or len(rows[0]) < 2, rows)]
    if not ways[0][0]:
        ways += [(False, (rows[0][:k], rows[0][k:])) for k in range(1, len(rows[0]))]
    return Reading(
        tuple(
            Hypothesis(0.0 if sure else _log_share(seen, len(ways)), seen, 0.0, False)
            for sure, seen in ways
        ),
        -np.inf,
    )


def _log_share(rows: Rows, ways: int) -> float:
    """Of one way in which a mark typed without a row break may stand: as for a list's marks."""
    share = ONE_ROW_SHARE if len(rows) == 1 else (1.0 - ONE_ROW_SHARE) / (ways - 1)
    return float(np.log(share))


def ratios_by_eye(
    said: EyeReading,
    registry: Registry,
    *,
    ear: str,
    prior: NDArray[np.float64],
    settings: Settings,
    calibration: FinalCalibration,
    cautious: bool = True,
) -> EarRatios | None:
    """Evidence of what a person read, as :func:`.ears.ear_ratios`; None where it says nothing."""
    reading = reading_by_eye(said)
    if not reading.hypotheses:
        return None
    return ear_ratios(
        mark_likelihoods(reading, registry, settings=settings),
        reading,
        registry,
        ear=ear,
        prior=prior,
        settings=settings,
        calibration=calibration,
        cautious=cautious,
    )


def eyes(
    said: Sequence[EyeReading],
    registry: Registry,
    *,
    ear: str,
    prior: NDArray[np.float64],
    settings: Settings,
    beside_a_photo: bool,
) -> Eyes:
    """Evidence of people's readings of one ear.

    Parameters
    ----------
    said : sequence of EyeReading
    registry : Registry
    ear : str
        "left", "right", or "" for not known.
    prior : (n + 1,) float64
    settings : Settings
    beside_a_photo : bool
        Whether a photo of the same ear counts too.
    """
    calibration = FinalCalibration(exponent=1.0, floor=settings.p_reading_mistaken)
    known: list[tuple[EyeReading, EarRatios, tuple[Candidate, ...]]] = []
    for one in said:
        ratios = ratios_by_eye(
            one, registry, ear=ear, prior=prior, settings=settings, calibration=calibration
        )
        if ratios is None:
            nothing = np.zeros(len(registry) + 1)
            known.append((one, EarRatios(nothing, nothing, nothing), ()))
            continue
        chances = np.exp(normalise_log(prior + ratios.either))
        first = best_candidates(chances, registry, count=1, text=one.text, prior=prior, ear=ear)
        known.append((one, ratios, first))
    says = [information(ratios.either, prior) for _, ratios, _ in known]
    order = sorted(range(len(known)), key=lambda index: -says[index])
    weights = [0.0] * len(known)
    for rank, index in enumerate(order):
        weights[index] = settings.by_eye_exponent ** (rank + beside_a_photo)
    return Eyes(
        tuple(
            EyeEvidence(one, first, weight)
            for (one, _, first), weight in zip(known, weights, strict=True)
        ),
        tuple(ratios for _, ratios, _ in known),
    )


def _cell(place: str, accuracy: float) -> CellReading:
    """A place that a person read as one of ``place``."""
    weights = np.full(N_CLASSES, 1.0 / N_CLASSES)
    if len(place) < len(CHARACTERS):
        right = min(max(accuracy, 1.0 / N_CLASSES), 1.0 - 1e-6)
        weights[:] = (1.0 - right) / (N_CLASSES - len(place))
        weights[[CHARACTERS.index(character) for character in place]] = right / len(place)
    nowhere = np.zeros((4, 2))
    return CellReading(np.log(weights), nowhere, NeedleEvidence(0, 0.0), 0.0, 0.0)
