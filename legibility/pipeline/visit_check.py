"""Whether what was seen of a visit is of one animal, and what to ask when it is not.

Photos, people's readings, transponders and earlier photos are the pieces of
:mod:`legibility.identify.one_animal`. When "two animals" is as probable as the risk that is taken
with an identity (``1 - identified_probability``), or a person's reading or a transponder names
another animal than the photos do, nothing is settled: the sides, the characters in which they
differ and one question are put to a person.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS, ROW_SEPARATOR, UNREAD
from legibility.containers import (
    Answer,
    Apart,
    Candidate,
    Decision,
    Disagreement,
    EyeReading,
    Identification,
    Reading,
    Side,
    VisitCheck,
    Witness,
)
from legibility.identify.animals import Registry
from legibility.identify.by_eye import reading_by_eye
from legibility.identify.calibration import FinalCalibration, numbers
from legibility.identify.candidates import candidate
from legibility.identify.certainty import reading_certainty
from legibility.identify.ears import EarRatios, MarkLikelihoods, ear_ratios, mark_likelihoods
from legibility.identify.one_animal import OneAnimal, Piece, Sides, weigh_one_animal
from legibility.marks.open_readings import reading_rows
from legibility.probability import LOG_FLOOR, normalise_log
from legibility.report.words import NOT_REGISTERED, percent
from legibility.settings import Settings

LIKELY: Final = 0.5
"""Choice: from here on a first candidate can be contradicted by what a person or a transponder
says; below it nothing is claimed yet."""
SPOKEN_FOR: Final = 0.3
"""Choice, on ears of ``python -m legibility.evaluate.visits``: an identity is settled only where
the photos that were read made "two animals" less probable than this share of it was before.
There 0 of 120 visits with a far animal and 6 of 120 with a near-twin were settled though each
animal was read (100 ears, 120 visits a kind), and none of 120 honest ones was asked about."""
AS_NAMED: Final = FinalCalibration(exponent=1.0, floor=0.0)
"""A reading says what its reader's reliability makes of it; that it is mistaken is a hypothesis."""
QUESTIONS: Final = {
    "photo": "Two animals?",
    "reading": "Two animals, or was the reading by eye wrong?",
    "transponder": "Two animals, or is the transponder another one's?",
    "earlier": "Another animal then, or another mark?",
}
"""By what stands alone against the rest."""
WRONG: Final = {
    "reading": ("reading_wrong", "{name} ({text}) was wrong"),
    "transponder": ("transponder_wrong", "{name} is another animal's"),
    "earlier": ("earlier_wrong", "{name} is of another animal"),
}


@dataclass(frozen=True, slots=True)
class Seen:
    """One piece of evidence of a visit."""

    kind: str
    """"photo", or the kind of a witness."""
    name: str
    piece: Piece
    photo: int = -1
    """Index of the photo, or of the one that a reading is of."""
    number: int = 0
    """Of the photo, as people count them."""
    text: str = ""
    """As read."""
    witness: Witness | None = None
    stated: NDArray[np.float64] | None = None
    """(n + 1,) of a photo: its calibrated evidence, for the probability that is shown."""
    was_read: bool = True
    """False: so many animals fit the photo alone that it has not been read."""


