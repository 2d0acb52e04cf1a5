"""A punched card as it was seen, and what is said of it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import N_CHARACTERS

SAME_EITHER_WAY: Final = frozenset("08HINOSXZ")
"""Characters that look the same when turned by half a circle, by their usual shape."""


class Verdict(StrEnum):
    """What the card says; each has its exit code."""

    RIGHT = "right"
    WRONG_DIE = "wrong die"
    SWAPPED = "swapped"
    TURNED = "upside down"
    NEEDLE = "needle"
    CANNOT_TELL = "cannot tell"
    LAYOUT = "layout"


EXIT_CODES: Final[dict[Verdict, int]] = {
    Verdict.RIGHT: 0,
    Verdict.WRONG_DIE: 20,
    Verdict.SWAPPED: 21,
    Verdict.TURNED: 22,
    Verdict.NEEDLE: 23,
    Verdict.CANNOT_TELL: 24,
    Verdict.LAYOUT: 25,
}


@dataclass(frozen=True, slots=True)
class NeedleState:
    """Needles of one die against its pattern."""

    judged: bool
    """False: the pattern of this die is not known, or this is another die of that character."""
    expected: int = 0
    missing: int = 0
    bent: int = 0
    together: int = 0
    """Needles whose dots run together with others, or are faint: there, but not seen apart."""

    @property
    def faulty(self) -> bool:
        """Whether a needle is missing or bent."""
        return self.missing > 0 or self.bent > 0


UNJUDGED: Final = NeedleState(judged=False)


@dataclass(frozen=True, slots=True)
class CardPlace:
    """One die's place on the card."""

    upright: NDArray[np.float64]
    """(36,) log-likelihood of each character, any common offset with ``turned``."""
    turned: NDArray[np.float64]
    """(36,) the same for each character upside down."""
    needles: tuple[NeedleState, ...] = (UNJUDGED,) * N_CHARACTERS
    """Needles, should the place hold that character upright."""
    same_turned: bool = False
    """Its dots lie as they would upside down: no fault then, the ear looks the same too."""


@dataclass(frozen=True, slots=True)
class CardView:
    """The card seen one way round."""

    logp: float
    """Log-probability of this way round."""
    rows: tuple[tuple[CardPlace, ...], ...]
    mirrored: bool = False
    whole: bool = True
    """Every dot of the card belongs to a place, and places stand evenly: none was missed."""


@dataclass(frozen=True, slots=True)
class DieFinding:
    """What one die of the card turned out to be."""

    row: int
    cell: int
    """Counted from 1, as people count."""
    meant: str
    found: str
    turned: bool
    needles: NeedleState
    probability: float
    """That this die is what is said here, 0..1."""


@dataclass(frozen=True, slots=True)
class Proof:
    """Answer for one card."""

    mark: str
    """As it is meant."""
    verdict: Verdict
    found: str
    """As it stands on the card; "?" where that is not clear."""
    sentence: str
    probability: float
    """That the card shows the mark that is meant, 0..1 (needles apart). Where the dots speak
    against a die, no more than they leave it at even odds."""
    dies: tuple[DieFinding, ...]
    seen_mirrored: bool
    swapped: tuple[int, int] | None = None
    """Row and first of the two swapped dies, counted from 1."""

    @property
    def exit_code(self) -> int:
        """What ``legibility proof`` returns."""
        return EXIT_CODES[self.verdict]
