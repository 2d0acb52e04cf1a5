"""Whether what was seen of a visit is of one animal, and what to ask when it is not.

Photos, people's readings, transponders and earlier photos are the pieces of
:mod:`legibility.identify.one_animal`. When "two animals" is as probable as the risk that is taken
with an identity (``1 - identified_probability``), or a person's reading or a transponder names
another animal than the photos do, nothing is settled: the sides, the characters in which they
differ and one question are put to a person.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from legibility.containers import Candidate, Decision, Identification, VisitCheck
from legibility.identify.animals import Registry
from legibility.identify.one_animal import OneAnimal, Sides, weigh_one_animal
from legibility.pipeline.visit_pieces import Seen, Weigher
from legibility.pipeline.visit_question import excludes, listed, question
from legibility.probability import percent
from legibility.settings import Settings

LIKELY: Final = 0.5
"""Choice: from here on a first candidate can be contradicted by what a person or a transponder
says; below it nothing is claimed yet."""


def check_visit(
    seen: Sequence[Seen],
    identification: Identification,
    weigher: Weigher,
    *,
    ear: str,
    one_for_sure: bool,
    known: bool,
) -> tuple[VisitCheck, Identification]:
    """The check of a visit, and its identification with the chance of two animals in it.

    Parameters
    ----------
    seen : sequence of Seen
        In the order of time.
    identification : Identification
        As if all were of one animal.
    weigher : Weigher
        That made the pieces.
    ear : str
        The ear of all photos; "" for both, or not known.
    one_for_sure : bool
        A person looked again and says that it is one animal: then nothing is asked.
    known : bool
        False: the registry is of marks that the photos may show.
    """
    registry, settings = weigher.registry, weigher.settings

    def weighed(pieces: Sequence[Seen]) -> OneAnimal:
        return weigh_one_animal(
            [one.piece for one in pieces],
            weigher.prior,
            registry,
            p_not_one=0.0 if one_for_sure else settings.p_not_one_animal,
            p_near_twin=settings.p_mixed_near_twin,
            p_wrong_ear=settings.p_wrong_ear,
        )

    found = weighed(seen)
    check = VisitCheck(
        not_one=found.not_one,
        wrong_ear=found.wrong_ear,
        mistaken=tuple(
            (one.name, chance)
            for one, chance in zip(seen, found.mistaken, strict=True)
            if one.kind != "photo"
        ),
    )
    sides = None if one_for_sure else _sides(seen, found, identification, registry, settings)
    identification = _with_doubt(identification, found.not_one, settings)
    if sides is None:
        read = [one for one in seen if one.kind == "photo" and one.was_read]
        photos = found if len(read) == len(seen) else weighed(read)
        return check, _if_spoken_for(identification, photos, read, settings)
    asked = question(seen, sides, weigher, ear=ear, known=known)
    identification = replace(
        identification,
        decision=Decision.AMBIGUOUS if identification.candidates else identification.decision,
        reason=asked.sentence.rstrip("."),
    )
    return replace(check, disagreement=(asked,)), identification


def _sides(
    seen: Sequence[Seen],
    found: OneAnimal,
    identification: Identification,
    registry: Registry,
    settings: Settings,
) -> Sides | None:
    """The split that a person is asked about; None when nothing disagrees."""
    if found.sides is not None and found.not_one >= 1.0 - settings.identified_probability:
        return found.sides
    first = identification.candidates[:1]
    if not first or first[0].probability < LIKELY:
        return None
    for index, one in enumerate(seen):
        if len(seen) > 1 and _speaks_against(one, first[0], registry):
            rest = tuple(k for k in range(len(seen)) if k != index)
            return rest, (index,)
    return None


def _speaks_against(one: Seen, first: Candidate, registry: Registry) -> bool:
    """Whether a person's reading or a transponder names another animal than the first candidate."""
    if one.kind == "transponder":
        return first.animal_id not in one.animals
    if one.kind != "reading":
        return False
    marks = [first.mark]
    index = -1 if first.animal_id is None else registry.index_of(first.animal_id)
    if index >= 0:
        marks = [mark for mark in (registry.mark(index), registry.right_mark(index)) if mark]
    against = [excludes(one.text, mark) for mark in marks]
    if None in against:
        # Another number of characters: as likely as the animals make it.
        return index >= 0 and float(one.piece.straight[index]) < 0.0
    return all(against)


def _with_doubt(
    identification: Identification, not_one: float, settings: Settings
) -> Identification:
    """Candidates with the chance that there is no single animal taken from each."""
    if not identification.candidates or not_one <= 0.0:
        return identification
    candidates = tuple(
        replace(one, probability=(1.0 - not_one) * one.probability)
        for one in identification.candidates
    )
    decision, reason = identification.decision, identification.reason
    if decision.settles and candidates[0].probability < settings.identified_probability:
        decision = Decision.AMBIGUOUS
        reason = f"{percent(not_one)} that what was seen is not of one animal"
    return replace(
        identification,
        candidates=candidates,
        decision=decision,
        reason=reason,
        misread_risk=max(0.0, 1.0 - candidates[0].probability),
    )


def _if_spoken_for(
    identification: Identification, photos: OneAnimal, read: Sequence[Seen], settings: Settings
) -> Identification:
    """Not settled while some photo that was read leaves open whether it is of the same animal.

    The photos have to make "two animals" less probable by the factor by which one photo has to
    settle an identity.
    """
    if not identification.decision.settles or photos.sides is None:
        return identification
    if photos.not_one <= (1.0 - settings.identified_probability) * settings.p_not_one_animal:
        return identification
    names = listed([read[k].name for k in photos.sides[1]])
    return replace(
        identification,
        decision=Decision.AMBIGUOUS,
        reason=f"{names} cannot tell whether it is the same animal",
    )
