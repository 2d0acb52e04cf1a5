r"""What becomes of a recorded mark when it is read: application errors, then misread characters.

For a record x of L characters (both rows) and a way to lay what is read over it, ``a`` with one
class for each place (36 = this character was not read),

.. math:: F(a|x) = \frac{\prod_i k(a_i|x_i) + \sum_i e(a_i|x_i) \prod_{j \ne i} k(a_j|x_j)
    + \sum_s o_s \, k(a_s|x_{s+1}) k(a_{s+1}|x_s) \prod_{j \ne s, s+1} k(a_j|x_j)}{1 + O}

with k the confusion kernel, ``e(a|c) = o_w/35 sum_{c' != c} k(a|c') + o_t k(a|turned c)`` (a
wrong die, a die upside down), s the neighbouring places of one row with different characters (a
swap), and O the sum of all odds: at most one thing goes wrong at application, as in
``identify.channel``.

Ways to lay a reading over a record (*views*): as it is; the first or last character of a row lost;
one of two rows not found; two rows in the other order. At most one of these happens.

A mark written without a break says nothing of rows (its structure is (L, 0)): it stands in one row
or is broken anywhere that the rules allow, each as likely as the other (choice; no source). Its
views are those of all these layouts, and where it or the mark that is read leaves the rows open,
the two are compared by their characters alone. Dies are swapped between neighbours as written, also
across a break that nobody wrote down.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS, N_CHARACTERS, N_CLASSES, NO_CHARACTER
from legibility.risk.kernel import Matrix
from legibility.risk.marks import Codes, Structure
from legibility.risk.mechanisms import turned_index
from legibility.settings import Settings

LOST: int = -1
"""Place of a view whose character was not read."""
HIDDEN: int = -2
"""Place of a view in a row that was not found."""
CHUNK: int = 1 << 14
"""Measured: pairs reckoned at a time; more do not fit the processor's cache and take longer."""
NEGLIGIBLE: float = 1e-10
"""Choice: a view that cannot add more is left out of a sum, a millionth of what is looked for."""
RARE: float = 0.01
"""Choice: views less likely than this are first bounded, since they hardly ever add anything."""


@dataclass(frozen=True, slots=True)
class Errors:
    """Probabilities of what goes wrong besides misread characters."""

    swap: float = 0.002
    """As ``Settings.p_swap``."""
    wrong_die: float = 0.002
    """As ``Settings.p_wrong_die``."""
    turned_die: float = 0.001
    """As ``Settings.p_turned_die``."""
    missed_row: float = 0.02
    """Choice, no source, as in ``identify.alignment``: one row of two not found, each row."""
    crossed_rows: float = 0.002
    """Choice, no source, as in ``identify.alignment``: two rows written in the other order."""

    @classmethod
    def of(cls, settings: Settings | None) -> Errors:
        """Those that the settings name, the usual ones without any."""
        settings = settings or Settings()
        return cls(settings.p_swap, settings.p_wrong_die, settings.p_turned_die)


@dataclass(frozen=True, slots=True)
class Allowed:
    """Whole marks that a reader accepts; others are seen to be misreadings at once."""

    characters: str = CHARACTERS
    shortest_row: int = 1
    longest_row: int = 24
    max_rows: int = 2

    def fits(self, structure: Structure) -> bool:
        """Whether marks of a structure can be accepted."""
        rows = [length for length in structure if length]
        return len(rows) <= self.max_rows and all(
            self.shortest_row <= length <= self.longest_row for length in rows
        )


@dataclass(frozen=True, slots=True)
class View:
    """One way to lay a reading of some structure over a record."""

    weight: float
    """Probability of this way, apart from the characters."""
    places: tuple[int, ...]
    """For each place of the record: place of the reading, ``LOST`` or ``HIDDEN``."""


