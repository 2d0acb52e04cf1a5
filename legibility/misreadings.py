"""What becomes of readings of a herd's marks: who is taken for whom, and how often."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Rival:
    """Another registered animal that one may be taken for."""

    animal_id: str
    mark: str
    probability: float
    """Of a reading of the mark ending at this animal."""
    mechanism: str
    """How it happens, in words."""


@dataclass(frozen=True, slots=True)
class AnimalRisk:
    """What becomes of readings of one animal's mark; the four probabilities sum to one."""

    animal_id: str
    mark: str
    grade: float
    """Condition the mark was looked at in, 4 as new .. 0 lost."""
    right: float
    risk: float
    """Taken for another registered animal."""
    unregistered: float
    """Read as a whole mark that no animal of the registry carries."""
    unread: float
    """Some character not read, or a mark that the rules do not allow."""
    rivals: tuple[Rival, ...]
    """Most probable first."""


@dataclass(frozen=True, slots=True)
class RiskColumns:
    """Some animals of a registry as :class:`AnimalRisk` describes them, in columns."""

    animal_ids: NDArray[np.object_]
    """(all,) identifiers of the whole registry."""
    marks: NDArray[np.object_]
    """(all,) marks of the whole registry."""
    animals: NDArray[np.int64]
    """(n,) which animals."""
    grade: NDArray[np.float64]
    right: NDArray[np.float64]
    risk: NDArray[np.float64]
    unregistered: NDArray[np.float64]
    unread: NDArray[np.float64]
    """(n,) each."""
    start: NDArray[np.int64]
    """(n + 1,) where each animal's rivals begin."""
    rival: NDArray[np.int64]
    """(r,) the other animal, most probable first."""
    probability: NDArray[np.float64]
    """(r,)"""
    words_start: NDArray[np.int64]
    """(r + 1,) where each rival's phrases begin."""
    words: NDArray[np.int32]
    """Numbers of phrases, below ``n_phrases``; joined by "; " they say how it happens."""
    phrase: Callable[[int], str]
    """Words of a number."""
    n_phrases: int

    def __len__(self) -> int:
        return len(self.animals)

    def record(self, at: int) -> AnimalRisk:
        """One of the animals."""
        animal = int(self.animals[at])
        rivals = []
        for rival in range(int(self.start[at]), int(self.start[at + 1])):
            other = int(self.rival[rival])
            words = self.words[self.words_start[rival] : self.words_start[rival + 1]]
            rivals.append(
                Rival(
                    self.animal_ids[other],
                    self.marks[other],
                    float(self.probability[rival]),
                    "; ".join(self.phrase(int(number)) for number in words),
                )
            )
        return AnimalRisk(
            animal_id=self.animal_ids[animal],
            mark=self.marks[animal],
            grade=float(self.grade[at]),
            right=float(self.right[at]),
            risk=float(self.risk[at]),
            unregistered=float(self.unregistered[at]),
            unread=float(self.unread[at]),
            rivals=tuple(rivals),
        )


@dataclass(frozen=True, slots=True)
class WatchedPair:
    """Two animals one of which is taken for the other."""

    first: str
    first_mark: str
    second: str
    second_mark: str
    there: float
    """Probability that a reading of the first ends at the second."""
    back: float
    mechanism: str


@dataclass(frozen=True, slots=True)
class HerdRisk:
    """Totals of a registry."""

    animals: int
    marks: int
    """Different ones."""
    shared_marks: int
    """Animals whose mark another animal carries too."""
    pairs: int
    """Ordered pairs of marks at least as probable as ``least``."""
    least: float
    mean_right: float
    mean_risk: float
    mean_unregistered: float
    mean_unread: float
    above: Mapping[str, int]
    """Animals whose risk is at least 1 %, 5 %, ..., by that limit as written."""
    condition: str
    """What condition was assumed, in words."""
    kernel: str
    """What the kernel rests on."""
    row_unread: float = 0.0
    """Share of marks of which less than half is read; the other figures are of the rest."""
    pairs_to_watch: tuple[WatchedPair, ...] = ()
    notices: tuple[str, ...] = ()
