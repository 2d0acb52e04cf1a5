"""The animals that each animal is taken for, many at once, with the words of how it happens."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from legibility.risk.classes import Classes, spread
from legibility.risk.explain import NOTHING, SAME_CHARACTERS, SAME_MARK, Explainer, fixed
from legibility.risk.misreading import Channel
from legibility.risk.risk import TOP, RegistryRisk


@dataclass(frozen=True, slots=True)
class Rivals:
    """Rivals of some animals, animal by animal, most probable first."""

    start: NDArray[np.int64]
    """(n + 1,) where each animal's rivals begin."""
    animal: NDArray[np.int64]
    """(r,) the other animal."""
    probability: NDArray[np.float64]
    """(r,)"""
    words_start: NDArray[np.int64]
    """(r + 1,) where each rival's phrases begin."""
    words: NDArray[np.int32]
    """Numbers of ``explain.phrase``."""


class RivalFinder:
    """Lists rivals of any animals of a registry."""

    def __init__(
        self,
        classes: Classes,
        levels: NDArray[np.int64],
        arrays: RegistryRisk,
        channels: Sequence[Channel],
    ) -> None:
        self._classes, self._marks = classes, classes.marks
        self._levels, self._arrays = levels, arrays
        self._explainers = [Explainer(ch) for ch in channels]
        self._order, self._start = classes.members, classes.start
        self._groups = np.cumsum([0, *(len(group.ids) for group in self._marks.groups)])

    def first_of(self, read: NDArray[np.integer]) -> NDArray[np.int64]:
        """The first animal of each class."""
        return np.asarray(self._order[self._start[read]], dtype=np.int64)

    def of(self, animals: NDArray[np.int64], *, most: int = TOP) -> Rivals:
        """Rivals of some animals.

        Parameters
        ----------
        animals : ndarray of int, (n,)
        most : int
            Rivals of each, ``TOP`` at most.
        """
        owner, other, probability = self._all(animals)
        if self._classes.overlap:
            owner, other, probability = _merged(owner, other, probability)
        order = np.argsort(owner - np.minimum(probability, 1.0) / 2, kind="stable")
        counts = np.minimum(np.bincount(owner, minlength=len(animals)), most)
        first = np.searchsorted(owner[order], np.arange(len(animals)))
        owner, at = spread(first, counts)
        other, probability = other[order[at]], probability[order[at]]
        words = self._words(animals[owner], other)
        spoken = words != NOTHING
        return Rivals(
            start=np.concatenate([[0], np.cumsum(counts)]),
            animal=other,
            probability=probability,
            words_start=np.concatenate([[0], np.cumsum(spoken.sum(axis=1))]),
            words=words[spoken],
        )

    def words(self, animal: int, other: int) -> NDArray[np.int32]:
        """Phrases of how one animal is taken for another one."""
        words = self._words(np.array([animal]), np.array([other]))
        return np.asarray(words[words != NOTHING], dtype=np.int32)

    def _all(
        self, animals: NDArray[np.int64]
    ) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]:
        """(animal's place, rival, probability), at most ``TOP`` rivals of one class."""
        arrays, own = self._arrays, self._classes.own[self._marks.of_given[animals]]
        carriers = np.diff(self._start)
        # Animals of the same class, all of them, then without the animal itself.
        shared = np.flatnonzero(arrays.same_mark[animals] > 0)
        at, twin = self._spread(own[shared], TOP + 1)
        at = shared[at]
        twins = np.flatnonzero(twin != animals[at])
        nth = np.arange(len(twins)) - np.searchsorted(at[twins], at[twins])
        at, twin = at[twins[nth < TOP]], twin[twins[nth < TOP]]
        share = arrays.same_mark[animals[at]] / (carriers[own[at]] - 1)
        record = arrays.record_of[animals]
        counts = arrays.start[record + 1] - arrays.start[record]
        owner, place = spread(arrays.start[record], counts)
        read = arrays.read[place]
        pair, rival = self._spread(read, TOP)
        chance = arrays.probability[place].astype(np.float64) / carriers[read]
        return (
            np.concatenate([at, owner[pair]]),
            np.concatenate([twin, rival]),
            np.concatenate([share, chance[pair]]),
        )

    def _spread(
        self, classes: NDArray[np.integer], most: int
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """(place in ``classes``, animal) of at most so many animals of each class."""
        counts = np.minimum(self._start[classes + 1] - self._start[classes], most)
        place, at = spread(self._start[classes], counts)
        return place, self._order[at].astype(np.int64)

    def _words(self, animals: NDArray[np.int64], others: NDArray[np.int64]) -> NDArray[np.int32]:
        """(r, most phrases) of each pair, ``NOTHING`` between them."""
        record, read = self._marks.of_given[animals], self._marks.of_given[others]
        widest = max((group.codes.shape[1] for group in self._marks.groups), default=0)
        out = np.full((len(animals), 2 + widest), NOTHING, dtype=np.int32)
        of_record, of_read = (
            np.searchsorted(self._groups, ids, side="right") - 1 for ids in (record, read)
        )
        same = record == read
        out[same, 0] = fixed(SAME_MARK)
        alike = self._classes.same_characters(record, read)
        out[alike, 0] = fixed(SAME_CHARACTERS)
        same |= alike
        kinds = (self._levels[animals] * len(self._groups) + of_record) * len(self._groups)
        kinds = np.where(same, -1, kinds + of_read)
        for kind in np.unique(kinds[~same]):
            rows = np.flatnonzero(kinds == kind)
            level, groups = divmod(int(kind), len(self._groups) ** 2)
            one, two = (self._marks.groups[at] for at in divmod(groups, len(self._groups)))
            numbers = self._explainers[level].phrases(
                one.codes[record[rows] - one.ids[0]],
                one.structure,
                two.codes[read[rows] - two.ids[0]],
                two.structure,
            )
            out[rows, : numbers.shape[1]] = numbers
        silent = (out == NOTHING).all(axis=1)
        out[silent, 0] = fixed("")
        return out


def _merged(
    owner: NDArray[np.int64], other: NDArray[np.int64], probability: NDArray[np.float64]
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]:
    """Rivals that several classes name, each once."""
    pairs, which = np.unique(np.stack([owner, other], axis=1), axis=0, return_inverse=True)
    total = np.bincount(which.ravel(), probability, minlength=len(pairs))
    return pairs[:, 0], pairs[:, 1], np.asarray(total, dtype=np.float64)