def seen_photo(
    index: int,
    reading: Reading,
    likelihoods: MarkLikelihoods,
    registry: Registry,
    *,
    text: str,
    number: int,
    was_read: bool,
    stated: NDArray[np.float64],
    ear: str,
    prior: NDArray[np.float64],
    settings: Settings,
    calibration: FinalCalibration,
) -> Seen:
    """A photo. Where it went wrong it shows what no animal carries, not any registered mark."""
    certainty = reading_certainty(reading)
    ratios = ear_ratios(
        likelihoods,
        reading,
        registry,
        ear=ear,
        prior=prior,
        settings=settings,
        calibration=calibration,
        cautious=False,
    )
    wrong = float(numbers(calibration, len(registry), certainty).floor)
    wrong += (1.0 - wrong) * float(np.exp(min(0.0, reading.logp_no_mark)))
    wrong = min(max(wrong, 1e-12), 1.0 - 1e-12)

    def with_fault(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(np.logaddexp(np.log1p(-wrong) + values, np.log(wrong) + values[-1]))

    straight = with_fault(ratios.straight)
    swapped = straight if ratios.swapped is ratios.straight else with_fault(ratios.swapped)
    piece = Piece(straight, swapped)
    return Seen(
        "photo", f"photo {number}", piece, index, number, text, stated=stated, was_read=was_read
    )


def seen_reading(
    said: EyeReading,
    registry: Registry,
    *,
    ear: str,
    prior: NDArray[np.float64],
    settings: Settings,
    witness: Witness | None = None,
) -> Seen | None:
    """What a person read; None where it says nothing."""
    ratios = _of_reading(said, registry, ear=ear, prior=prior, settings=settings)
    if ratios is None:
        return None
    name = "the reading by eye" + (f" ({said.reader})" if said.reader else "")
    piece = Piece(ratios.straight, ratios.swapped, settings.p_reading_mistaken)
    if witness is None:
        return Seen("reading", name, piece, text=said.text)
    return Seen("reading", witness.name, piece, witness.photo, text=said.text, witness=witness)


def seen_witness(
    witness: Witness,
    registry: Registry,
    *,
    ear: str,
    prior: NDArray[np.float64],
    settings: Settings,
    calibration: FinalCalibration,
) -> Seen | None:
    """A witness as a piece; None where it says nothing of any registered animal."""
    if witness.reading is not None and witness.kind == "reading":
        return seen_reading(
            witness.reading, registry, ear=ear, prior=prior, settings=settings, witness=witness
        )
    whose = [k for k in map(registry.index_of, witness.animals) if k >= 0]
    if not whose:
        return None
    values = np.zeros(prior.size)
    if witness.kind == "transponder":
        mass = float(np.exp(prior[whose]).sum())
        values[:] = LOG_FLOOR
        values[whose] = -np.log(max(mass, 1e-300))
        return Seen(
            "transponder",
            witness.name,
            Piece(values, values, settings.p_transponder_mistaken),
            witness=witness,
        )
    if witness.seen is None or not witness.seen.hypotheses:
        return None
    ratios = ear_ratios(
        mark_likelihoods(witness.seen, registry, settings=settings),
        witness.seen,
        registry,
        ear=witness.ear,
        prior=prior,
        settings=settings,
        calibration=calibration,
        cautious=False,
    )
    # An earlier photo of an animal tells whether the record of that animal is right, and nothing
    # of any other one; that it is right makes nobody more probable.
    values[whose] = np.minimum(0.0, np.logaddexp(ratios.straight, ratios.swapped)[whose])
    piece = Piece(values, values, settings.p_record_wrong)
    return Seen("earlier", witness.name, piece, text=witness.text, witness=witness)


def _of_reading(
    said: EyeReading,
    registry: Registry,
    *,
    ear: str,
    prior: NDArray[np.float64],
    settings: Settings,
) -> EarRatios | None:
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
        calibration=AS_NAMED,
        cautious=False,
    )


