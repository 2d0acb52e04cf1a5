"""What it says of a mark that a photo of its ear could not be read.

A refusal is an observation with an error rate: hair, dirt, water and the reader's own misses refuse
good marks too. How often a legible and a lost mark are refused, as found and after cleaning or
clipping, was measured; a mark counts as lost only when two looks agree, one of them a good one.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

from legibility.errors import ModelError

DEFAULT_FILE: Final = Path(__file__).parent.parent / "models" / "refusals.json"
AS_FOUND, COVERED, PREPARED = LOOKS = ("as found", "covered", "prepared")
"""Looks by what is known of them: nobody said that the ear was prepared; something over the mark
was found; after cleaning or clipping."""
PRIOR_LOST: Final = 0.1
"""Choice: probability that a mark is lost before anybody looked; a tenth of the marks of a herd."""
SURE_LOST: Final = 0.9
"""Choice: from this probability on two looks that agree make a mark "seen lost"."""
LEAST_LOOKS: Final = 2
"""Contract: no mark is lost by one look."""
LEAST_GOOD: Final = 2
"""Choice: what the looks that agree must add up to, a look at the cleaned ear counting 1 and one at
the clipped ear 2: cleaning leaves the hair."""


@dataclass(frozen=True, slots=True)
class Chance:
    """How often photos that passed the capture check were refused."""

    refused: int
    of: int

    @property
    def share(self) -> float:
        """0..1, never certain: one more of each (rule of succession)."""
        return (self.refused + 1) / (self.of + 2)


@dataclass(frozen=True, slots=True)
class Refusals:
    """Measured chances of a refusal."""

    legible: Mapping[str, Chance]
    """By look, of marks that are there to be read."""
    lost: Chance
    """Of marks that are gone."""
    origin: str
    """Where the counts are from, with the command that made them."""

    def weight(self, look: str) -> float:
        """Logarithm of how much more often a lost mark is refused than a legible one, >= 0."""
        return max(0.0, math.log(self.lost.share / self.legible[look].share))


def p_lost(weight: float, *, prior: float = PRIOR_LOST) -> float:
    """Probability that the mark is lost after looks with a summed weight.

    Examples
    --------
    >>> round(p_lost(0.0), 3), round(p_lost(math.log(20.0)), 3)
    (0.1, 0.69)
    """
    return 1.0 / (1.0 + (1.0 - prior) / prior * math.exp(-weight))


@lru_cache(maxsize=1)
def load_refusals(path: Path = DEFAULT_FILE) -> Refusals:
    """The measured chances.

    Raises
    ------
    ModelError
        If the file cannot be read, or a count is missing or cannot be one.
    """
    try:
        values = json.loads(path.read_text(encoding="utf-8"))
        return Refusals(
            {look: _chance(values["legible"][look]) for look in LOOKS},
            _chance(values["lost"]),
            str(values["origin"]),
        )
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise ModelError(f"{path}: cannot be read as chances of refusal: {error}") from error


def save_refusals(refusals: Refusals, path: Path) -> None:
    """Write what :func:`load_refusals` reads."""
    values = {
        "origin": refusals.origin,
        "legible": {look: _counts(chance) for look, chance in refusals.legible.items()},
        "lost": _counts(refusals.lost),
    }
    path.write_text(json.dumps(values, indent=1) + "\n", encoding="utf-8")


def _counts(chance: Chance) -> dict[str, int]:
    return {"refused": chance.refused, "of": chance.of}


def _chance(values: Mapping[str, Any]) -> Chance:
    refused, of = int(values["refused"]), int(values["of"])
    if not 0 <= refused <= of:
        raise ValueError(f"{refused} refused of {of}")
    return Chance(refused, of)
