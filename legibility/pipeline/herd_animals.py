"""Animals of the record with the state of their marks: what stands behind a share or a count."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.errors import SettingsError
from legibility.pipeline.herd_kept import herd_state
from legibility.pipeline.herd_state import HerdState, day_text, judged_at_age
from legibility.settings import Settings
from legibility.store.database import HerdDatabase

GROUPS: Final = {
    "": "all animals",
    "photographed": "photographed or looked at",
    "judged": "whose mark was judged at least once",
    "usable": "whose mark was usable at its last judgement",
    "lost": "whose mark was lost at its last judgement",
    "not-judged": "photographed, but never well enough to judge the mark",
    "never": "never photographed nor looked at",
    "transponder": "with a transponder",
    "no-transponder": "without a transponder",
    "contradicted": "whose newest reading names another animal",
    "gone": "sold or dead",
}
"""Groups of animals and what they are called."""
BY_AGE: Final = "age-"
"""Before a number of years: judged at that age."""


@dataclass(frozen=True, slots=True)
class AnimalShown:
    """One animal of a list."""

    animal_id: str
    mark: str
    ear: str
    status: str
    state: str
    """Of the mark, in words."""
    grade: float | None
    last_seen: str
    sightings: int
    photos: int
    has_chip: bool


@dataclass(frozen=True, slots=True)
class AnimalList:
    """A part of the animals of a group."""

    items: tuple[AnimalShown, ...]
    total: int
    """In the group, as far as the words looked for fit."""
    words: str
    """Which group."""


def list_animals(
    db: HerdDatabase,
    *,
    usable_grade: float,
    settings: Settings | None = None,
    group: str = "",
    find: str = "",
    skip: int = 0,
    count: int = 100,
) -> AnimalList:
    """Animals of a group in the record's order.

    Parameters
    ----------
    group : str
        One of ``GROUPS``, or ``age-3`` for marks judged at an age of 3 to 4 years.
    find : str
        Part of the name, mark or status, upper and lower case alike.

    Raises
    ------
    StoreError
        If the record cannot be used.
    SettingsError
        If there is no such group.
    """
    state = herd_state(db, usable_grade=usable_grade, settings=settings)
    at_age: dict[str, bool] | None = None
    if group in GROUPS:
        words, chosen = GROUPS[group], _group(state, group)
    else:
        years = _years(group)
        at_age = judged_at_age(db, usable_grade=usable_grade, years=years)
        words = f"whose mark was judged at an age of {years} to {years + 1} years"
        chosen = np.array([str(name) in at_age for name in state.animal], dtype=np.bool_)
    wanted = find.strip().casefold()
    if wanted:
        texts = zip(state.animal, state.mark, state.status, strict=True)
        fits = [any(wanted in str(text).casefold() for text in row) for row in texts]
        chosen = chosen & np.array(fits, dtype=np.bool_)
    places = np.flatnonzero(chosen)
    items = tuple(_shown(state, int(at), at_age) for at in places[skip : skip + count])
    return AnimalList(items, len(places), words)


def _group(state: HerdState, group: str) -> NDArray[np.bool_]:
    looked = (state.sightings > 0) | (state.photos > 0)
    judged, lost = state.sightings > 0, ~np.isnan(state.first_lost)
    found = {
        "": np.ones(len(state), dtype=np.bool_),
        "photographed": looked,
        "judged": judged,
        "usable": judged & ~lost,
        "lost": lost,
        "not-judged": looked & ~judged,
        "never": ~looked,
        "transponder": state.has_chip,
        "no-transponder": ~state.has_chip,
        "contradicted": state.contradicted,
        "gone": state.gone,
    }
    return np.asarray(found[group], dtype=np.bool_)


def _years(group: str) -> int:
    digits = group.removeprefix(BY_AGE)
    if group.startswith(BY_AGE) and digits.isascii() and digits.isdecimal() and len(digits) < 3:
        return int(digits)
    raise SettingsError(f"there is no group of animals {group[:40]!r}")


def _shown(state: HerdState, at: int, at_age: dict[str, bool] | None) -> AnimalShown:
    grade = float(state.grade[at])
    seen = float(np.fmax(state.last_usable[at], state.first_lost[at]))
    name = str(state.animal[at])
    words = _words(state, at)
    if at_age is not None:
        words = f"{'usable' if at_age[name] else 'lost'} at that age; now {words}"
    return AnimalShown(
        animal_id=name,
        mark=str(state.mark[at]),
        ear=str(state.ear[at]),
        status=str(state.status[at]),
        state=words,
        grade=None if math.isnan(grade) else grade,
        last_seen=day_text(seen),
        sightings=int(state.sightings[at]),
        photos=int(state.photos[at]),
        has_chip=bool(state.has_chip[at]),
    )


def _words(state: HerdState, at: int) -> str:
    if not state.mark[at]:
        return "no mark is recorded"
    if not math.isnan(float(state.not_seen[at])):
        return "not seen on photos"
    if state.sightings[at]:
        return "usable" if math.isnan(float(state.first_lost[at])) else "lost"
    return "not judged" if state.photos[at] else "never seen"
