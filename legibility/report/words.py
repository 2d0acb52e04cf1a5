"""Words and figures as people read them, the same in the terminal and on a page."""

from __future__ import annotations

from typing import Final, Protocol

from legibility.containers import Candidate, Decision, PhotoResult, Status
from legibility.probability import percent
from legibility.reasons import describe_differences

CAUTION: Final = (
    "These figures advise; they do not identify an animal. The attending veterinarian and the "
    "authority that keeps the registry decide. Do not prolong handling for a better photo."
)
"""Stands under every report. Prolonged handling harms (capture myopathy: Beringer et al. 1996)."""

NOT_REGISTERED: Final = "not in this registry"


class FlagText(Protocol):
    """What a report needs to know of a flag."""

    @property
    def name(self) -> str: ...
    @property
    def sentence(self) -> str: ...
    @property
    def remedy(self) -> str: ...


def sentence(text: str) -> str:
    """Words with a capital at the start and a full stop at the end.

    Examples
    --------
    >>> sentence("grade 2.4; limited by needles")
    'Grade 2.4; limited by needles.'
    """
    text = text.strip()
    if not text:
        return ""
    return text[0].upper() + text[1:] + ("" if text[-1] in ".!?" else ".")


def candidate_name(candidate: Candidate) -> str:
    """The animal's id, or the words for "not registered"."""
    return NOT_REGISTERED if candidate.animal_id is None else candidate.animal_id


def advice(result: PhotoResult) -> str:
    """One sentence that says what the photo supports and how strongly, never what is so.

    An animal is never named without its probability.
    """
    identification = result.identification
    first = identification.candidates[0] if identification.candidates else None
    if result.status is Status.ERROR:
        return "The file could not be used."
    if result.status is Status.RETAKE or identification.decision is Decision.RETAKE:
        return "Photograph again: this photo does not show what the ear shows."
    if result.status is Status.UNREADABLE or identification.decision is Decision.UNREADABLE:
        return "No mark can be read in this photo."
    if first is None:
        return "Read without a registry: the characters are known, the animal is not."
    name, chance = candidate_name(first), percent(first.probability)
    if first.animal_id is None:
        alike = "".join(f" {sentence(one)}" for one in identification.same_characters)
        return f"Most likely {name} (probability {chance}).{alike}"
    if identification.differs:
        said = sentence(describe_differences(result.text, identification.differs))
        return f"Not settled: {said} {name} is the most likely, with probability {chance}."
    if identification.decision is Decision.IDENTIFIED:
        return f"Most likely {name} (probability {chance})."
    others = len(identification.candidate_set)
    among = f"; {others} candidates remain open" if others > 1 else ""
    return f"Not settled: {name} is the most likely, with probability {chance}{among}."


def next_steps(result: PhotoResult, flags: tuple[FlagText, ...]) -> tuple[str, ...]:
    """What a person can do now, most useful first: remedies of the flags, then of the decision.

    Where the photo settles the identity no other photo is asked for, whatever it looks like.
    """
    identification = result.identification
    if result.status is Status.READ and identification.decision is Decision.IDENTIFIED:
        return ()
    steps = [flag.remedy for flag in flags]
    if result.status is Status.ERROR:
        return ("Check the file, or export it from the camera again as JPEG or PNG.",)
    if identification.differs:
        places = " and ".join(str(one.place) for one in identification.differs)
        steps.append(f"Look at place {places} of the mark in the ear itself, in good light.")
    if identification.decision is Decision.AMBIGUOUS:
        steps.extend(_deciding_characters(result))
        steps.append("Compare the chip, the other ear or the papers before acting on a candidate.")
    if identification.decision is Decision.UNREGISTERED:
        steps.append("Check that the registry is complete, and look for the animal elsewhere.")
    if result.status is Status.UNREADABLE and not steps:
        steps.append("Clean and clip the ear, light it from behind, and photograph again.")
    return tuple(dict.fromkeys(steps))


def _deciding_characters(result: PhotoResult) -> list[str]:
    return [
        f"Look again at row {item.row + 1}, place {item.cell + 1}: {item.character} or "
        f"{item.alternative}?"
        for item in result.identification.confusables
        if item.animal_ids
    ][:3]
