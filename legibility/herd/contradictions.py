"""Where two ways to tell an animal do not agree: each becomes a case for a person, never a change.

A transponder may be read without error and still be in the wrong animal; so may a mark. Nothing
here decides which one is right.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Contradiction:
    """Two records that cannot both be right, or of which one needs an explanation."""

    kind: str
    key: str
    """The same whenever the same contradiction is found again."""
    summary: str
    """One sentence."""
    detail: Mapping[str, Any]


def chip_contradictions(chips: Iterable[tuple[str, str]]) -> tuple[Contradiction, ...]:
    """One number on two animals, and two numbers on one animal.

    Parameters
    ----------
    chips : iterable of (str, str)
        Animal and number, both as recorded.
    """
    animals: dict[str, list[str]] = defaultdict(list)
    numbers: dict[str, list[str]] = defaultdict(list)
    for animal_id, number in chips:
        if animal_id not in animals[number]:
            animals[number].append(animal_id)
        if number not in numbers[animal_id]:
            numbers[animal_id].append(number)
    found = [
        Contradiction(
            "one transponder, several animals",
            f"number:{number}",
            f"Transponder {number} is recorded for {len(ids)} animals: {', '.join(ids)}.",
            {"number": number, "animals": ids},
        )
        for number, ids in animals.items()
        if len(ids) > 1
    ]
    found += [
        Contradiction(
            "one animal, several transponders",
            f"animal:{animal_id}:" + ",".join(sorted(its)),
            f"{animal_id} has {len(its)} transponders on record: {', '.join(its)}; one may have "
            "been lost and replaced, or belong to another animal.",
            {"animal": animal_id, "numbers": its},
        )
        for animal_id, its in numbers.items()
        if len(its) > 1
    ]
    return tuple(found)


def chip_against_mark(
    *,
    photo_sha256: str,
    photo: str,
    number: str,
    animals: Sequence[str],
    text: str,
    candidate_set: Collection[str | None],
    first: str,
    misread_risk: float | None,
) -> Contradiction | None:
    """The mark in a photo and the transponder read with it name different animals.

    They agree when the transponder's animal is in the candidate set, which holds the true animal
    with the stated coverage (0.95 by default); so of twenty true pairs one may end up here.

    Parameters
    ----------
    animals : sequence of str
        Animals recorded with the number; with more than one there is another contradiction first.
    candidate_set : collection of str or None
        None is "not registered"; empty when nothing could be read.
    first : str
        First candidate; empty for "not registered".
    """
    if len(animals) != 1 or not candidate_set or animals[0] in candidate_set:
        return None
    seen = first or "an animal that is not registered"
    return Contradiction(
        "transponder against mark",
        f"photo:{photo_sha256}:{number}",
        f"The transponder read with {photo} is that of {animals[0]}; the mark in the photo "
        f"({text or 'unread'}) speaks for {seen}.",
        {
            "photo_sha256": photo_sha256,
            "number": number,
            "animal_by_transponder": animals[0],
            "animal_by_mark": first,
            "candidate_set": list(candidate_set),
            "text": text,
            "misread_risk": misread_risk,
        },
    )


def chip_against_claim(
    *, photo_sha256: str, photo: str, number: str, animals: Sequence[str], claimed: str, by: str
) -> Contradiction | None:
    """Who gave the photo a name, and the transponder read with it, name different animals."""
    if len(animals) != 1 or not claimed or claimed == animals[0]:
        return None
    return Contradiction(
        "transponder against list",
        f"claim:{photo_sha256}:{number}",
        f"{photo} is listed as {claimed} ({by or 'no source'}); the transponder read with it is "
        f"that of {animals[0]}.",
        {
            "photo_sha256": photo_sha256,
            "number": number,
            "animal_by_transponder": animals[0],
            "animal_by_list": claimed,
        },
    )


def scan_against_record(
    *, at: str, animal_id: str, number: str, owners: Sequence[str], its: Sequence[str]
) -> Contradiction | None:
    """A log says which animal was scanned, and the transponder is not the one on record.

    Parameters
    ----------
    at : str
        When it was scanned.
    owners : sequence of str
        Animals recorded with the number.
    its : sequence of str
        Numbers recorded for the animal; with none, and no owner, nothing contradicts.
    """
    if animal_id in owners or not (owners or its):
        return None
    whose = f"that of {', '.join(owners)}" if owners else "on record for no animal"
    own = f"; its own on record is {', '.join(its)}" if its else ""
    return Contradiction(
        "transponder against list",
        f"scan:{animal_id}:{number}",
        f"On {at} transponder {number} was read for {animal_id}; it is {whose}{own}.",
        {
            "number": number,
            "animal_by_list": animal_id,
            "animals_by_transponder": list(owners),
            "numbers_of_animal": list(its),
        },
    )


def mark_against_claim(
    *,
    photo_sha256: str,
    photo: str,
    claimed: str,
    by: str,
    text: str,
    decision: str,
    candidate_set: Collection[str | None],
    first: str,
    misread_risk: float | None,
) -> Contradiction | None:
    """Who gave the photo a name, and the mark in it, name different registered animals.

    Only a mark that identifies an animal counts, and only where the listed one is outside the
    candidate set: a doubtful reading is no reason to doubt a list. Either the list is wrong, or the
    mark is (applied in error, altered, misread).

    Parameters
    ----------
    decision : str
        Of the reading; "identified" when one animal passed the herd's threshold.
    first : str
        First candidate; empty for "not registered", which names no second animal.
    """
    if decision != "identified" or not claimed or not first or claimed == first:
        return None
    if claimed in candidate_set:
        return None
    return Contradiction(
        "mark against list",
        f"list:{photo_sha256}:{claimed}",
        f"{photo} is listed as {claimed} ({by or 'no source'}); the mark in the photo ({text}) "
        f"speaks for {first}.",
        {
            "photo_sha256": photo_sha256,
            "animal_by_list": claimed,
            "animal_by_mark": first,
            "candidate_set": list(candidate_set),
            "text": text,
            "misread_risk": misread_risk,
        },
    )


def eye_against_claim(
    *,
    photo_sha256: str,
    photo: str,
    claimed: str,
    text: str,
    owners: Sequence[str],
    reader: str,
    reading: int,
) -> Contradiction:
    """A person read another registered animal's mark than that of the listed animal.

    Either the list is wrong, or the eye was, or the mark is.

    Parameters
    ----------
    photo_sha256, photo : str
        Empty when the mark was read from the ear itself.
    owners : sequence of str
        Animals whose mark it is: one at least, and not the listed one.
    reading : int
        Its number, to be taken back by.
    """
    where = photo or "the ear"
    return Contradiction(
        "reading by eye against list",
        f"eye:{photo_sha256 or 'ear'}:{claimed}:{text}",
        f"{reader} read {text} from {where}, listed as {claimed}; that is the mark of "
        f"{', '.join(owners)}.",
        {
            "photo_sha256": photo_sha256,
            "animal_by_list": claimed,
            "animal_by_mark": owners[0],
            "text": text,
            "reader": reader,
            "reading": reading,
        },
    )
