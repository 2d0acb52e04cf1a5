"""Rivals of any animals of a registry, in columns: all that listing needs, and no more."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from legibility.identify.textcolumn import TextColumn
from legibility.misreadings import AnimalRisk, RiskColumns
from legibility.risk.classes import Classes
from legibility.risk.explain import N_PHRASES, phrase
from legibility.risk.misreading import Channel
from legibility.risk.risk import TOP, RegistryRisk
from legibility.risk.rivals import RivalFinder


@dataclass(frozen=True)
class Listing:
    """Lists animals with their rivals."""

    animal_ids: TextColumn
    marks: NDArray[np.bytes_]
    """(animals,) as written."""
    classes: Classes
    grades: tuple[float, ...]
    levels: NDArray[np.int64]
    """(animals,) which of the grades."""
    channels: tuple[Channel, ...]
    arrays: RegistryRisk

    def columns(self, animals: NDArray[np.int64], *, most: int = TOP) -> RiskColumns:
        """Some animals.

        Parameters
        ----------
        animals : ndarray of int, (n,)
        most : int
            Rivals of each that are listed.
        """
        animal_ids, marks = self.names
        return replace(self.nameless(animals, most=most), animal_ids=animal_ids, marks=marks)

    def records(self, animals: NDArray[np.int64]) -> list[AnimalRisk]:
        """A few animals, each by itself; only they and their rivals are named."""
        found = self.nameless(animals)
        named, place = np.unique(np.concatenate([found.animals, found.rival]), return_inverse=True)
        found = replace(
            found,
            animal_ids=np.array([self.animal_ids[int(one)] for one in named], dtype=object),
            marks=self.marks[named].astype(np.str_).astype(object),
            animals=place[: len(animals)],
            rival=place[len(animals) :],
        )
        return [found.record(at) for at in range(len(found))]

    def nameless(self, animals: NDArray[np.int64], *, most: int = TOP) -> RiskColumns:
        """As :meth:`columns`, without the names of the whole registry."""
        arrays, rivals = self.arrays, self.rivals.of(animals, most=most)
        return RiskColumns(
            animal_ids=np.zeros(0, dtype=object),
            marks=np.zeros(0, dtype=object),
            animals=animals,
            grade=np.array(self.grades)[self.levels[animals]],
            right=arrays.right[animals],
            risk=arrays.risk[animals],
            unregistered=arrays.unregistered[animals],
            unread=arrays.unread[animals],
            start=rivals.start,
            rival=rivals.animal,
            probability=rivals.probability,
            words_start=rivals.words_start,
            words=rivals.words,
            phrase=phrase,
            n_phrases=N_PHRASES,
        )

    @cached_property
    def rivals(self) -> RivalFinder:
        """Of all animals."""
        return RivalFinder(self.classes, self.levels, self.arrays, self.channels)

    @cached_property
    def names(self) -> tuple[NDArray[np.object_], NDArray[np.object_]]:
        """Identifiers and marks of all animals."""
        column = self.animal_ids
        ends, whole = [0, *column.ends.tolist()], column.data.decode("utf-8")
        if len(whole) == len(column.data):
            ids = [whole[start:end] for start, end in pairwise(ends)]
        else:
            ids = [column[index] for index in range(len(column))]
        return np.array(ids, dtype=object), self.marks.astype(np.str_).astype(object)

    def __getstate__(self) -> dict[str, object]:
        """Without what is made from the rest, so that other processes make it for themselves."""
        return {name: self.__dict__[name] for name in self.__dataclass_fields__}
