"""Log-likelihood of a photo for every registered mark.

    log p(photo | record) = logsumexp_h [ log pi(h)
        + log sum_x eps(x | record) sum_l q(l | x) p(rows_h | x in layout l) ]

with the hypotheses h of the reading (orientation, handedness, segmentation), the application
channel eps of :mod:`legibility.identify.channel`, the layouts l that the record leaves open
(:mod:`legibility.identify.layouts`), and rows that may be missed, too many, or crossed at the
prices of :mod:`legibility.identify.emissions`. Values are log-ratios to a picture whose cells say
nothing, hence comparable with each other and not in themselves probabilities.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from legibility.containers import LogLikelihood, Reading
from legibility.identify.alignment import RowLikelihood, row_likelihood, some_row_likelihood
from legibility.identify.channel import ChannelOdds, channel_odds, total_odds
from legibility.identify.emissions import Prices, RowCells, empty_log_likelihood, one_row
from legibility.identify.layouts import LayoutPrior
from legibility.identify.marktable import MarkTable
from legibility.identify.views import View, placements, views_of, weighed_rows
from legibility.settings import Settings


def registry_log_likelihood(
    reading: Reading,
    table: MarkTable,
    *,
    settings: Settings,
    prices: Prices | None = None,
    animals: NDArray[np.integer] | None = None,
    layouts: LayoutPrior | None = None,
    one_event: ChannelOdds | None = None,
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
    layouts : LayoutPrior, optional
        Layouts of the marks that the table has in one row; None: they stand in one row.
    one_event : ChannelOdds, optional
        Likelihoods of the marks after exactly one event, each as likely as these odds say; in place
        of the settings' own channel.

    Returns
    -------
    ndarray of float64, (animals,)
    """
    prices = prices or Prices()
    changed = one_event is not None
    chosen = _Chosen.of(table, animals, one_event or channel_odds(settings))
    least = 1e-300 if changed else 1.0
    total = np.full(chosen.first.size, -np.inf)
    one, two = np.flatnonzero(chosen.second < 0), np.flatnonzero(chosen.second >= 0)
    for weight, rows in weighed_rows(reading):
        if one.size:
            said = np.full(chosen.count, -np.inf)
            for view in views_of(rows, log_weight=weight, layouts=layouts, prices=prices):
                chosen.add(view, said, changed=changed)
            said -= np.log(least + chosen.row_odds)
            total[one] = np.logaddexp(total[one], said[chosen.first[one]])
        if two.size:
            seen = [chosen.likelihood(one_row(logp, prices=prices)) for logp in rows]
            pair = (chosen.first[two], chosen.second[two])
            part = _two_rows(rows, seen, pair, chosen.row_odds, prices, changed=changed)
            part -= np.log(least + chosen.row_odds[pair[0]] + chosen.row_odds[pair[1]])
            total[two] = np.logaddexp(total[two], weight + part)
    return total


@dataclass(frozen=True, slots=True)
class _Chosen:
    """Animals by their rows."""

    table: MarkTable
    odds: ChannelOdds
    rows: NDArray[np.integer] | None
    """The rows that are looked at; None: all of the table's."""
    first: NDArray[np.integer]
    """(k,) place of each animal's first row among them."""
    second: NDArray[np.integer]
    """(k,) of its second row, -1 for none."""
    row_odds: NDArray[np.float64]
    """(rows,) sum of the odds of all events of each row."""

    @classmethod
    def of(
        cls, table: MarkTable, animals: NDArray[np.integer] | None, odds: ChannelOdds
    ) -> _Chosen:
        first, second, rows = table.first_row, table.second_row, None
        kinds = (table.characters, table.turnable, table.unequal_pairs)
        if animals is not None:
            first, second = first[animals], second[animals]
            rows = np.unique(np.concatenate([first, second[second >= 0]]))
            second = np.where(second < 0, -1, np.searchsorted(rows, second))
            first = np.searchsorted(rows, first)
            kinds = (kinds[0][rows], kinds[1][rows], kinds[2][rows])
        return cls(table, odds, rows, first, second, total_odds(*kinds, odds=odds))

    @property
    def count(self) -> int:
        """Number of rows that are looked at."""
        return int(self.row_odds.size)

    def likelihood(self, cells: RowCells) -> RowLikelihood:
        """Of all rows that are looked at."""
        if self.rows is None:
            return row_likelihood(cells, self.table, odds=self.odds)
        return some_row_likelihood(cells, self.table, self.rows, odds=self.odds)

    def add(self, view: View, total: NDArray[np.float64], *, changed: bool) -> None:
        """Add a view to the log-likelihoods of all rows, not yet divided by their odds.

        ``changed``: of rows after one event alone.
        """
        lengths = self.table.characters if self.rows is None else self.table.characters[self.rows]
        if view.jumps is None:
            weight = view.log_weight[lengths]
            if np.isfinite(weight).any():
                said = self.likelihood(view.cells)
                np.logaddexp(total, weight + said.either(changed), out=total)
            return
        alike = np.flatnonzero(lengths == view.length)
        if not alike.size:
            return
        if self.rows is None:
            said = row_likelihood(
                view.cells,
                self.table,
                odds=self.odds,
                jumps=view.jumps,
                rows=slice(int(alike[0]), int(alike[-1]) + 1),
            )
        else:
            said = some_row_likelihood(
                view.cells, self.table, self.rows[alike], odds=self.odds, jumps=view.jumps
            )
        weight = float(view.log_weight[view.length])
        total[alike] = np.logaddexp(total[alike], weight + said.either(changed))


def _two_rows(
    rows: Sequence[LogLikelihood],
    seen: Sequence[RowLikelihood],
    pair: tuple[NDArray[np.integer], NDArray[np.integer]],
    row_odds: NDArray[np.float64],
    prices: Prices,
    *,
    changed: bool,
) -> NDArray[np.float64]:
    """Log-likelihood of marks whose two rows are written, not yet divided by their odds."""
    empty = [empty_log_likelihood(logp) for logp in rows]
    total = np.full(pair[0].size, -np.inf)
    for place in placements(2, len(rows), prices=prices):
        constant = place.log_weight + sum(empty[row] for row in place.empty)
        if None in place.rows:
            found = 0 if place.rows[1] is None else 1
            row = seen[place.rows[found] or 0]
            with np.errstate(divide="ignore"):
                unseen = np.log(float(not changed) + row_odds[pair[1 - found]])
            said = np.logaddexp(
                row.log_intact[pair[found]] + unseen, row.log_one_event[pair[found]]
            )
        else:
            a, b = seen[place.rows[0] or 0], seen[place.rows[1] or 0]
            event_second = a.log_intact[pair[0]] + b.log_one_event[pair[1]]
            said = np.logaddexp(a.either(changed)[pair[0]] + b.log_intact[pair[1]], event_second)
        total = np.logaddexp(total, constant + said)
    return total
