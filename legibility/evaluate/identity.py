"""Whether identities keep their promise: simulated photos put to simulated herds of many sizes.

Photos and herds are none of those the calibration was fitted on (another seed). Each photo is put
to one herd of each size; in a tenth of the cases, drawn at random, its animal is left out of the
registry. Photos that the reader refuses take no part.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from legibility import __version__
from legibility.evaluate.reliability import BrierSplit, brier_split, ece, reliability_table
from legibility.evaluate.report import Cell, Report, Section
from legibility.identify.calibration import FinalCalibration
from legibility.identify.calibration_file import calibration_sha256
from legibility.identify.calibration_outcomes import set_size, spread
from legibility.identify.conformal import set_limits
from legibility.identify.herd_scores import HerdScores
from legibility.intervals import Rate, rate
from legibility.networks import models_sha256
from legibility.pipeline.known_readings import (
    KnownReading,
    load_known_readings,
    save_known_readings,
)
from legibility.pipeline.simulated_herds import SIZES, WEAR, records_of, simulated_readings
from legibility.settings import Settings

SURE: Final = 0.99
"""A first candidate this probable that is wrong is a false identification."""
PROMISED: Final = 0.95
"""Contract: share of candidate sets that hold the truth."""
BINS: Final = 10
"""Choice: of the calibration error and the reliability table."""
REPEATS: Final = 50
"""Choice: draws for the calibration error by chance."""
LIMIT: Final = 0.025
"""A coverage is within limits when so few or fewer covered are no rarer than this by chance."""


@dataclass(frozen=True, slots=True)
class Case:
    """One photo put to one herd."""

    photo: str
    condition: str
    animals: int
    registered: bool
    first: float
    """Probability of the first candidate."""
    right: bool
    covered: bool
    """Whether the set holds the truth."""
    members: int
    """Size of the set."""


def measure_cases(
    records: Sequence[HerdScores], calibration: FinalCalibration, *, seed: int, settings: Settings
) -> list[Case]:
    """What a calibration makes of each record, a tenth of their animals left out at random."""
    rng = np.random.default_rng([seed, 83])
    prior = settings.not_registered_prior
    ranked_with = calibration.scored_with or calibration
    cases = []
    for record in records:
        left_out = bool(rng.random() < prior)
        found, ranks = (
            spread(record, each, not_registered_prior=prior, left_out=left_out)
            for each in (calibration, ranked_with)
        )
        limits = set_limits(
            calibration.sets,
            animals=record.animals - int(left_out),
            coverage=settings.candidate_coverage,
        )
        limit = limits.unregistered if left_out else limits.registered
        first = int(np.argmax(found.probabilities))
        p = ranks.probabilities
        score = float(np.sum((ranks.counts * p)[p > p[ranks.truth]]))
        right = first == found.truth
        cases.append(
            Case(
                photo=record.photo,
                condition=record.condition,
                animals=record.animals,
                registered=not left_out,
                first=float(found.probabilities[first]),
                right=right,
                covered=score <= limit + 1e-9 or right,
                members=set_size(ranks, limits),
            )
        )
    return cases


def identity_report(
    cases: Sequence[Case], *, photos: int, seed: int, calibration: FinalCalibration
) -> Report:
    """Tables of coverage, calibration and false identification."""
    usable = len({case.photo for case in cases})
    everything = {"all": cases}
    by_size = {
        f"{n:,} animals": [c for c in cases if c.animals == n]
        for n in sorted({case.animals for case in cases})
    }
    by_wear = {wear: [c for c in cases if c.condition == wear] for wear in dict.fromkeys(WEAR)}
    by_case = {
        "registered": [c for c in cases if c.registered],
        "not registered": [c for c in cases if not c.registered],
    }
    both = {
        f"{wear}, {size}": [c for c in group if c.condition == wear]
        for size, group in by_size.items()
        for wear in by_wear
    }
    groups = {**everything, **by_size, **by_wear}
    split = _split(cases)
    return Report(
        n=photos,
        seed=seed,
        sections=(
            Section(
                "Candidate sets and first candidates",
                (
                    *(_row(name, group) for name, group in groups.items() if group),
                    *(
                        # Calibration is no promise once the truth is given.
                        {**_row(name, group), "ece": float("nan"), "ece by chance": float("nan")}
                        for name, group in by_case.items()
                        if group
                    ),
                ),
                note=f"{usable} of {photos} photos were read; a photo is in one herd of each size. "
                f"Rows over several sizes hold each photo up to {len(by_size)} times: their "
                "intervals are too narrow, but limits go by photo.",
            ),
            Section(
                "By needle condition and size of the registry",
                tuple(_row(name, group) for name, group in both.items() if group),
            ),
            Section(
                "Reliability of the first candidate",
                tuple(
                    {
                        "stated": f"{row.low:.3f} to {row.high:.3f}",
                        "mean stated": round(row.mean_probability, 4),
                        "right": row.right,
                    }
                    for row in reliability_table(
                        [c.first for c in cases], [c.right for c in cases], bins=BINS
                    )
                ),
                note=f"Brier {split.score:.4f} = reliability {split.reliability:.4f} - resolution "
                f"{split.resolution:.4f} + uncertainty {split.uncertainty:.4f} + within bins "
                f"{split.within:.4f}",
            ),
        ),
        facts={
            "version": __version__,
            "models": models_sha256(),
            "calibration": calibration_sha256(calibration),
            "calibration fitted on": calibration.origin,
        },
    )


def _row(name: str, cases: Sequence[Case]) -> dict[str, Cell]:
    covered = rate(sum(c.covered for c in cases), len(cases))
    photos = len({c.photo for c in cases})
    wrong = rate(sum(c.first >= SURE and not c.right for c in cases), len(cases))
    first = [c.first for c in cases]
    right = [c.right for c in cases]
    members = np.array([c.members for c in cases])
    return {
        "cases": name,
        "covered": covered,
        "within limits": "yes" if within_limits(covered, photos=photos) else "no",
        "mean set": round(float(members.mean()), 2),
        "median set": round(float(np.median(members)), 1),
        "first right": rate(sum(right), len(right)),
        "mean stated": round(float(np.mean(first)), 4),
        "ece": round(ece(first, right, bins=BINS), 4),
        "ece by chance": round(ece_by_chance(cases), 4),
        "stated 0.99 or more": rate(sum(p >= SURE for p in first), len(first)),
        "of all, so stated and wrong": wrong,
    }


def within_limits(covered: Rate, *, photos: int, promised: float = PROMISED) -> bool:
    """Whether so few covered can be chance when ``promised`` are: binomial, one side 2.5 %.

    Parameters
    ----------
    photos : int
        Different ones; a photo that was put to several herds counts once.
    """
    from scipy.stats import binom

    return bool(round(covered.value * photos) >= binom.ppf(LIMIT, photos, promised))


def ece_by_chance(cases: Sequence[Case], *, repeats: int = REPEATS) -> float:
    """Calibration error to expect when every stated probability is kept.

    Outcomes are drawn from the stated probabilities, one draw a photo for all its herds, since what
    spoils a photo spoils it in every herd. A measured error of this size shows nothing.
    """
    first = np.array([case.first for case in cases])
    _, photo = np.unique([case.photo for case in cases], return_inverse=True)
    rng = np.random.default_rng(84)
    drawn = rng.random((repeats, int(photo.max()) + 1))
    return float(np.mean([ece(first, one[photo] < first, bins=BINS) for one in drawn]))


def _split(cases: Sequence[Case]) -> BrierSplit:
    return brier_split([c.first for c in cases], [c.right for c in cases], bins=BINS)


def evaluate_identity(
    *,
    count: int,
    seed: int,
    jobs: int,
    calibration: FinalCalibration,
    say: Callable[[str], None],
    stored: Path | None = None,
    sizes: Sequence[int] = SIZES,
    settings: Settings | None = None,
) -> Report:
    """Read simulated photos, or take stored readings, and measure identities.

    Parameters
    ----------
    stored : Path, optional
        File of readings: taken when it exists, otherwise written.
    """
    chosen = settings or Settings()
    readings: Sequence[KnownReading]
    if stored is not None and stored.exists():
        readings, _ = load_known_readings(stored)
    else:
        readings = simulated_readings(count, seed=seed, jobs=jobs, say=say)
        if stored is not None:
            save_known_readings(readings, stored, origin=f"{count} simulated photos, seed {seed}")
    records = records_of(readings, seed=seed, jobs=jobs, say=say, sizes=sizes, settings=chosen)
    cases = measure_cases(records, calibration, seed=seed, settings=chosen)
    return identity_report(cases, photos=len(readings), seed=seed, calibration=calibration)