@dataclass(frozen=True, slots=True)
class Channel:
    """The kernel at one condition with application errors, ready for arithmetic."""

    matrix: Matrix
    """(36, 37) k(read | pressed)."""
    event: Matrix
    """(36, 37) e(read | recorded): one die wrong or upside down, weighted by its odds."""
    swap_odds: float
    odds: NDArray[np.float64]
    """(36,) odds that something is wrong with the die of a character."""
    errors: Errors
    allowed: Allowed = Allowed()
    """Marks that a reader accepts, in rows that marks without a break may stand in."""
    any_layout: bool = False
    """Marks without a break stand in whichever layout makes a reading likeliest, not in all of them
    alike: probabilities are then at most so large."""

    @property
    def upper(self) -> Matrix:
        """(36, 37) k + e, an upper bound of what one place contributes."""
        return self.matrix + self.event

    @property
    def crossed(self) -> Matrix:
        """(36, 37) an upper bound of what a swap makes of one of its places, by its neighbour.

        A swap's odds count once for both places, so each bears their root.
        """
        return self.matrix * max(self.swap_odds, math.sqrt(self.swap_odds))


def channel(
    matrix: Matrix, errors: Errors | None = None, allowed: Allowed | None = None
) -> Channel:
    """Channel from a kernel's matrix (``Kernel.at``), the errors to allow for and the rules."""
    errors = Errors() if errors is None else errors
    wrong, turned = _odds(errors.wrong_die), _odds(errors.turned_die)
    turns = turned_index()
    is_turnable = turns != np.arange(N_CHARACTERS)
    k = np.asarray(matrix, dtype=np.float64)
    event = wrong / (N_CHARACTERS - 1) * (k.sum(axis=0, keepdims=True) - k)
    event = event + turned * is_turnable[:, None] * k[turns]
    odds = wrong + turned * is_turnable
    return Channel(k, event, _odds(errors.swap), odds, errors, allowed or Allowed())


def in_any_layout(ch: Channel) -> Channel:
    """The same channel, for bounds that hold however marks without a break stand in the ear."""
    return replace(ch, any_layout=True)


def is_open(structure: Structure) -> bool:
    """Whether a mark leaves open where its rows break."""
    return structure[1] == 0


def views(record: Structure, reading: Structure, ch: Channel) -> tuple[View, ...]:
    """All ways in which a record of one structure can be read as a mark of another."""
    return _views(record, reading, ch.errors, ch.allowed, ch.any_layout)


@lru_cache(maxsize=4096)
def _views(
    record: Structure, reading: Structure, errors: Errors, allowed: Allowed, any_layout: bool
) -> tuple[View, ...]:
    by_characters = is_open(record) or is_open(reading)
    found: dict[tuple[int, ...], float] = {}
    for structure, weight, places in _ways(record, errors, allowed, any_layout):
        if by_characters:
            fits = sum(structure) == sum(reading) and allowed.fits(structure)
        else:
            fits = structure == reading
        if fits and any_layout and is_open(record):
            found[places] = max(found.get(places, 0.0), weight)
        elif fits:
            found[places] = found.get(places, 0.0) + weight
    return tuple(View(weight, places) for places, weight in found.items())


def layouts(record: Structure, allowed: Allowed) -> tuple[Structure, ...]:
    """Structures in which a record may stand in the ear."""
    if not is_open(record):
        return (record,)
    count = record[0]
    every = (record, *((cut, count - cut) for cut in range(1, count)))
    return tuple(filter(allowed.fits, every)) or every


def _ways(
    record: Structure, errors: Errors, allowed: Allowed, any_layout: bool = False
) -> Iterator[tuple[Structure, float, tuple[int, ...]]]:
    """Structure, weight and places of everything that can be seen of a record."""
    stands = layouts(record, allowed)
    prior = 1.0 if any_layout else 1.0 / len(stands)
    for layout in stands:
        for structure, weight, places in _all_views(layout, errors):
            yield structure, prior * weight, places


def _all_views(
    record: Structure, errors: Errors
) -> Iterator[tuple[Structure, float, tuple[int, ...]]]:
    first, second = record
    count = first + second
    as_written = 1.0 - 2 * errors.missed_row - errors.crossed_rows if second else 1.0
    yield record, as_written, tuple(range(count))
    for row, length in enumerate(record):
        if length < 2:
            continue
        start = row * first
        shorter = (first - 1, second) if row == 0 else (first, second - 1)
        for lost in (start, start + length - 1):
            places = [place - (place > lost) for place in range(count)]
            places[lost] = LOST
            yield shorter, as_written, tuple(places)
    if second:
        if errors.missed_row > 0:
            upper, lower = tuple(range(first)), tuple(range(second))
            yield (second, 0), errors.missed_row, (HIDDEN,) * first + lower
            yield (first, 0), errors.missed_row, upper + (HIDDEN,) * second
        if errors.crossed_rows > 0:
            crossed = tuple(range(second, count)) + tuple(range(second))
            yield (second, first), errors.crossed_rows, crossed


