"""Fit what stands behind sequences of photos: tempering exponents and what each step does.

``python -m legibility.evaluate.fit_steps --animals 200 --seed 40 --jobs 2`` writes
``legibility/models/steps.json``. Each ear goes through the steps in an order of its own, so that a
step is measured early and late. The exponents are fitted on the even ears; the outcomes of steps
are then taken from all of them.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import Final

import numpy as np

from legibility.containers import Stage
from legibility.evaluate.sequences import (
    REPEATS,
    ReadSequence,
    ReadStage,
    herd_log_prior,
    herd_registry,
    read_ears,
    read_sequence,
)
from legibility.identify.sequence import (
    SequenceRecord,
    Tempering,
    combine,
    fit_tempering,
)
from legibility.identify.stages import STEPS
from legibility.identify.step_effects import (
    DEFAULT_FILE,
    StepEffects,
    StepModel,
    StepOutcome,
    save_step_model,
)
from legibility.settings import Settings
from legibility.workers import ending

FIT_SETTINGS: Final = Settings(second_reader=False)


def random_step(read: tuple[ReadStage, ...], rng: np.random.Generator) -> Stage | None:
    """The next step in an order drawn at random; None when all were taken."""
    done = {shot.evidence.stage for shot in read}
    left = [stage for stage in STEPS if stage not in done]
    return left[int(rng.integers(len(left)))] if left else None


def fit_step_model(
    sequences: Sequence[ReadSequence], *, seed: int, settings: Settings, origin: str
) -> StepModel:
    """Tempering and outcomes of steps from sequences of ears whose animal is known."""
    prior = herd_log_prior(herd_registry(seed), settings)

    def record(sequence: ReadSequence, shots: Sequence[ReadStage]) -> SequenceRecord:
        return SequenceRecord(tuple(shot.evidence for shot in shots), sequence.truth, prior)

    half = sequences[::2]
    singles = [record(s, [shot]) for s in half for shot in s.stages]
    bursts = [
        record(s, [s.stages[0], *s.repeats[:count]])
        for s in half
        for count in range(1, len(s.repeats) + 1)
    ]
    stages = [record(s, s.stages[:count]) for s in half for count in range(2, len(s.stages) + 1)]
    tempering = fit_tempering(singles, bursts, stages)
    found: dict[Stage, list[StepOutcome]] = {stage: [] for stage in STEPS}
    for sequence in sequences:
        for count in range(1, len(sequence.stages)):
            before, after = (
                first_probability(sequence.stages[:n], prior=prior, tempering=tempering)
                for n in (count, count + 1)
            )
            hair = sequence.stages[count - 1].hair
            found[sequence.stages[count].evidence.stage].append(StepOutcome(before, after, hair))
    outcomes = {stage: tuple(items) for stage, items in found.items()}
    return StepModel(tempering, StepEffects(outcomes), origin)


def first_probability(
    shots: Sequence[ReadStage], *, prior: np.ndarray, tempering: Tempering
) -> float:
    """Probability of the first candidate after some photos."""
    photos = [shot.evidence for shot in shots]
    return float(combine(photos, prior, tempering=tempering).probabilities.max())


@ending()
def main() -> None:
    """Command line of the module."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--animals", type=int, default=200)
    parser.add_argument("--seed", type=int, default=40)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--out", type=Path, default=DEFAULT_FILE)
    given = parser.parse_args()
    work = partial(
        read_sequence,
        seed=given.seed,
        settings=FIT_SETTINGS,
        next_stage=random_step,
        repeats=REPEATS,
    )

    sequences = read_ears(work, given.animals, jobs=given.jobs)
    origin = f"{given.animals} simulated ears, held-out glyph sources, seed {given.seed}"
    model = fit_step_model(sequences, seed=given.seed, settings=FIT_SETTINGS, origin=origin)
    save_step_model(model, given.out)
    print(f"{given.out}: repeat {model.tempering.repeat:.3f}, step {model.tempering.step:.3f}")
    threshold = FIT_SETTINGS.identified_probability
    for stage, outcomes in model.effects.outcomes.items():
        unsettled = [o for o in outcomes if o.before < threshold]
        settled = sum(o.after >= threshold for o in unsettled)
        print(f"{stage.value}: settles {settled} of {len(unsettled)} that were not settled")


if __name__ == "__main__":
    main()
