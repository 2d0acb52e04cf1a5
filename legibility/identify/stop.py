"""When to stop: after each photo either "settled", or the one step most worth its minutes.

Steps are ranked by the probability that they settle the identity per minute of handling. For steps
that succeed or fail independently, and where the first success ends the work, this order has the
least expected time (Mitten 1960, "An analytic solution to the least cost testing sequence problem",
J. Ind. Eng. 11:17; cited from memory). Here steps are not quite independent: the ranking is made
anew after each photo.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

from legibility.containers import Advice, Disagreement, Stage, StepWorth, Verdict
from legibility.identify.stages import MARK_OTHERWISE, STEPS, WHAT_TO_DO, minutes_of
from legibility.identify.step_effects import StepEffects, basis, settling_probability
from legibility.settings import Settings

_ROUNDING_MIN = 1e-9


def advise(
    probability: float,
    *,
    done: Collection[Stage],
    minutes_spent: float,
    hair: bool,
    effects: StepEffects,
    settings: Settings,
    disagreement: Sequence[Disagreement] = (),
) -> Advice:
    """What to do with the animal now.

    A step that does not fit into what is left of ``settings.handling_budget_min`` is never
    advised, whatever it promises.

    Parameters
    ----------
    probability : float
        Of the first candidate ("not registered" is one), 0..1.
    done : collection of Stage
        Steps already taken; none is advised twice.
    minutes_spent : float
        Minutes of handling so far.
    hair : bool
        Whether hair was flagged in the last photo.
    effects : StepEffects
    settings : Settings
        ``identified_probability`` is the threshold.
    disagreement : sequence of Disagreement
        Where what was seen disagrees, a question comes before any step.
    """
    budget = settings.handling_budget_min
    steps = _worth(probability, done, minutes_spent, hair, effects, settings)

    def advice(verdict: Verdict, reason: str) -> Advice:
        return Advice(verdict, steps, minutes_spent, budget, reason)

    for one in disagreement:
        return advice(Verdict.ASK, f"Not settled: {one.question} {one.sentence}")
    if probability >= settings.identified_probability:
        return advice(Verdict.SETTLED, "Settled: stop handling.")
    if minutes_spent >= budget - _ROUNDING_MIN:
        used = f"The {budget:g} minutes set for photos are used up."
        return advice(Verdict.STOP, f"{used} {MARK_OTHERWISE}")
    if not steps:
        return advice(Verdict.STOP, f"Every step was taken. {MARK_OTHERWISE}")
    first = steps[0]
    if not first.in_time:
        left = (
            f"No step fits into the {max(0.0, budget - minutes_spent):.3g} minutes that are left."
        )
        return advice(Verdict.STOP, f"{left} {MARK_OTHERWISE}")
    if first.settles < settings.step_least_probability:
        return advice(Verdict.STOP, f"No step left is worth its minutes. {MARK_OTHERWISE}")
    what = WHAT_TO_DO[first.stage]
    return advice(
        Verdict.STEP,
        f"Not settled. Next: {what}; it takes about {first.minutes:g} minutes and settles the "
        f"identity with a probability of {first.settles:.0%} ({first.basis}).",
    )


def _worth(
    probability: float,
    done: Collection[Stage],
    minutes_spent: float,
    hair: bool,
    effects: StepEffects,
    settings: Settings,
) -> tuple[StepWorth, ...]:
    """Steps not yet done: first those that fit into the time and promise enough, by the minute."""
    left = settings.handling_budget_min - minutes_spent
    steps = []
    for stage in STEPS:
        if stage in done:
            continue
        minutes = minutes_of(stage, settings)
        settles = settling_probability(
            effects.outcomes.get(stage, ()),
            before=probability,
            hair=hair,
            threshold=settings.identified_probability,
        )
        in_time = minutes <= left + _ROUNDING_MIN
        steps.append(StepWorth(stage, minutes, settles, basis(effects, stage), in_time))
    least = settings.step_least_probability
    return tuple(
        sorted(
            steps,
            key=lambda s: (
                not s.in_time,
                s.settles < least,
                -s.settles / max(s.minutes, _ROUNDING_MIN),
                s.minutes,
            ),
        )
    )
