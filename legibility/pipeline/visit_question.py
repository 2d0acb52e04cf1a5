"""What a person is asked about a visit: the sides, where they differ, and the answers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from legibility.alphabet import CHARACTERS, ROW_SEPARATOR, UNREAD
from legibility.containers import Answer, Apart, Disagreement, Side
from legibility.identify.candidates import candidate
from legibility.identify.one_animal import Sides
from legibility.marks.open_readings import reading_rows
from legibility.pipeline.visit_pieces import Seen, Weigher
from legibility.probability import normalise_log, percent
from legibility.report.words import NOT_REGISTERED

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


def question(
    seen: Sequence[Seen], sides: Sides, weigher: Weigher, *, ear: str, known: bool
) -> Disagreement:
    """What disagrees, as it is put to a person; parameters as of :func:`.visit_check.check_visit`.

    The first photo's side stands first; what people and transponders say alone stands second.
    """
    parts = [[seen[k] for k in side] for side in sides]
    parts.sort(key=lambda part: min([k.photo for k in part if k.kind == "photo"], default=10**6))
    first, second = (_side(part, weigher, ear) for part in parts)
    if not known:
        first, second = (replace(side, animal_id=None) for side in (first, second))
    words = [
        f"{listed(side.pieces)} speak{_s(side.pieces)} for {_named(side, known)}"
        for side in (first, second)
    ]
    sentence = f"{_capital(words[0])}, {words[1]}."
    differ = apart(first.mark, second.mark)
    if differ:
        sentence += f" They differ at {listed([_place(one, first.mark) for one in differ])}."
    kinds = {one.kind for one in parts[1]}
    return Disagreement(
        sides=(first, second),
        apart=differ,
        sentence=sentence,
        question=QUESTIONS[kinds.pop() if len(kinds) == 1 else "photo"],
        answers=_answers(parts),
    )


def _side(members: Sequence[Seen], weigher: Weigher, ear: str) -> Side:
    prior = weigher.prior
    logp = prior + np.sum([one.piece.straight for one in members], axis=0)
    chances = np.exp(normalise_log(logp))
    text = next((one.text for one in members if one.text), "")
    first = int(np.argmax(chances))
    best = candidate(first, chances, weigher.registry, text, prior, ear)
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
        sides = [
            (
                f"photo{'' if len(side) == 1 else 's'} {listed([str(one.number) for one in side])}",
                _s(side),
                tuple(one.photo for one in side),
            )
            for side in sorted(photos, key=len)
        ]
        found += [
            Answer("other_animal", f"{_capital(of)} show{s} another animal", at)
            for of, s, at in sides
        ]
        found += [Answer("left_out", f"Leave {of} out", at) for of, _, at in sides]
    for part in reversed(parts):
        for one in part:
            if one.kind in WRONG:
                key, words = WRONG[one.kind]
                at = (one.photo,) if one.photo >= 0 else ()
                said = words.format(name=one.name, text=one.text)
                found.append(Answer(key, _capital(said), at, one.what))
    found.append(Answer("same_animal", "Same animal, I looked again"))
    return tuple(found)


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


def _s(who: Sequence[object]) -> str:
    """Ending of a verb."""
    return "s" if len(who) == 1 else ""


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def listed(words: Sequence[str]) -> str:
    """Words in a row, the last after "and"."""
    return " and ".join(filter(None, [", ".join(words[:-1]), *words[-1:]]))


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