def inner_pairs(structure: Structure) -> tuple[int, ...]:
    """First places of all neighbouring pairs within a row."""
    first, second = structure
    return (*range(first - 1), *range(first, first + second - 1))


def total_odds(codes: Codes, structure: Structure, ch: Channel) -> NDArray[np.float64]:
    """(n,) sum of the odds of all application errors of records."""
    total = ch.odds[codes].sum(axis=1)
    for place in inner_pairs(structure):
        total += ch.swap_odds * (codes[:, place] != codes[:, place + 1])
    return np.asarray(total, dtype=np.float64)


def pair_probability(
    records: Codes,
    record: Structure,
    read: Codes,
    reading: Structure,
    ch: Channel,
    *,
    odds: NDArray[np.float64] | None = None,
    enough: Mapping[View, NDArray[np.float32]] | None = None,
) -> NDArray[np.float64]:
    """p(the mark is read as ``read`` | it is recorded as ``records``), pair by pair.

    Parameters
    ----------
    records, read : ndarray of uint8, (n, characters)
        Of the structures ``record`` and ``reading``.
    ch : Channel
    odds : ndarray of float64, (n,), optional
        ``total_odds`` of the records, where they are at hand.
    enough : mapping of View to ndarray of float32, (n,), optional
        ``rare_views.enough_without`` of the records, where it is at hand.

    Returns
    -------
    ndarray of float64, (n,)
        0 where there is no way to read one as the other.
    """
    odds = total_odds(records, record, ch) if odds is None else odds
    event_ratio = ch.event / ch.matrix
    ways = views(record, reading, ch)
    total = np.zeros(len(records))
    for start in range(0, len(records), CHUNK):
        part = slice(start, start + CHUNK)
        x, y = records[part], read[part]
        x_columns, y_columns = columns(x), columns(y)
        usual = np.zeros(len(x))
        for view in ways:
            if view.weight >= RARE:
                usual += view.weight * _one_view(x, record, y, view, ch, event_ratio)
        total[part] = usual
        for view in ways:
            if view.weight >= RARE:
                continue
            rows = np.flatnonzero(usual < enough[view][part]) if enough else np.arange(len(x))
            # Nothing wrong, something wrong at one of the places, or between two of them.
            limits = np.full(len(rows), NEGLIGIBLE / (2.0 * len(view.places)))
            rows = may_exceed(limits, rows, x_columns, record, y_columns, view, ch)
            if len(rows):
                one = _one_view(x[rows], record, y[rows], view, ch, event_ratio)
                total[start + rows] += view.weight * one
    return np.asarray(total / (1.0 + odds), dtype=np.float64)


def columns(codes: Codes) -> NDArray[np.intp]:
    """(characters, n) codes by place, as numbers to look up with."""
    return np.ascontiguousarray(codes.T, dtype=np.intp)


def may_exceed(
    limits: NDArray[np.float64],
    rows: NDArray[np.int64],
    records: NDArray[np.intp],
    record: Structure,
    read: NDArray[np.intp],
    view: View,
    ch: Channel,
) -> NDArray[np.int64]:
    """Those of some pairs for which a view with one error at most may be likelier than a limit.

    At each place the likeliest of what any one error puts there: the character itself, a wrong die,
    or a neighbour's. Many pairs are out after two or three places.

    Parameters
    ----------
    limits : ndarray of float64, (rows,)
        One of each pair that is asked about.
    rows : ndarray of int, (rows,)
        These pairs.
    records, read : ndarray of int, (characters, n)
        All pairs, in ``columns``.
    """
    swaps = inner_pairs(record)
    upper, crossed = ch.upper.ravel(), ch.crossed.ravel()
    bound = np.full(len(rows), view.weight)
    for place, at in enumerate(view.places):
        if at == HIDDEN:
            continue
        shown = NO_CHARACTER if at == LOST else read[at][rows]
        likeliest = upper[records[place][rows] * N_CLASSES + shown]
        for near in (place - 1, place + 1):
            if min(near, place) in swaps and 0 <= near < len(view.places):
                other = crossed[records[near][rows] * N_CLASSES + shown]
                np.maximum(likeliest, other, out=likeliest)
        bound *= likeliest
        kept = np.flatnonzero(bound > limits)
        rows, bound, limits = rows[kept], bound[kept], limits[kept]
    return rows


