"""How much a step of handling helps: outcomes measured on simulated ears or in the herd itself.

An outcome is the first candidate's probability before and after a step. The probability that a step
settles an identity is the share of outcomes that passed the threshold, those that began near the
present probability counting most (kernel regression: Nadaraya 1964, doi:10.1137/1109020; Watson
1964).
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from legibility.containers import Stage
from legibility.errors import ModelError
from legibility.identify.sequence import Tempering
from legibility.identify.stages import STEPS, stage_name

DEFAULT_FILE: Final = Path(__file__).parent.parent / "models" / "steps.json"

OWN_RECORDS: Final = 30
"""From so many recorded outcomes of a step on, the herd's own replace the simulated ones."""
WIDTH_LOGIT: Final = 0.8
"""Choice: deviation of the kernel, log-odds of the probability before."""
OTHER_HAIR: Final = 0.3
"""Choice: weight of outcomes of ears that were hairy where this one is not, or the reverse."""
PRIOR_COUNT: Final = 2.0
"""Choice: outcomes that the step's overall share counts as, where few began near."""
LARGEST_LOGIT: Final = 6.0


@dataclass(frozen=True, slots=True)
class StepOutcome:
    """What one step did."""

    before: float
    """Probability of the first candidate before it, 0..1."""
    after: float
    """The same after it."""
    hair: bool = False
    """Whether the photo before it was flagged for hair."""


@dataclass(frozen=True, slots=True)
class StepEffects:
    """Outcomes of each step and where they are from."""

    outcomes: Mapping[Stage, tuple[StepOutcome, ...]] = field(default_factory=dict)
    own: frozenset[Stage] = frozenset()
    """Steps whose outcomes are the herd's own records."""


@dataclass(frozen=True, slots=True)
class StepModel:
    """What is known of sequences of photos: how they combine, and what steps do."""

    tempering: Tempering = field(default_factory=Tempering)
    effects: StepEffects = field(default_factory=StepEffects)
    origin: str = "not fitted: default choices"


def settling_probability(
    outcomes: Sequence[StepOutcome], *, before: float, hair: bool, threshold: float
) -> float:
    """Probability that a step brings the first candidate to the threshold, 0..1.

    Parameters
    ----------
    outcomes : sequence of StepOutcome
        Those that began at the threshold or above say nothing and are left out.
    before : float
        Probability of the first candidate now.
    hair : bool
        Whether hair was flagged in the last photo.
    threshold : float
        ``Settings.identified_probability``.

    Returns
    -------
    float
        0 without an outcome: what was never measured is not promised.
    """
    open_ones = [outcome for outcome in outcomes if outcome.before < threshold]
    if not open_ones:
        return 0.0
    # Rule of succession: n outcomes never show that a step always, or never, settles it.
    overall = (sum(o.after >= threshold for o in open_ones) + 1) / (len(open_ones) + 2)
    weight, settled, here = PRIOR_COUNT, PRIOR_COUNT * overall, _logit(before)
    for outcome in open_ones:
        near = math.exp(-0.5 * ((_logit(outcome.before) - here) / WIDTH_LOGIT) ** 2)
        near *= 1.0 if outcome.hair == hair else OTHER_HAIR
        weight += near
        settled += near * (outcome.after >= threshold)
    return settled / weight


def basis(effects: StepEffects, stage: Stage) -> str:
    """What a step's probability rests on, in words."""
    count = len(effects.outcomes.get(stage, ()))
    if stage in effects.own:
        return f"{count} of the herd's own records"
    return f"{count} simulated steps" if count else "nothing measured"


def with_own_records(
    effects: StepEffects, records: Sequence[tuple[Stage, StepOutcome]]
) -> tuple[StepEffects, tuple[str, ...]]:
    """Effects with the herd's own outcomes where there are enough, and what was done, in words."""
    outcomes, own, said = dict(effects.outcomes), set(effects.own), []
    for stage in STEPS:
        mine = tuple(outcome for step, outcome in records if step is stage)
        if len(mine) >= OWN_RECORDS:
            outcomes[stage] = mine
            own.add(stage)
            said.append(f"{stage_name(stage)}: {len(mine)} of the herd's own records are used")
        elif mine:
            said.append(
                f"{stage_name(stage)}: {len(mine)} of the herd's own records, fewer than "
                f"{OWN_RECORDS}; the simulated ones are used"
            )
    return StepEffects(outcomes, frozenset(own)), tuple(said)


def load_step_model(path: Path | None = None) -> StepModel:
    """Tempering and step effects from a JSON file, by default the one shipped with the models.

    A missing default file gives the defaults.

    Raises
    ------
    ModelError
        If the file cannot be read or a field is missing, of the wrong type or out of range.
    """
    if path is None:
        if not DEFAULT_FILE.exists():
            return StepModel()
        path = DEFAULT_FILE
    try:
        values = json.loads(path.read_text(encoding="utf-8"))
        tempering = Tempering(
            repeat=_exponent(values["repeat_exponent"]), step=_exponent(values["step_exponent"])
        )
        outcomes = {
            Stage(name): tuple(_outcome(item) for item in items)
            for name, items in values["outcomes"].items()
        }
        return StepModel(tempering, StepEffects(outcomes), str(values["origin"]))
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise ModelError(f"{path}: cannot be read as step effects: {error!r}") from error


def save_step_model(model: StepModel, path: Path) -> None:
    """Writes the file that :func:`load_step_model` reads, under a temporary name first."""
    values = {
        "origin": model.origin,
        "repeat_exponent": round(model.tempering.repeat, 4),
        "step_exponent": round(model.tempering.step, 4),
        "outcomes": {
            stage.value: [[round(o.before, 5), round(o.after, 5), int(o.hair)] for o in items]
            for stage, items in model.effects.outcomes.items()
        },
    }
    temporary = path.with_name(path.name + ".part")
    temporary.write_text(json.dumps(values) + "\n", encoding="utf-8")
    temporary.replace(path)


def _logit(probability: float) -> float:
    kept = min(max(probability, 1e-6), 1.0 - 1e-6)
    return min(max(math.log(kept / (1.0 - kept)), -LARGEST_LOGIT), LARGEST_LOGIT)


def _exponent(value: Any) -> float:
    if isinstance(value, bool) or not 0.0 <= float(value) <= 1.0:
        raise ValueError(f"an exponent is {value!r}; expected 0 to 1")
    return float(value)


def _outcome(item: Any) -> StepOutcome:
    before, after, hair = item
    if not (0.0 <= before <= 1.0 and 0.0 <= after <= 1.0 and hair in (0, 1)):
        raise ValueError(f"an outcome is {item!r}; expected [0..1, 0..1, 0 or 1]")
    return StepOutcome(float(before), float(after), bool(hair))