def check_visit(
    seen: Sequence[Seen],
    identification: Identification,
    registry: Registry,
    *,
    prior: NDArray[np.float64],
    ear: str,
    settings: Settings,
    one_for_sure: bool = False,
    known: bool = True,
) -> tuple[VisitCheck, Identification]:
    """The check of a visit, and its identification with the chance of two animals in it.

    Parameters
    ----------
    seen : sequence of Seen
        In the order of time.
    identification : Identification
        As if all were of one animal.
    registry : Registry
    prior : (n + 1,) float64
        Log-probabilities of the animals beforehand.
    ear : str
        The ear of all photos; "" for both, or not known.
    settings : Settings
    one_for_sure : bool
        A person looked again and says that it is one animal: then nothing is asked.
    known : bool
        False: the registry is of marks that the photos may show.
    """

    def weighed(pieces: Sequence[Seen]) -> OneAnimal:
        return weigh_one_animal(
            [one.piece for one in pieces],
            prior,
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
    told = _told(seen, sides, registry, prior=prior, ear=ear, known=known)
    identification = replace(
        identification,
        decision=Decision.AMBIGUOUS if identification.candidates else identification.decision,
        reason=told.sentence.rstrip("."),
    )
    return replace(check, disagreement=(told,)), identification


def apart(first: str, second: str) -> tuple[Apart, ...]:
    """Characters in which two marks differ; empty where their rows are not of one length.

    Examples
    --------
    >>> [(one.place, one.first, one.second) for one in apart("1428", "1429")]
    [(4, '8', '9')]
    """
    rows = first.split(ROW_SEPARATOR), second.split(ROW_SEPARATOR)
    if [len(row) for row in rows[0]] != [len(row) for row in rows[1]]:
        return ()
    return tuple(
        Apart(r, p, a, b)
        for r, (one, other) in enumerate(zip(*rows, strict=True), start=1)
        for p, (a, b) in enumerate(zip(one, other, strict=True), start=1)
        if a != b and UNREAD not in (a, b)
    )


def excludes(text: str, mark: str) -> bool | None:
    """Whether a reading names a character that the mark does not have there; None: another length.

    Examples
    --------
    >>> excludes("1[48]2?", "1429"), excludes("1428", "1429"), excludes("142", "1429")
    (False, True, None)
    """
    said, rows = reading_rows(text), mark.split(ROW_SEPARATOR)
    if [len(row) for row in said] != [len(row) for row in rows]:
        return None
    return any(
        len(place) < len(CHARACTERS) and character not in place
        for row, characters in zip(said, rows, strict=True)
        for place, character in zip(row, characters, strict=True)
    )


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
    if one.kind == "transponder" and one.witness is not None:
        return first.animal_id not in one.witness.animals
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
    least = settings.identified_probability
    if decision in (Decision.IDENTIFIED, Decision.UNREGISTERED) and (
        candidates[0].probability < least
    ):
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
    """Not settled while some photo that was read leaves open whether it is of the same animal."""
    settled = identification.decision in (Decision.IDENTIFIED, Decision.UNREGISTERED)
    if not settled or photos.sides is None:
        return identification
    if photos.not_one <= SPOKEN_FOR * settings.p_not_one_animal:
        return identification
    names = _listed([read[k].name for k in photos.sides[1]])
    return replace(
        identification,
        decision=Decision.AMBIGUOUS,
        reason=f"{names} cannot tell whether it is the same animal",
    )


def _told(
    seen: Sequence[Seen],
    sides: Sides,
    registry: Registry,
    *,
    prior: NDArray[np.float64],
    ear: str,
    known: bool,
) -> Disagreement:
    parts = [[seen[k] for k in side] for side in sides]
    # The first photo's side first; what people and transponders say alone stands second.
    parts.sort(key=lambda part: min([k.photo for k in part if k.kind == "photo"], default=10**6))
    first, second = (_side(part, registry, prior=prior, ear=ear) for part in parts)
    if not known:
        first, second = (replace(side, animal_id=None) for side in (first, second))
    differ = apart(first.mark, second.mark)
    words = [
        f"{_listed(side.pieces)} {_speak(side)} for {_named(side, known)}"
        for side in (first, second)
    ]
    sentence = f"{words[0][:1].upper()}{words[0][1:]}, {words[1]}."
    if differ:
        places = [_place(one, first.mark) for one in differ]
        sentence += f" They differ at {_listed(places)}."
    kinds = [one.kind for one in parts[1]]
    return Disagreement(
        sides=(first, second),
        apart=differ,
        sentence=sentence,
        question=QUESTIONS.get(kinds[0] if len(set(kinds)) == 1 else "photo", QUESTIONS["photo"]),
        answers=_answers(parts),
    )


def _side(
    members: Sequence[Seen], registry: Registry, *, prior: NDArray[np.float64], ear: str
) -> Side:
    logp = prior + np.sum([one.piece.straight for one in members], axis=0)
    chances = np.exp(normalise_log(logp))
    text = next((one.text for one in members if one.text), "")
    first = int(np.argmax(chances))
    best = candidate(first, chances, registry, text, prior, ear)
    # What is shown is what the photo that is surest of this animal says of it alone, calibrated.
    shown = [
        np.exp(normalise_log(prior + k.stated))[first] for k in members if k.stated is not None
    ]
    if shown:
        best = replace(best, probability=float(max(shown)))
    if all(one.kind in ("reading", "earlier") for one in members) and excludes(text, best.mark):
        # What a person named is shown as it was named, though no registered animal carries it.
        best = replace(best, animal_id=None, mark=text, probability=1.0 - best.probability)
    return Side(
        pieces=tuple(one.name for one in members),
        photos=tuple(one.photo for one in members if one.kind == "photo"),
        animal_id=best.animal_id,
        mark=best.mark,
        probability=best.probability,
    )


def _answers(parts: Sequence[Sequence[Seen]]) -> tuple[Answer, ...]:
    found = []
    photos = [[one for one in part if one.kind == "photo"] for part in parts]
    if all(photos):
        # The smaller side first: more often it is the odd one out.
        photos.sort(key=len)
        for side in photos:
            found.append(
                Answer("other_animal", f"{_photos(side)} show{_s(side)} another animal", _at(side))
            )
        for side in photos:
            found.append(Answer("left_out", f"Leave {_photos(side).lower()} out", _at(side)))
    for part in reversed(parts):
        for one in part:
            if one.kind != "photo" and one.kind in WRONG:
                key, words = WRONG[one.kind]
                what = one.text if one.witness is None else one.witness.what or one.text
                at = (one.photo,) if one.photo >= 0 else ()
                said = words.format(name=one.name, text=one.text)
                found.append(Answer(key, said[:1].upper() + said[1:], at, what))
    found.append(Answer("same_animal", "Same animal, I looked again"))
    return tuple(found)


def _photos(side: Sequence[Seen]) -> str:
    return f"Photo{'' if len(side) == 1 else 's'} {_listed([str(one.number) for one in side])}"


def _at(side: Sequence[Seen]) -> tuple[int, ...]:
    return tuple(one.photo for one in side)


def _s(many: Sequence[Seen]) -> str:
    return "s" if len(many) == 1 else ""


def _speak(side: Side) -> str:
    return "speaks" if len(side.pieces) == 1 else "speak"


def _named(side: Side, known: bool) -> str:
    mark = f"mark {side.mark}" if side.mark else "a mark that was not read"
    # How probable a reading or a number makes an animal by itself is no figure to act on.
    chance = f", {percent(side.probability)}" if side.photos else ""
    if side.animal_id is not None:
        return f"{side.animal_id} ({mark}{chance})"
    if not known:
        return f"{mark}{chance}"
    return f"an animal that is {NOT_REGISTERED} ({mark})"


def _place(one: Apart, mark: str) -> str:
    row = f"row {one.row}, " if ROW_SEPARATOR in mark else ""
    return f"{row}place {one.place} ({one.first} or {one.second})"


def _listed(words: Sequence[str]) -> str:
    """Words in a row, the last after "and"."""
    return " and ".join(filter(None, [", ".join(words[:-1]), *words[-1:]]))
