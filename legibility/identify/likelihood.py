"""Log-likelihood of a photo for every registered mark.

    log p(photo | record) = logsumexp_h [ log pi(h) + log sum_x eps(x | record) p(rows_h | x) ]

with the hypotheses h of the reading (orientation, handedness, segmentation), the application
channel eps of :mod:`legibility.identify.channel`, and rows that may be missed, too many, or crossed
at the prices of :mod:`legibility.identify.alignment`. Values are log-ratios to a picture whose
cells say nothing, hence comparable with each other and not in themselves probabilities.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import N_CLASSES
from legibility.containers import Hypothesis, LogLikelihood, Reading
from legibility.identify.alignment import (
    Prices,
    RowLikelihood,
    row_likelihood,
    some_row_likelihood,
)
from legibility.identify.channel import channel_odds, total_odds
from legibility.identify.marktable import MarkTable
from legibility.settings import Settings


@dataclass(frozen=True, slots=True)
class Placement:
    """One way the rows of a mark and the rows seen may belong together."""

    log_weight: float
    rows: tuple[int | None, ...]
    """For each row of the mark the seen row, None when it was not found."""
    empty: tuple[int, ...]
    """Seen rows that hold no character."""


@lru_cache(maxsize=256)
def placements(rows: int, seen: int, *, prices: Prices) -> tuple[Placement, ...]:
    """All ways to place ``rows`` (1 or 2) rows of a mark on ``seen`` (1 or more) rows found.

    The weights over all numbers of rows seen sum to one.
    """
    if rows == 2 and seen == 1:
        weight = np.log(prices.missed_row / 2)
        return (Placement(weight, (0, None), ()), Placement(weight, (None, 0), ()))
    extra = seen - rows
    found = np.log((1 - prices.extra_row) * prices.extra_row**extra)
    found += np.log(1 - prices.missed_row) if rows == 2 else 0.0
    chosen = list(combinations(range(seen), rows))
    result = []
    for places in chosen:
        empty = tuple(row for row in range(seen) if row not in places)
        weight = found - np.log(len(chosen))
        if rows == 1:
            result.append(Placement(weight, places, empty))
        else:
            straight = Placement(weight + np.log1p(-prices.crossed_rows), places, empty)
            crossed = Placement(weight + np.log(prices.crossed_rows), places[::-1], empty)
            result += [straight, crossed]
    return tuple(result)


def row_logp(reading: Reading) -> list[list[LogLikelihood]]:
    """Cells of each row of each hypothesis as (cells, 37) arrays, checked.

    Raises
    ------
    ValueError
        If a cell has the wrong shape or a value that is not a number.
    """
    result = []
    for h, hypothesis in enumerate(reading.hypotheses):
        rows = []
        for r, cells in enumerate(hypothesis.rows):
            for c, cell in enumerate(cells):
                if cell.logp.shape != (N_CLASSES,) or bool(np.isnan(cell.logp).any()):
                    raise ValueError(
                        f"hypothesis {h}, row {r}, cell {c}: log-probabilities of shape "
                        f"{cell.logp.shape}; expected ({N_CLASSES},) without NaN"
                    )
            stacked = [np.asarray(cell.logp, dtype=np.float64) for cell in cells]
            rows.append(np.array(stacked).reshape(len(cells), N_CLASSES))
        result.append(rows)
    return result


def hypothesis_weights(hypotheses: Sequence[Hypothesis]) -> NDArray[np.float64]:
    """(h,) log-probabilities of the hypotheses given that there is a mark; they sum to one."""
    logp = np.array([hypothesis.logp for hypothesis in hypotheses], dtype=np.float64)
    return np.asarray(logp - np.logaddexp.reduce(logp), dtype=np.float64)


def registry_log_likelihood(
    reading: Reading,
    table: MarkTable,
    *,
    settings: Settings,
    prices: Prices | None = None,
    animals: NDArray[np.integer] | None = None,
) -> NDArray[np.float64]:
    """Log-likelihood of a reading for every animal of a registry.

    Parameters
    ----------
    reading : Reading
        With at least one hypothesis that has a row.
    table : MarkTable
    settings : Settings
        ``p_swap``, ``p_wrong_die``, ``p_turned_die`` are used.
    prices : Prices, optional
    animals : ndarray of int, (k,), optional
        A few of the table's animals; all of them by default.

    Returns
    -------
    ndarray of float64, (animals,)
    """
    prices = prices or Prices()
    odds = channel_odds(settings)
    chosen = _chosen(table, animals)
    kinds = (table.characters, table.turnable, table.unequal_pairs)
    if chosen.rows is not None:
        kinds = (kinds[0][chosen.rows], kinds[1][chosen.rows], kinds[2][chosen.rows])
    row_odds = total_odds(*kinds, odds=odds)
    two = np.flatnonzero(chosen.second >= 0)
    one = np.flatnonzero(chosen.second < 0)
    total = np.full(chosen.first.size, -np.inf)
    weights = hypothesis_weights(reading.hypotheses)
    for weight, rows in zip(weights, row_logp(reading), strict=True):
        if not rows or not np.isfinite(weight):
            continue
        if chosen.rows is None:
            seen = [row_likelihood(logp, table, odds=odds, prices=prices) for logp in rows]
        else:
            seen = [
                some_row_likelihood(logp, table, chosen.rows, odds=odds, prices=prices)
                for logp in rows
            ]
        one_rows = [np.logaddexp(row.log_intact, row.log_one_event) for row in seen]
        if one.size:
            first = chosen.first[one]
            part = np.full(one.size, -np.inf)
            for place in placements(1, len(seen), prices=prices):
                constant = place.log_weight + _empty_rows(place, seen)
                part = np.logaddexp(part, constant + one_rows[place.rows[0] or 0][first])
            part -= np.log1p(row_odds[first])
            total[one] = np.logaddexp(total[one], weight + part)
        if two.size:
            pair = (chosen.first[two], chosen.second[two])
            part = np.full(two.size, -np.inf)
            for place in placements(2, len(seen), prices=prices):
                constant = place.log_weight + _empty_rows(place, seen)
                part = np.logaddexp(
                    part, constant + _two_rows(place, seen, one_rows, pair, row_odds)
                )
            part -= np.log1p(row_odds[pair[0]] + row_odds[pair[1]])
            total[two] = np.logaddexp(total[two], weight + part)
    return total


@dataclass(frozen=True, slots=True)
class _Chosen:
    """Animals by their rows."""

    rows: NDArray[np.integer] | None
    """The rows that are looked at; None: all of the table's."""
    first: NDArray[np.integer]
    """(k,) place of each animal's first row among them."""
    second: NDArray[np.integer]
    """(k,) of its second row, -1 for none."""


