"""``legibility worklist``: who is next, as many as the next handling days hold."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from legibility.herd import handling as h
from legibility.herd.histories import Ints
from legibility.pipeline.herd_ranking import Ranking
from legibility.pipeline.worklist_items import WorkItem, work_items
from legibility.pipeline.worklist_reasons import why_before

SHOWN: Final = 20
"""Choice: animals of a worklist unless told."""
ORDERS: Final = {
    "": "expected loss",
    "date": "by when",
    "taken": "probability of being taken for another",
    "lost": "probability that the mark is lost",
    "grade": "grade, worst first",
    "animal": "animal",
}
"""Orders of the worklist and what they are called."""


@dataclass(frozen=True, slots=True)
class Worklist:
    """The herd, most urgent first."""

    items: tuple[WorkItem, ...]
    animals: int
    """In the herd, those gone left out."""
    needing: int
    """For which something would help."""
    listed: int
    """The first of them: as many as the next handling days hold."""
    days: float
    """Handling days that the list is made for."""
    minutes: float
    """At the chute, of all these days."""
    acts: Mapping[str, int]
    today: str
    next_handling: str
    basis: tuple[str, ...]
    """What the figures rest on, sentences; assumptions say that they are."""

    def record(self) -> dict[str, Any]:
        """As JSON."""
        return asdict(self)


def worklist(
    ranking: Ranking,
    count: int = SHOWN,
    *,
    act: str = "",
    order: str = "",
    days: float | None = None,
) -> Worklist:
    """The first animals that need something; each keeps its rank by expected loss.

    Parameters
    ----------
    count : int
        At most so many of those that the next handling days hold.
    days : float, optional
        Handling days, those of ``handling`` by default.
    act : str
        Only animals for which this is advised; all when empty.
    order : str
        One of ``ORDERS``.
    """
    found, handling = ranking.found, ranking.handling
    needing = ranking.order[found.act[ranking.order] != h.NOTHING]
    ranks = {int(place): rank for rank, place in enumerate(needing, start=1)}
    days = handling.list_days if days is None else days
    listed = needing[: _held(ranking, needing, days)]
    shown = listed[found.act[listed] == act] if act else listed
    if order:
        shown = shown[np.argsort(_keys(ranking)[order][shown], kind="stable")]
    names, numbers = np.unique(found.act[ranking.order], return_counts=True)
    places = shown[:count].tolist()
    items = zip(places, work_items(ranking, places), strict=True)
    return Worklist(
        items=tuple(
            replace(item, rank=ranks[place], before=_before(ranking, needing, ranks[place]))
            for place, item in items
        ),
        animals=len(ranking.order),
        needing=len(needing),
        listed=len(listed),
        days=days,
        minutes=days * handling.day_minutes,
        acts={str(name): int(n) for name, n in zip(names, numbers, strict=True)},
        today=ranking.today.isoformat(),
        next_handling=ranking.ahead.isoformat(),
        basis=ranking.basis,
    )


def _held(ranking: Ranking, needing: Ints, days: float) -> int:
    """How many of the first animals some handling days hold; one at least."""
    handling = ranking.handling
    words, code = np.unique(ranking.found.act[needing], return_inverse=True)
    each = np.array([handling.acts[str(word)].minutes for word in words], np.float64)
    used = np.cumsum(each[code]) if len(needing) else np.zeros(0)
    held = int(np.searchsorted(used, days * handling.day_minutes + 1e-9, side="right"))
    return min(len(needing), max(1, held))


def _before(ranking: Ranking, needing: Ints, rank: int) -> str:
    if rank >= len(needing):
        return ""
    return why_before(ranking, int(needing[rank - 1]), int(needing[rank]))


def _keys(ranking: Ranking) -> Mapping[str, NDArray[Any]]:
    """By which animals are ordered, smallest first."""
    return {
        "date": np.nan_to_num(ranking.found.last_day, nan=np.inf),
        "taken": -ranking.found.p_taken,
        "lost": -ranking.found.p_lost,
        "grade": np.nan_to_num(ranking.state.grade, nan=np.inf),
        "animal": ranking.state.animal,
    }
