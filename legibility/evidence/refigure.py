"""Figures of a record made again, compared leaf by leaf with those it holds."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

TOLERANCE: Final = 1e-3
"""Choice: allowed on another platform, of probabilities and of natural-log ratios, plus as much of
the value. Measured for the networks alone: 7e-7 between OpenCV and onnxruntime."""
NOT_FIGURES: Final = frozenset({"seconds"})
"""Leaves that are no result."""


@dataclass(frozen=True, slots=True)
class Difference:
    """One figure that is not the same again."""

    figure: str
    """Where it is in the record, e.g. ``readings[0].candidates[1].probability``."""
    before: Any
    again: Any


def leaves(record: Any, *, where: str = "") -> Iterator[tuple[str, Any]]:
    """Every leaf of a record with its place, in order; empty lists and objects are leaves."""
    if isinstance(record, Mapping) and record:
        for name, value in record.items():
            if name not in NOT_FIGURES:
                yield from leaves(value, where=f"{where}.{name}" if where else str(name))
    elif isinstance(record, Sequence) and not isinstance(record, str) and record:
        for index, value in enumerate(record):
            yield from leaves(value, where=f"{where}[{index}]")
    else:
        yield where, record


def compared(
    before: Any, again: Any, *, tolerance: float = 0.0
) -> tuple[int, tuple[Difference, ...]]:
    """How many figures there are, and each that differs.

    Parameters
    ----------
    tolerance : float
        0 asks for the very same bits; else numbers may differ by that much plus that share. What
        is no number must always be the same.
    """
    first, second = dict(leaves(before)), dict(leaves(again))
    missing = object()
    found = []
    places = list(dict.fromkeys([*first, *second]))
    for place in places:
        old, new = first.get(place, missing), second.get(place, missing)
        if not _same(old, new, tolerance):
            found.append(
                Difference(
                    place,
                    "not there" if old is missing else old,
                    "not there" if new is missing else new,
                )
            )
    return len(places), tuple(found)


def _same(old: Any, new: Any, tolerance: float) -> bool:
    numbers = all(isinstance(v, int | float) and not isinstance(v, bool) for v in (old, new))
    if not numbers:
        return type(old) is type(new) and bool(old == new)
    if not tolerance:
        return float(old) == float(new)
    return math.isclose(old, new, rel_tol=tolerance, abs_tol=tolerance)
