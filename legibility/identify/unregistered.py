"""The marks that an animal outside the registry may carry, and their average likelihood.

Characters at different places are drawn independently, so that the average over all marks (36**16
of them for two rows of eight) is one pass of the alignment with averaged cells.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS, N_CHARACTERS
from legibility.containers import Reading
from legibility.identify.alignment import Prices, average_row_likelihood, empty_log_likelihood
from legibility.identify.likelihood import hypothesis_weights, placements, row_logp
from legibility.identify.marktable import BASE, MarkTable
from legibility.identify.rules import Rules

OWN_SHAPE_SHARE: Final = 0.5
"""Choice: share of unregistered animals whose mark is built like the registry's own (row lengths,
letters and digits by place); the others carry any mark that the rules allow."""

_IS_LETTER: Final = np.array([character.isalpha() for character in CHARACTERS])


@dataclass(frozen=True, slots=True)
class Layout:
    """A kind of mark: one or two rows."""

    log_share: float
    rows: tuple[tuple[int, int], ...]
    """For each row the profile its characters are drawn from, and its number of characters."""


@dataclass(frozen=True, slots=True)
class UnregisteredMarks:
    """A distribution over marks; the shares of all layouts sum to one."""

    profiles: tuple[NDArray[np.float64], ...]
    """Each (places, 36): probability of every character at every place of a row."""
    layouts: tuple[Layout, ...]

    def of_rows(self, rows: int) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
        """(k,) log-shares and (k, rows, 2) profiles and lengths of layouts of that many rows."""
        chosen = [layout for layout in self.layouts if len(layout.rows) == rows]
        shares = np.array([layout.log_share for layout in chosen], dtype=np.float64)
        pieces = np.array([layout.rows for layout in chosen], dtype=np.int64)
        return shares, pieces.reshape(len(chosen), rows, 2)


def unregistered_marks(
    table: MarkTable | None = None,
    *,
    rules: Rules | None = None,
    own_shape_share: float = OWN_SHAPE_SHARE,
) -> UnregisteredMarks:
    """Distribution of the marks of animals that are not in a registry.

    Parameters
    ----------
    table : MarkTable, optional
        A share ``own_shape_share`` of the marks is built like these: row lengths as often as
        there, and at each place a letter or a digit as often as there, each letter (digit) equally
        likely.
    rules : Rules, optional
        The others are all marks these rules allow: number of rows, then lengths, then characters,
        each equally likely.
    """
    rules = rules or Rules()
    allowed = _allowed(rules)
    profiles = [np.tile(allowed / allowed.sum(), (rules.longest_row, 1))]
    lengths = range(rules.shortest_row, rules.longest_row + 1)
    own = table is not None and len(table) > 0 and own_shape_share > 0
    rest = np.log1p(-own_shape_share) if own else 0.0
    share = rest - np.log(rules.max_rows) - np.log(len(lengths))
    layouts = [Layout(float(share), ((0, length),)) for length in lengths]
    if rules.max_rows == 2:
        share -= np.log(len(lengths))
        layouts += [Layout(float(share), ((0, a), (0, b))) for a in lengths for b in lengths]
    if own and table is not None:
        _add_own(table, allowed, float(np.log(own_shape_share)), profiles, layouts)
    return UnregisteredMarks(tuple(profiles), tuple(layouts))


def unregistered_log_likelihood(
    reading: Reading, marks: UnregisteredMarks, *, prices: Prices | None = None
) -> float:
    """Log of the likelihood of a reading averaged over unregistered marks.

    The application channel is left out: it maps this broad distribution nearly onto itself.

    Returns
    -------
    float
        On the scale of :func:`legibility.identify.likelihood.registry_log_likelihood`.
    """
    prices = prices or Prices()
    kinds = [(rows, *marks.of_rows(rows)) for rows in (1, 2)]
    longest = max(profile.shape[0] for profile in marks.profiles)
    terms: list[NDArray[np.float64]] = []
    weights = hypothesis_weights(reading.hypotheses)
    for weight, rows in zip(weights, row_logp(reading), strict=True):
        if not rows or not np.isfinite(weight):
            continue
        empty = [empty_log_likelihood(logp) for logp in rows]
        averages = np.full((len(rows), len(marks.profiles), longest), -np.inf)
        for row, logp in enumerate(rows):
            for number, profile in enumerate(marks.profiles):
                value = average_row_likelihood(logp, profile, prices=prices)
                averages[row, number, : value.size] = value
        for count, shares, pieces in kinds:
            for place in placements(count, len(rows), prices=prices) if shares.size else ():
                constant = float(weight) + place.log_weight + sum(empty[row] for row in place.empty)
                term = shares + constant
                for piece, seen in zip(np.moveaxis(pieces, 1, 0), place.rows, strict=True):
                    if seen is not None:
                        term = term + averages[seen, piece[:, 0], piece[:, 1] - 1]
                terms.append(term)
    return float(np.logaddexp.reduce(np.concatenate(terms))) if terms else -np.inf


def _allowed(rules: Rules) -> NDArray[np.float64]:
    return np.array([float(character in rules.characters) for character in CHARACTERS])


def _add_own(
    table: MarkTable,
    allowed: NDArray[np.float64],
    log_share: float,
    profiles: list[NDArray[np.float64]],
    layouts: list[Layout],
) -> None:
    lengths = table.characters.astype(np.int64)
    second = np.where(table.second_row >= 0, lengths[table.second_row], 0)
    kinds = lengths[table.first_row] * 100 + second
    for kind in np.unique(kinds):
        chosen = np.flatnonzero(kinds == kind)
        rows = []
        for row_ids in (table.first_row, table.second_row)[: 2 if kind % 100 else 1]:
            profile = _profile(table, row_ids[chosen], allowed)
            rows.append((len(profiles), profile.shape[0]))
            profiles.append(profile)
        share = log_share + float(np.log(chosen.size / len(table)))
        layouts.append(Layout(share, tuple(rows)))


def _profile(
    table: MarkTable, rows: NDArray[np.int32], allowed: NDArray[np.float64]
) -> NDArray[np.float64]:
    """(places, 36) letters and digits by place as often as in ``rows``."""
    length = int(table.characters[rows[0]])
    profile = np.zeros((length, N_CHARACTERS))
    keys = table.row_keys[rows]
    for place in range(length):
        digit = keys // np.uint64(BASE ** (length - 1 - place)) % np.uint64(BASE)
        letters = float(np.mean(_IS_LETTER[(digit - np.uint64(1)).astype(np.int64)]))
        for share, kind in ((letters, _IS_LETTER), (1.0 - letters, ~_IS_LETTER)):
            members = kind & (allowed > 0)
            members = members if bool(members.any()) else kind
            profile[place, members] = share / np.count_nonzero(members)
    return profile
