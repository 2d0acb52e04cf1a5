"""What becomes of readings of a herd's marks: who is taken for whom, and how often."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


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
