r"""How likely a pair must be in the usual views for its rare views to add nothing.

Most ways to lay a reading over a record are rare, and hardly a pair is likely in two of them: for
that the record would have to look like itself in other places. What a view adds is at most
``terms * weight * prod_q L(y_q)``, with L the likeliest of what one error makes of the place that
is read at q. With M the same of a usual view,

.. math:: \prod_q M(y_q) \prod_q L(y_q) \le \prod_q \max_y M(y) L(y)

for whatever is read, so that a number of the record alone says above which usual part a rare one
is negligible.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import N_CHARACTERS, NO_CHARACTER
from legibility.risk.marks import Codes, Structure
from legibility.risk.misreading import (
    CHUNK,
    LOST,
    NEGLIGIBLE,
    RARE,
    Channel,
    View,
    inner_pairs,
    views,
)


def enough_without(
    records: Codes, record: Structure, reading: Structure, ch: Channel
) -> dict[View, NDArray[np.float32]]:
    """For each rare view the usual part, before it is divided by the odds, that leaves it out.

    Parameters
    ----------
    records : ndarray of uint8, (n, characters)
        Of the structure ``record``.
    record, reading : Structure
    ch : Channel

    Returns
    -------
    dict of View to ndarray of float32, (n,)
        Empty when no view is usual, or none is rare.
    """
    ways = views(record, reading, ch)
    usual = [view for view in ways if view.weight >= RARE]
    rare = [view for view in ways if view.weight < RARE]
    if not usual or not rare:
        return {}
    out = {view: np.empty(len(records), dtype=np.float32) for view in rare}
    for start in range(0, len(records), CHUNK):
        part = slice(start, start + CHUNK)
        places = _places(records[part], record, ch)
        for view, limits in out.items():
            both = [_both(places, one, view) for one in usual]
            limits[part] = len(usual) * np.max(both, axis=0)
    terms = 2.0 * records.shape[1]
    return {view: limits * (terms * terms / NEGLIGIBLE) for view, limits in out.items()}


def _places(records: Codes, record: Structure, ch: Channel) -> list[NDArray[np.float32]]:
    """(n, 37) for each place, the likeliest of what one error makes of it, class by class."""
    upper, crossed = (table.astype(np.float32) for table in (ch.upper, ch.crossed))
    out = [upper[records[:, place]] for place in range(records.shape[1])]
    for place in inner_pairs(record):
        for here, there in ((place, place + 1), (place + 1, place)):
            np.maximum(out[here], crossed[records[:, there]], out=out[here])
    return out


def _both(places: list[NDArray[np.float32]], one: View, other: View) -> NDArray[np.float32]:
    """(n,) at most what two views can be together, their weights included."""
    found = np.full(len(places[0]), one.weight * other.weight, dtype=np.float32)
    read = {at: place for place, at in enumerate(one.places) if at >= 0}
    for view in (one, other):
        for place, at in enumerate(view.places):
            if at == LOST:
                found *= places[place][:, NO_CHARACTER]
    for place, at in enumerate(other.places):
        if at >= 0:
            found *= (places[place] * places[read[at]])[:, :N_CHARACTERS].max(axis=1)
    return found
