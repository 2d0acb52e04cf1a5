"""The stages of handling: what each is called, takes, and asks of the one who does it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from legibility.containers import Stage
from legibility.settings import Settings

STEPS: Final = (Stage.CLEANED, Stage.CLIPPED, Stage.LIT_FROM_BEHIND, Stage.OTHER_ANGLE)
"""What can be done after the first photo, in the usual order (common practice, no source)."""

WHAT_TO_DO: Final = {
    Stage.AS_FOUND: "photograph the ear as it is",
    Stage.CLEANED: "clean and dry the ear and photograph it again",
    Stage.CLIPPED: "clip the hair over the mark with a disinfected clipper and photograph it again",
    Stage.LIT_FROM_BEHIND: "hold a torch behind the ear and photograph it again",
    Stage.OTHER_ANGLE: "photograph it from another angle in other light",
}
"""Instruction of each stage, as part of a sentence."""

DEFER: Final = (
    "Whether the animal bears another step, and how sedation or restraint goes on, is for the "
    "attending veterinarian to decide; no photo is a reason to prolong them."
)
"""Stands beside every advice."""

MARK_OTHERWISE: Final = (
    "Stop handling. Identify the animal by other means (chip, papers, the other ear), and plan "
    "with the attending veterinarian and the authority how it is to be marked otherwise."
)
"""Advice where the photos do not settle it."""


def stage_name(stage: Stage) -> str:
    """The stage in words.

    Examples
    --------
    >>> stage_name(Stage.LIT_FROM_BEHIND)
    'lit from behind'
    """
    return stage.value.replace("_", " ")


def stage_of(text: str) -> Stage | None:
    """The stage a person wrote, with blanks, hyphens or underscores; None when there is none such.

    Examples
    --------
    >>> stage_of(" Lit-from behind ")
    <Stage.LIT_FROM_BEHIND: 'lit_from_behind'>
    """
    word = "_".join(text.strip().lower().replace("-", " ").replace("_", " ").split())
    return next((stage for stage in Stage if stage.value == word), None)


def minutes_of(stage: Stage, settings: Settings) -> float:
    """Minutes of handling that a stage takes by the settings."""
    return float(getattr(settings, f"minutes_{stage.value}"))


def minutes_spent(stages: Iterable[Stage], settings: Settings) -> float:
    """Minutes the stages took together by the settings; each counts once."""
    return sum(minutes_of(stage, settings) for stage in dict.fromkeys(stages))