def _chosen(table: MarkTable, animals: NDArray[np.integer] | None) -> _Chosen:
    if animals is None:
        return _Chosen(None, table.first_row, table.second_row)
    first, second = table.first_row[animals], table.second_row[animals]
    rows = np.unique(np.concatenate([first, second[second >= 0]]))
    places = np.where(second < 0, -1, np.searchsorted(rows, second))
    return _Chosen(rows, np.searchsorted(rows, first), places)


def _empty_rows(place: Placement, seen: Sequence[RowLikelihood]) -> float:
    return float(sum(seen[row].log_empty for row in place.empty))


def _two_rows(
    place: Placement,
    seen: Sequence[RowLikelihood],
    one_rows: Sequence[NDArray[np.float64]],
    pair: tuple[NDArray[np.integer], NDArray[np.integer]],
    row_odds: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Log of "no event in either row" plus "one event in one of them"."""
    if None in place.rows:
        found = 0 if place.rows[1] is None else 1
        row = seen[place.rows[found] or 0]
        unseen = np.log1p(row_odds[pair[1 - found]])
        return np.asarray(
            np.logaddexp(row.log_intact[pair[found]] + unseen, row.log_one_event[pair[found]])
        )
    a, b = place.rows[0] or 0, place.rows[1] or 0
    event_first_or_none = one_rows[a][pair[0]] + seen[b].log_intact[pair[1]]
    event_second = seen[a].log_intact[pair[0]] + seen[b].log_one_event[pair[1]]
    return np.asarray(np.logaddexp(event_first_or_none, event_second))