def _one_view(
    records: Codes, record: Structure, read: Codes, view: View, ch: Channel, event_ratio: Matrix
) -> NDArray[np.float64]:
    """(n,) numerator of F for one view; ``event_ratio`` is e / k."""
    seen = [place for place, at in enumerate(view.places) if at != HIDDEN]
    lost = np.full(len(records), NO_CHARACTER, dtype=np.intp)

    def class_of(place: int) -> NDArray[np.intp]:
        at = view.places[place]
        return lost if at == LOST else read[:, at].astype(np.intp)

    flat, flat_ratio = ch.matrix.ravel(), event_ratio.ravel()
    classes = {place: class_of(place) for place in seen}
    own = [records[:, place].astype(np.intp) * N_CLASSES for place in range(records.shape[1])]
    intact = np.ones(len(records))
    ratio = np.zeros(len(records))
    k = {}
    for place in seen:
        at = own[place] + classes[place]
        k[place] = flat[at]
        intact *= k[place]
        ratio += flat_ratio[at]
    for place in inner_pairs(record):
        swapped = ch.swap_odds * (records[:, place] != records[:, place + 1])
        for here, there in ((place, place + 1), (place + 1, place)):
            if here in k:
                swapped = swapped * flat[own[there] + classes[here]] / k[here]
        ratio += swapped
    for place in range(records.shape[1]):
        if place not in k:
            ratio += ch.odds[records[:, place]]
    return np.asarray(intact * (1.0 + ratio), dtype=np.float64)


def read_whole(
    records: Codes, structure: Structure, ch: Channel, allowed: Allowed
) -> NDArray[np.float64]:
    """(n,) probability that a record is read as some whole mark that is allowed.

    The sum of ``pair_probability`` over all those marks.
    """
    usable = np.array([character in allowed.characters for character in CHARACTERS])
    # A reading's sum over the allowed characters, and over "not read", is a kernel of two classes.
    two = np.stack([ch.matrix[:, :N_CHARACTERS] @ usable, ch.matrix[:, NO_CHARACTER]])
    event = np.stack([ch.event[:, :N_CHARACTERS] @ usable, ch.event[:, NO_CHARACTER]])
    # Ways differ in which places are read, lost or unseen; in what order they are does not matter.
    ways: dict[tuple[int, ...], float] = {}
    for reading, weight, places in _ways(structure, ch.errors, ch.allowed):
        if allowed.fits(reading):
            state = tuple(min(at, 0) for at in places)
            ways[state] = ways.get(state, 0.0) + weight
    odds = total_odds(records, structure, ch)
    total = np.zeros(len(records))
    swaps = inner_pairs(structure)
    for start in range(0, len(records), CHUNK):
        part = slice(start, start + CHUNK)
        columns = [np.ascontiguousarray(column) for column in records[part].T]
        k = [[table[column] for table in two] for column in columns]
        ratio = [[table[column] for table in event / two] for column in columns]
        unequal = {p: columns[p] != columns[p + 1] for p in swaps}
        for state, weight in ways.items():
            intact, extra = np.ones(len(columns[0])), np.zeros(len(columns[0]))
            for place, seen in enumerate(state):
                if seen == HIDDEN:
                    extra += ch.odds[columns[place]]
                    continue
                lost = int(seen == LOST)
                intact *= k[place][lost]
                extra += ratio[place][lost]
            for place in swaps:
                swapped = ch.swap_odds * unequal[place]
                if state[place] != state[place + 1]:
                    for here, there in ((place, place + 1), (place + 1, place)):
                        if state[here] != HIDDEN:
                            lost = int(state[here] == LOST)
                            swapped = swapped * k[there][lost] / k[here][lost]
                extra += swapped
            total[part] += weight * intact * (1.0 + extra)
    return np.asarray(total / (1.0 + odds), dtype=np.float64)


def _odds(probability: float) -> float:
    return probability / (1.0 - probability)
