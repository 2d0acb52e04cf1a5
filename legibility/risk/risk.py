"""Risk of every mark of a registry at a condition: read right, as another, as none, not at all.

The work is cut into parts, each some records against the whole registry, so that parts can be done
by any number of processes or machines; put together they are the same as one part.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.risk.classes import Classes
from legibility.risk.marks import MarkGroup, MarkSet, Structure
from legibility.risk.misreading import Allowed, Channel, pair_probability, read_whole
from legibility.risk.pairs import LEAST

TOP: Final = 20
"""Contract: rivals kept for a mark."""
PART: Final = 60_000
"""Measured: records of a part; more needs memory for their pairs (0.7 GiB where every six-digit
number is a mark), less repeats preparations."""


@dataclass(frozen=True, slots=True)
class Part:
    """Records of one structure at one condition."""

    level: int
    """Which condition."""
    structure: Structure
    ids: NDArray[np.int64]
    """(n,) marks of the set, ascending."""


@dataclass(frozen=True, slots=True)
class PartRisk:
    """What becomes of readings of the records of a part."""

    level: int
    ids: NDArray[np.int64]
    right: NDArray[np.float64]
    """(n,) probability that the mark is read as it is recorded."""
    whole: NDArray[np.float64]
    """(n,) ... as some whole mark that the rules allow."""
    registered: NDArray[np.float64]
    """(n,) ... as another class of the registry, those of at least ``least``."""
    found: int
    """Pairs of at least ``least``."""
    listed: NDArray[np.int32]
    """(n,) how many of them are kept of each record, at most ``TOP``: the most probable ones."""
    read: NDArray[np.int32]
    """(sum of listed,) classes read instead, record by record, most probable first."""
    probability: NDArray[np.float32]


def parts_of(
    marks: MarkSet, wanted: Sequence[NDArray[np.int64]], *, size: int = PART
) -> Iterator[Part]:
    """Parts for the marks wanted at each condition.

    Parameters
    ----------
    marks : MarkSet
    wanted : sequence of ndarray
        For each condition the marks looked at in it, ascending.
    size : int
        Most records of a part.
    """
    for level, ids in enumerate(wanted):
        for group in marks.groups:
            low, high = np.searchsorted(ids, [group.ids[0], group.ids[-1] + 1])
            for start in range(int(low), int(high), size):
                yield Part(level, group.structure, ids[start : min(start + size, int(high))])


def part_risk(
    part: Part,
    marks: MarkSet,
    classes: Classes,
    ch: Channel,
    *,
    allowed: Allowed,
    least: float = LEAST,
    top: int = TOP,
) -> PartRisk:
    """Risk of the records of a part against all marks.

    Parameters
    ----------
    part : Part
    marks : MarkSet
        All marks of the registry.
    classes : Classes
        Of the same marks.
    ch : Channel
        At the part's condition.
    allowed : Allowed
        Marks that a reader would accept.
    least, top
        Pairs less probable are not looked for; of each record the most probable ``top`` are kept.
    """
    group = next(group for group in marks.groups if group.structure == part.structure)
    codes = group.codes[part.ids - group.ids[0]]
    records = MarkGroup(part.structure, codes, part.ids)
    pairs = classes.pairs(records, ch, least=least)
    row = np.searchsorted(part.ids, pairs.record)
    first = np.searchsorted(row, np.arange(len(part.ids)))
    best = np.flatnonzero(np.arange(len(row)) - first[row] < top)
    return PartRisk(
        level=part.level,
        ids=part.ids,
        right=pair_probability(codes, part.structure, codes, part.structure, ch),
        whole=read_whole(codes, part.structure, ch, allowed),
        registered=np.bincount(row, pairs.probability, minlength=len(part.ids)).astype(np.float64),
        found=len(pairs),
        listed=np.bincount(row[best], minlength=len(part.ids)).astype(np.int32),
        read=pairs.read[best].astype(np.int32),
        probability=pairs.probability[best].astype(np.float32),
    )


@dataclass(frozen=True, slots=True)
class RegistryRisk:
    """Risk of all animals of a registry, as arrays."""

    record_of: NDArray[np.int64]
    """(animals,) the animal's record: its mark at its condition."""
    right: NDArray[np.float64]
    """(animals,) read right and known to be this animal."""
    risk: NDArray[np.float64]
    """(animals,) taken for another animal of the registry."""
    unregistered: NDArray[np.float64]
    unread: NDArray[np.float64]
    same_mark: NDArray[np.float64]
    """(animals,) part of ``risk``: read right, but other animals are of the mark's class too."""
    start: NDArray[np.int64]
    """(records + 1,) where each record's pairs begin."""
    read: NDArray[np.int32]
    """Classes read instead, most probable first."""
    probability: NDArray[np.float32]
    found: int
    """Pairs found, those beyond the ``TOP`` of a record included."""

    def of_pairs(self, record: NDArray[np.int64], read: NDArray[np.int64]) -> NDArray[np.float64]:
        """(n,) probability that each record is read as each class; 0 for pairs not kept."""
        found = np.zeros(len(record))
        for nth in range(TOP):
            at = self.start[record] + nth
            here = np.flatnonzero(at < self.start[record + 1])
            here = here[self.read[at[here]] == read[here]]
            found[here] = self.probability[at[here]]
        return found


def registry_risk(
    classes: Classes,
    levels: NDArray[np.int64],
    done: Iterable[PartRisk],
    *,
    animals: NDArray[np.int64] | None = None,
) -> RegistryRisk:
    """Put parts together.

    Parameters
    ----------
    classes : Classes
        Of the marks of all animals, in their order.
    levels : ndarray of int, (animals,)
        Condition of each animal.
    done : iterable of PartRisk
        All parts of ``parts_of``, in any order.
    animals : ndarray of int, optional
        Only these, by their place among the marks given; ``levels`` and the result are theirs.
    """
    marks = classes.marks
    count = len(marks)
    of_given = marks.of_given if animals is None else marks.of_given[animals]
    results = sorted(done, key=lambda part: (part.level, int(part.ids[0])))
    keys = np.concatenate([part.level * count + part.ids for part in results])
    record_of = np.searchsorted(keys, levels * count + of_given)
    right, whole, registered = (
        np.concatenate([getattr(part, name) for part in results])
        for name in ("right", "whole", "registered")
    )
    carriers = classes.carriers[classes.own[of_given]]
    own = right[record_of]
    same_mark = own * (carriers - 1) / carriers
    unregistered = np.maximum(whole - right - registered, 0.0)[record_of]
    return RegistryRisk(
        record_of=record_of,
        right=own - same_mark,
        risk=registered[record_of] + same_mark,
        unregistered=unregistered,
        unread=np.maximum(1.0 - own - registered[record_of] - unregistered, 0.0),
        same_mark=same_mark,
        start=np.cumsum(np.concatenate([[0], *(part.listed for part in results)])),
        read=np.concatenate([part.read for part in results]),
        probability=np.concatenate([part.probability for part in results]),
        found=sum(part.found for part in results),
    )
