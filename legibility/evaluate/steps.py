"""What the stop rule saves: minutes of handling against always doing every step, at equal error.

``python -m legibility.evaluate.steps --animals 100 --seed 50 --jobs 2``. Every simulated ear goes
through all steps in the order the advice names them (its own ear, other seed than the fit). The
stop rule ends such a sequence early; doing everything is the same sequence to its end, so that both
are compared on the same photos. The error is the share of ears whose first candidate is wrong when
handling ends, whether or not it is called settled.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from functools import lru_cache, partial
from pathlib import Path
from typing import Final

import numpy as np

from legibility.containers import Stage, Verdict
from legibility.evaluate.sequences import (
    ReadSequence,
    ReadStage,
    herd_log_prior,
    herd_registry,
    read_ears,
    read_sequence,
)
from legibility.identify.sequence import combine
from legibility.identify.stages import minutes_of
from legibility.identify.step_effects import StepModel, load_step_model
from legibility.identify.stop import advise
from legibility.intervals import wilson
from legibility.settings import Settings
from legibility.workers import ending

EVALUATION_SETTINGS: Final = Settings(second_reader=False, handling_budget_min=1000.0)
"""No budget and, below, no least probability: every step is taken in the end."""
THRESHOLDS: Final = (0.8, 0.9, 0.95, 0.98, 0.99, 0.995)
"""Choice: thresholds of the stop rule that are compared."""


@dataclass(frozen=True, slots=True)
class Moment:
    """After one photo of an ear."""

    minutes: float
    """Of handling so far."""
    probability: float
    """Of the first candidate."""
    right: bool
    """Whether the first candidate is the true animal, or rightly "not registered"."""


@dataclass(frozen=True, slots=True)
class Policy:
    """What one way to end handling costs and brings."""

    name: str
    threshold: float
    """1 where every step is always taken."""
    ears: int
    minutes_mean: float
    photos_mean: float
    settled: int
    settled_wrong: int
    wrong: int
    """Ears whose first candidate is wrong at the end."""


def advised_step(
    read: tuple[ReadStage, ...], _: np.random.Generator, *, seed: int, settings: Settings
) -> Stage | None:
    """The step that is most worth its minutes, as if nothing were settled; None after the last."""
    model = _model()
    now = moments(read, truth=-1, seed=seed, settings=settings, model=model)[-1]
    advice = advise(
        min(now.probability, settings.identified_probability - 1e-6),
        done=[shot.evidence.stage for shot in read],
        minutes_spent=now.minutes,
        hair=read[-1].hair,
        effects=model.effects,
        settings=settings,
    )
    return advice.steps[0].stage if advice.steps else None


def moments(
    read: Sequence[ReadStage], *, truth: int, seed: int, settings: Settings, model: StepModel
) -> list[Moment]:
    """What is known after each photo of a sequence."""
    prior = herd_log_prior(herd_registry(seed), settings)
    minutes, found = 0.0, []
    for end, shot in enumerate(read, start=1):
        minutes += minutes_of(shot.evidence.stage, settings)
        photos = [one.evidence for one in read[:end]]
        chances = combine(photos, prior, tempering=model.tempering).probabilities
        first = int(np.argmax(chances))
        found.append(Moment(minutes, float(chances[first]), first == truth))
    return found


def stopped(sequence: Sequence[Moment], threshold: float) -> int:
    """Index of the photo after which the stop rule ends handling."""
    settled = (k for k, moment in enumerate(sequence) if moment.probability >= threshold)
    return next(settled, len(sequence) - 1)


def advised_stop(
    read: Sequence[ReadStage], sequence: Sequence[Moment], *, settings: Settings, model: StepModel
) -> int:
    """The same by the whole advice: budget and steps that are not worth their minutes too."""
    for end, now in enumerate(sequence):
        advice = advise(
            now.probability,
            done=[shot.evidence.stage for shot in read[: end + 1]],
            minutes_spent=now.minutes,
            hair=read[end].hair,
            effects=model.effects,
            settings=settings,
        )
        if advice.verdict is not Verdict.STEP:
            return end
    return len(sequence) - 1


def policy(
    name: str, threshold: float, sequences: Sequence[Sequence[Moment]], ends: Sequence[int]
) -> Policy:
    """Costs and errors of ending each sequence at the given photo."""
    last = [sequence[end] for sequence, end in zip(sequences, ends, strict=True)]
    least = min(threshold, 1.0) if threshold < 1.0 else Settings().identified_probability
    settled = [moment for moment in last if moment.probability >= least]
    return Policy(
        name=name,
        threshold=threshold,
        ears=len(last),
        minutes_mean=float(np.mean([moment.minutes for moment in last])),
        photos_mean=float(np.mean([end + 1 for end in ends])),
        settled=len(settled),
        settled_wrong=sum(not moment.right for moment in settled),
        wrong=sum(not moment.right for moment in last),
    )


def compare(sequences: Sequence[ReadSequence], *, seed: int) -> list[Policy]:
    """Every step always, the stop rule at several thresholds, and the whole advice."""
    model, settings = _model(), EVALUATION_SETTINGS
    known = [
        moments(s.stages, truth=s.truth, seed=seed, settings=settings, model=model)
        for s in sequences
    ]
    ends = [len(sequence) - 1 for sequence in known]
    found = [policy("every step", 1.0, known, ends)]
    for threshold in THRESHOLDS:
        ends = [stopped(sequence, threshold) for sequence in known]
        found.append(policy("stop when settled", threshold, known, ends))
    usual = Settings(second_reader=False)
    ends = [
        advised_stop(s.stages, sequence, settings=usual, model=model)
        for s, sequence in zip(sequences, known, strict=True)
    ]
    found.append(policy("whole advice", usual.identified_probability, known, ends))
    return found


def saved_at_equal_error(found: Sequence[Policy]) -> tuple[Policy, float] | None:
    """The stop rule of least minutes that errs no more often than every step, and what it saves."""
    every = found[0]
    rules = [p for p in found[1:] if p.name == "stop when settled" and p.wrong <= every.wrong]
    if not rules:
        return None
    best = min(rules, key=lambda p: p.minutes_mean)
    return best, every.minutes_mean - best.minutes_mean


def table(found: Sequence[Policy]) -> str:
    """Figures for people; each share with its interval of 95 % (Wilson 1927)."""
    lines = ["when handling ends        minutes  photos  settled   settled, wrong      wrong"]
    for p in found:
        name = p.name if p.name != "stop when settled" else f"settled at {p.threshold:g}"
        low, high = wilson(p.wrong, p.ears)
        lines.append(
            f"{name:24s}  {p.minutes_mean:7.2f}  {p.photos_mean:6.2f}  {p.settled:3d}/{p.ears:<4d}"
            f"  {p.settled_wrong:3d}/{p.settled:<4d}  {p.wrong:3d}/{p.ears:<4d}"
            f" ({100 * low:.1f} to {100 * high:.1f} %)"
        )
    every, usual = found[0], Settings().identified_probability
    for p in found[1:]:
        if p.name == "stop when settled" and p.threshold == usual:
            lines.append(_saving(f"At the usual threshold of {usual:g}", p, every))
    best = saved_at_equal_error(found)
    if best is None:
        lines.append("No threshold errs as seldom as doing every step.")
    else:
        what = f"At equal error (threshold {best[0].threshold:g}, chosen on these ears)"
        lines.append(_saving(what, best[0], every))
    return "\n".join(lines)


def _saving(what: str, rule: Policy, every: Policy) -> str:
    saved = every.minutes_mean - rule.minutes_mean
    return (
        f"{what} the stop rule saves {saved:.2f} of {every.minutes_mean:.2f} minutes an animal "
        f"({saved / every.minutes_mean:.0%}); wrong {rule.wrong}, with every step {every.wrong}."
    )


@lru_cache(maxsize=1)
def _model() -> StepModel:
    return load_step_model()


@ending()
def main() -> None:
    """Command line of the module."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--animals", type=int, default=100)
    parser.add_argument("--seed", type=int, default=50)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--out", type=Path, help="Also write the figures as JSON.")
    given = parser.parse_args()
    step = partial(advised_step, seed=given.seed, settings=EVALUATION_SETTINGS)
    work = partial(read_sequence, seed=given.seed, settings=EVALUATION_SETTINGS, next_stage=step)

    sequences = read_ears(work, given.animals, jobs=given.jobs)
    found = compare(sequences, seed=given.seed)
    print(table(found))
    if given.out is not None:
        figures = [asdict(p) for p in found]
        given.out.write_text(json.dumps(figures, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
