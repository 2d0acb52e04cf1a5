"""All pairs of marks where one is read as the other with some probability, without trying all.

A pair counts when ``p(read as y | recorded as x)`` of ``risk.misreading`` is at least ``least``.
That probability is a sum: a few views (as it is, an end lost, ...), each with no swap or one. If
the sum reaches ``least``, one of its parts reaches its share of it; each part is a product over
places, so candidates come from ``risk.join``. Candidates are then decided on the exact sum. The
result is the same as from trying all pairs.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import N_CHARACTERS, NO_CHARACTER
from legibility.risk.join import TargetSet, join
from legibility.risk.marks import Codes, MarkGroup, MarkSet, Structure
from legibility.risk.misreading import (
    HIDDEN,
    LOST,
    Channel,
    View,
    inner_pairs,
    pair_probability,
    total_odds,
    views,
)
from legibility.risk.rare_views import enough_without

LEAST: Final = 1e-4
"""Contract: pairs less probable than this are not looked for."""
SWAP_SHARE: Final = 0.2
"""Choice: part of ``least`` that swaps must reach together, or else the rest reaches the others."""


@dataclass(frozen=True, slots=True)
class Pairs:
    """Marks read as others, ordered by record, most probable first."""

    record: NDArray[np.int64]
    """(p,) number of the recorded mark in its set."""
    read: NDArray[np.int64]
    """(p,) number of the mark that is read instead."""
    probability: NDArray[np.float64]
    """(p,)."""

    def __len__(self) -> int:
        return len(self.record)


class Finder:
    """Finds pairs against one set of marks; prepared once, used for any number of records."""

    def __init__(self, marks: MarkSet) -> None:
        self._groups = {group.structure: group for group in marks.groups}
        self._targets = {key: TargetSet(group.codes) for key, group in self._groups.items()}

    def pairs(self, records: MarkGroup, ch: Channel, *, least: float = LEAST) -> Pairs:
        """Marks of the set that records of one structure are read as.

        Parameters
        ----------
        records : MarkGroup
            The mark itself is left out.
        ch : Channel
        least : float
            Smallest probability.
        """
        parts = [
            self._of_structure(records, reading, ch, least)
            for reading in self._groups
            if views(records.structure, reading, ch)
        ]
        return sorted_pairs(parts)

    def _of_structure(
        self, records: MarkGroup, reading: Structure, ch: Channel, least: float
    ) -> Pairs:
        group, targets = self._groups[reading], self._targets[reading]
        own = _places(records.codes, group.codes) if reading == records.structure else _NOWHERE
        odds = total_odds(records.codes, records.structure, ch)
        enough: dict[View, NDArray[np.float32]] = {}
        kept: list[tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]] = []
        ways = views(records.structure, reading, ch)
        for source, target in _candidates(records, ways, targets, ch, least):
            if len(own):
                is_other = np.flatnonzero(own[source] != target)
                source, target = source[is_other], target[is_other]
            if not enough and len(source) > len(records.ids):
                enough = enough_without(records.codes, records.structure, reading, ch)
            x, y = records.codes.take(source, axis=0), group.codes.take(target, axis=0)
            probability = pair_probability(
                x,
                records.structure,
                y,
                reading,
                ch,
                odds=odds[source],
                enough={view: limits[source] for view, limits in enough.items()},
            )
            likely = np.flatnonzero(probability >= least)
            if len(likely):
                kept.append((source[likely], target[likely], probability[likely]))
        if not kept:
            return _NONE
        source, target, probability = (np.concatenate(c) for c in zip(*kept, strict=True))
        # The parts of the sum find the same pair more than once.
        _, first = np.unique(source * len(group.ids) + target, return_index=True)
        return Pairs(records.ids[source[first]], group.ids[target[first]], probability[first])


def _places(codes: Codes, among: Codes) -> NDArray[np.int64]:
    """(n,) where each mark stands among others, which ascend; -1 where it does not."""
    own, others = (_written(c) for c in (codes, among))
    at = np.minimum(np.searchsorted(others, own), len(others) - 1)
    return np.where(others[at] == own, at, -1)


def _written(codes: Codes) -> NDArray[np.bytes_]:
    """(n,) each mark as bytes that compare fast, in the order of its characters."""
    return (codes + np.uint8(1)).view(f"S{codes.shape[1]}").ravel()


_NOWHERE: Final = np.zeros(0, np.int64)
_NONE: Final = Pairs(np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0))


def find_pairs(records: MarkSet, marks: MarkSet, ch: Channel, *, least: float = LEAST) -> Pairs:
    """All pairs of a recorded mark and another one it is read as.

    Parameters
    ----------
    records, marks : MarkSet
        May be the same.
    ch : Channel
        ``misreading.channel(kernel.at(condition))``.
    least : float
        Smallest probability.

    Returns
    -------
    Pairs
        ``record`` counts in ``records``, ``read`` in ``marks``.

    Examples
    --------
    >>> from legibility.risk.kernel import load_kernel
    >>> from legibility.risk.marks import mark_set
    >>> from legibility.risk.misreading import channel
    >>> herd = mark_set(["K417", "K471", "B223"])
    >>> found = find_pairs(herd, herd, channel(load_kernel().at("new")), least=1e-3)
    >>> herd.texts(found.record), herd.texts(found.read)
    (['K417', 'K471'], ['K471', 'K417'])
    """
    finder = Finder(marks)
    return sorted_pairs([finder.pairs(group, ch, least=least) for group in records.groups])


def sorted_pairs(parts: list[Pairs]) -> Pairs:
    """Several lists of pairs as one, ordered by record, most probable first, ties by mark."""
    if not parts:
        return _NONE
    record = np.concatenate([part.record for part in parts])
    read = np.concatenate([part.read for part in parts])
    probability = np.concatenate([part.probability for part in parts])
    # Parts come in the order of marks, so that a stable sort breaks ties by mark.
    by_mark = np.argsort(read, kind="stable") if len(parts) > 1 else np.arange(len(read))
    rank = record[by_mark] + (1.0 - np.minimum(probability[by_mark], 1.0)) / 2
    order = by_mark[np.argsort(rank, kind="stable")]
    return Pairs(record[order], read[order], probability[order])


def _candidates(
    records: MarkGroup, ways: tuple[View, ...], targets: TargetSet, ch: Channel, least: float
) -> Iterator[tuple[NDArray[np.int64], NDArray[np.int64]]]:
    """(record, target) of every pair whose probability may reach ``least``, some twice."""
    upper, k = ch.upper, ch.matrix
    upper_cost = -np.log(np.minimum(upper[:, :N_CHARACTERS], 1.0))
    cost = -np.log(k[:, :N_CHARACTERS])
    swaps = inner_pairs(records.structure)
    share = 1.0 - SWAP_SHARE if swaps and ch.swap_odds > 0 else 1.0
    codes = records.codes
    # Some view reaches its part of the sum. Rare ones get a small part, which leaves nearly all to
    # the others, and need most of their characters right all the same.
    roots = np.sqrt([view.weight for view in ways])
    for view, part in zip(ways, roots / roots.sum(), strict=True):
        strings, weight = _laid(codes, view, upper)
        need = share * part * least / weight
        yield from join(strings, -np.log(need), targets, upper_cost)
        if share == 1.0:
            continue
        for place in swaps:
            if view.places[place] == view.places[place + 1] == HIDDEN:
                continue
            rows = np.flatnonzero(codes[:, place] != codes[:, place + 1])
            swapped = codes[rows]
            swapped[:, [place, place + 1]] = swapped[:, [place + 1, place]]
            strings, weight = _laid(swapped, view, k)
            need = SWAP_SHARE * part * least / len(swaps) / (weight * ch.swap_odds)
            for source, target in join(strings, -np.log(need), targets, cost):
                yield rows[source], target


def _laid(
    codes: Codes, view: View, table: NDArray[np.float64]
) -> tuple[Codes, NDArray[np.float64]]:
    """Records as a view's reading would show them, and what the view costs besides."""
    seen = {at: place for place, at in enumerate(view.places) if at >= 0}
    strings = np.ascontiguousarray(codes[:, [seen[at] for at in range(len(seen))]])
    weight = np.full(len(codes), view.weight)
    for place, at in enumerate(view.places):
        if at == LOST:
            weight *= table[codes[:, place], NO_CHARACTER]
    return strings, weight
