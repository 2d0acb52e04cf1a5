"""How marks come to be read as others, in words: the likeliest of all ways, many pairs at once.

What is said of a pair is a few phrases, each with a number, so that a million marks share them:
something about the whole mark ("row 2 not found"), what went wrong at application, and every
character misread besides.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS, LONGEST_ROW, N_CHARACTERS, N_CLASSES, NO_CHARACTER
from legibility.risk.marks import Codes, Structure, mark_set
from legibility.risk.mechanisms import TURNED, mechanism
from legibility.risk.misreading import (
    CHUNK,
    HIDDEN,
    LOST,
    Channel,
    View,
    columns,
    inner_pairs,
    is_open,
    may_exceed,
    views,
)

SAME_MARK: Final = "both carry this mark"
SAME_CHARACTERS: Final = "same characters, cannot be told apart by characters alone"

_FIXED: Final = (
    "",
    SAME_MARK,
    SAME_CHARACTERS,
    "row 1 not found",
    "row 2 not found",
    "rows in the other order",
    "first character lost",
    "last character lost",
    "first character of row 1 lost",
    "last character of row 1 lost",
    "first character of row 2 lost",
    "last character of row 2 lost",
)
_PLACES: Final = 2 * LONGEST_ROW
_FIXED_KIND, _MISREAD, _TURNED, _WRONG, _SWAPPED, _LOST = range(6)
_KIND: Final = _PLACES * N_CHARACTERS**2
_PLACE: Final = N_CHARACTERS**2
N_PHRASES: Final = 6 * _KIND
"""Numbers of phrases are below this."""
NOTHING: Final = -1
"""Stands in tables of numbers where nothing is to be said."""

ROUNDING: Final = 1e-9
"""Arithmetic: products reckoned in another order differ by less, as a share of themselves."""


def phrase(number: int) -> str:
    """Words of a number."""
    kind, rest = divmod(number, _KIND)
    place, rest = divmod(rest, _PLACE)
    there, shown = (CHARACTERS[at] for at in divmod(rest, N_CHARACTERS))
    if kind == _FIXED_KIND:
        return _FIXED[place]
    if kind == _MISREAD:
        return f"{there} read as {shown} at {place + 1}: {mechanism(there, shown).words}"
    if kind == _TURNED:
        return f"die {place + 1} upside down ({there})"
    if kind == _WRONG:
        return f"wrong die at {place + 1} ({shown} for {there})"
    if kind == _LOST:
        return f"character {place + 1} lost at the end of a row"
    return f"dies {place + 1} and {place + 2} swapped"


def fixed(words: str) -> int:
    """Number of words that name no character."""
    return _FIXED.index(words) * _PLACE


class Explainer:
    """Explains pairs of marks at one condition."""

    def __init__(self, ch: Channel) -> None:
        self._ch = ch
        k, event = ch.matrix, ch.event
        turned = np.zeros_like(k)
        odds = ch.errors.turned_die / (1.0 - ch.errors.turned_die)
        for character, other in TURNED.items():
            at, shown = CHARACTERS.index(character), CHARACTERS.index(other)
            turned[at] = odds * k[shown]
        wrong = event - turned
        # Nothing is said of a character that was read right, or not read.
        said = np.ones(k.shape, dtype=bool)
        said[:, NO_CHARACTER] = False
        np.fill_diagonal(said, False)
        row, column = np.indices(k.shape, dtype=np.int32)
        self._pair = np.where(said, row * N_CHARACTERS + column, np.int32(NOTHING)).ravel()
        self._k = k.ravel()
        self._is_turned = (turned >= wrong).ravel()
        self._ratio = (np.where(said, np.maximum(turned, wrong), 0.0) / k).ravel()

    def words(self, record: str, read: str) -> str:
        """Likeliest way from a recorded mark to the one that is read.

        Parameters
        ----------
        record, read : str
            As written. Places are counted from 1 over both rows.

        Returns
        -------
        str
            Empty when there is no way.
        """
        (x,), (y,) = mark_set([record]).groups, mark_set([read]).groups
        numbers = self.phrases(x.codes, x.structure, y.codes, y.structure)[0]
        return "; ".join(phrase(int(number)) for number in numbers if number != NOTHING)

    def phrases(
        self, records: Codes, record: Structure, read: Codes, reading: Structure
    ) -> NDArray[np.int32]:
        """Phrases of pairs of two structures.

        Parameters
        ----------
        records, read : ndarray of uint8, (n, characters)

        Returns
        -------
        ndarray of int32, (n, 2 + characters of a record)
            Numbers in the order in which they are said, ``NOTHING`` between them.
        """
        ways = views(record, reading, self._ch)
        out = np.full((len(records), 2 + records.shape[1]), NOTHING, dtype=np.int32)
        for start in range(0, len(records), CHUNK):
            part = slice(start, start + CHUNK)
            own, other = records[part], read[part]
            places = columns(own), columns(other)
            best = np.zeros(len(own))
            for view in ways:
                limits = best * (1.0 - ROUNDING)
                able = np.flatnonzero(limits < view.weight)
                if best.any():
                    able = may_exceed(
                        limits[able], able, places[0], record, places[1], view, self._ch
                    )
                rows, weight, said = self._likeliest(
                    own[able], record, other[able], view, best[able]
                )
                best[able[rows]] = weight
                out[part][able[rows]] = said
        return out

    def _likeliest(
        self,
        records: Codes,
        record: Structure,
        read: Codes,
        view: View,
        best: NDArray[np.float64],
    ) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.int32]]:
        """Rows for which a view has a likelier way than ``best``, its weight and phrases.

        Of equally likely ways the first counts: nothing wrong at application, then place by
        place, then swaps.
        """
        seen = [place for place, at in enumerate(view.places) if at != HIDDEN]
        classes, cell, k = {}, {}, {}
        intact = np.ones(len(records))
        for place in seen:
            at = view.places[place]
            own = records[:, place].astype(np.int32)
            classes[place] = (
                np.full(len(records), NO_CHARACTER, dtype=np.int32)
                if at == LOST
                else read[:, at].astype(np.int32)
            )
            cell[place] = own * N_CLASSES + classes[place]
            k[place] = self._k[cell[place]]
            intact *= k[place]
        ratio = np.ones(len(records))
        event = np.full(len(records), -1, dtype=np.int32)
        for place in seen:
            _keep_larger(ratio, event, self._ratio[cell[place]], place)
        for place in inner_pairs(record):
            crossed = self._ch.swap_odds * (records[:, place] != records[:, place + 1])
            for here, there in ((place, place + 1), (place + 1, place)):
                if here in k:
                    at_there = records[:, there].astype(np.int32) * N_CLASSES
                    crossed = crossed * self._k[at_there + classes[here]] / k[here]
            _keep_larger(ratio, event, crossed, _PLACES + place)
        weight = view.weight * intact * ratio
        rows = np.flatnonzero(weight > best)
        said = np.full((len(rows), 2 + records.shape[1]), NOTHING, dtype=np.int32)
        said[:, 0] = _view_phrase(view, record)
        event = event[rows]
        for place in range(len(view.places)):
            said[event == _PLACES + place, 1] = _SWAPPED * _KIND + place * _PLACE
        for place in seen:
            pairs = cell[place][rows]
            pair = self._pair[pairs]
            silent = (pair == NOTHING) | (event == place)
            silent |= (event == _PLACES + place) | (event == _PLACES + place - 1)
            misread = pair + np.int32(_MISREAD * _KIND + place * _PLACE)
            said[:, 2 + place] = np.where(silent, np.int32(NOTHING), misread)
            die = np.flatnonzero(event == place)
            kind = np.where(self._is_turned[pairs[die]], _TURNED, _WRONG)
            said[die, 1] = kind * _KIND + place * _PLACE + pair[die]
        return rows, weight[rows], said


def _keep_larger(
    largest: NDArray[np.float64], which: NDArray[np.int32], value: NDArray[np.float64], number: int
) -> None:
    larger = value > largest
    largest[larger] = value[larger]
    which[larger] = number


def _view_phrase(view: View, structure: Structure) -> int:
    if HIDDEN in view.places:
        return fixed("row 1 not found" if view.places[0] == HIDDEN else "row 2 not found")
    if LOST in view.places:
        lost = view.places.index(LOST)
        if is_open(structure) and 0 < lost < structure[0] - 1:
            return _LOST * _KIND + lost * _PLACE
        row = 2 if lost >= structure[0] else 1
        end = "first" if lost in (0, structure[0]) else "last"
        return fixed(f"{end} character{f' of row {row}' if structure[1] else ''} lost")
    if view.places != tuple(range(len(view.places))):
        return fixed("rows in the other order")
    return NOTHING
