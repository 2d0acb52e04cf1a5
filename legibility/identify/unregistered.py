"""The marks that an animal outside the registry may carry, and their average likelihood.

Characters at different places are drawn independently, so that the average over all marks (36**16
of them for two rows of eight) is one pass of the alignment with averaged cells. Only a check
character hangs on the others; such marks are averaged over in :mod:`.checked_average`, exactly too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS, N_CHARACTERS
from legibility.containers import Reading
from legibility.identify.alignment import Prices, average_row_likelihood, empty_log_likelihood
from legibility.identify.checked_average import CheckedMarks, checked_log_likelihood
from legibility.identify.likelihood import hypothesis_weights, placements, row_logp
from legibility.identify.marktable import BASE, MarkTable
from legibility.marks.patterns import Place
from legibility.marks.rules import Layout as Kind
from legibility.marks.rules import Rules
from legibility.marks.space import layout_shares

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
    checked: tuple[CheckedMarks, ...] = ()
    """Marks that end with a check character."""

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
        The others are all marks these rules allow: forms (or numbers of rows), then lengths, then
        characters at each place, each equally likely. With forms the first share keeps to them
        too, and takes from the registry how often each occurs.
    """
    rules = rules or Rules()
    own = table is not None and len(table) > 0 and own_shape_share > 0
    rest = float(np.log1p(-own_shape_share)) if own else 0.0
    collected = _Collected()
    kinds = layout_shares(rules)
    for kind, share in kinds:
        rows = tuple(_uniform(row) for row in kind.rows)
        collected.add(rest + float(np.log(share)), kind, rows)
    if own and table is not None:
        log_share = float(np.log(own_shape_share))
        if not rules.forms:
            _add_own(table, rules, log_share, collected.profiles, collected.layouts)
        elif not _add_own_forms(table, [kind for kind, _ in kinds], log_share, collected):
            return unregistered_marks(rules=rules)  # No mark of the registry keeps to the forms.
    return collected.finished()


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
    longest = max((profile.shape[0] for profile in marks.profiles), default=0)
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
        for checked in marks.checked:
            for place in placements(len(checked.weights), len(rows), prices=prices):
                constant = float(weight) + place.log_weight + sum(empty[row] for row in place.empty)
                seen_rows = [None if seen is None else rows[seen] for seen in place.rows]
                average = checked_log_likelihood(seen_rows, checked, prices=prices)
                terms.append(np.array([checked.log_share + constant + average]))
    return float(np.logaddexp.reduce(np.concatenate(terms))) if terms else -np.inf


@dataclass(slots=True)
class _Collected:
    profiles: list[NDArray[np.float64]] = field(default_factory=list)
    layouts: list[Layout] = field(default_factory=list)
    checked: list[CheckedMarks] = field(default_factory=list)

    def add(self, log_share: float, kind: Kind, rows: tuple[NDArray[np.float64], ...]) -> None:
        if kind.scheme is not None:
            self.checked.append(CheckedMarks(log_share, kind, rows))
            return
        pieces = []
        for row in rows:
            self.profiles.append(row)
            pieces.append((len(self.profiles) - 1, row.shape[0]))
        self.layouts.append(Layout(log_share, tuple(pieces)))

    def finished(self) -> UnregisteredMarks:
        """With each profile that begins another one replaced by the longer one."""
        longest: dict[bytes, tuple[int, int]] = {}
        for number in sorted(range(len(self.profiles)), key=lambda n: -self.profiles[n].shape[0]):
            profile = self.profiles[number]
            for length in range(profile.shape[0], 0, -1):
                longest.setdefault(profile[:length].tobytes(), (number, length))
        kept: dict[int, int] = {}
        layouts = []
        for layout in self.layouts:
            pieces = []
            for number, length in layout.rows:
                found, _ = longest[self.profiles[number][:length].tobytes()]
                pieces.append((kept.setdefault(found, len(kept)), length))
            layouts.append(Layout(layout.log_share, tuple(pieces)))
        profiles = tuple(self.profiles[number] for number in kept)
        return UnregisteredMarks(profiles, tuple(layouts), tuple(self.checked))


def _mask(allowed: str) -> NDArray[np.float64]:
    return np.array([float(character in allowed) for character in CHARACTERS])


def _uniform(row: Sequence[Place]) -> NDArray[np.float64]:
    """(places, 36) each allowed character equally likely."""
    masks = np.array([_mask(place.allowed) for place in row])
    return np.asarray(masks / masks.sum(axis=1, keepdims=True), dtype=np.float64)


def _add_own_forms(
    table: MarkTable, kinds: Sequence[Kind], log_share: float, collected: _Collected
) -> bool:
    """Layouts as often as in the registry, with its letters and digits by place."""
    lengths = table.characters.astype(np.int64)
    second = np.where(table.second_row >= 0, lengths[table.second_row], 0)
    left = np.ones(len(table), dtype=bool)
    found = []
    for kind in kinds:
        wanted = (*kind.lengths, 0)[:2]
        chosen = np.flatnonzero(
            left & (lengths[table.first_row] == wanted[0]) & (second == wanted[1])
        )
        ids = (table.first_row, table.second_row)[: len(kind.rows)]
        for row, row_ids in zip(kind.rows, ids, strict=True):
            for place, allowed in enumerate(row):
                digits = _digits(table, row_ids[chosen], len(row) - 1 - place)
                chosen = chosen[_mask(allowed.allowed)[digits] > 0]
        left[chosen] = False
        if chosen.size:
            found.append((kind, chosen))
    total = sum(chosen.size for _, chosen in found)
    for kind, chosen in found:
        ids = (table.first_row, table.second_row)[: len(kind.rows)]
        rows = tuple(
            _profile(table, row_ids[chosen], np.array([_mask(place.allowed) for place in row]))
            for row, row_ids in zip(kind.rows, ids, strict=True)
        )
        collected.add(log_share + float(np.log(chosen.size / total)), kind, rows)
    return total > 0


def _digits(table: MarkTable, rows: NDArray[np.int32], from_right: int) -> NDArray[np.int64]:
    """Index of the characters at one place of rows."""
    keys = table.row_keys[rows] // np.uint64(BASE**from_right) % np.uint64(BASE)
    return (keys - np.uint64(1)).astype(np.int64)


def _add_own(
    table: MarkTable,
    rules: Rules,
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
        for number, row_ids in enumerate(
            (table.first_row, table.second_row)[: 2 if kind % 100 else 1]
        ):
            places = int(table.characters[row_ids[chosen[0]]])
            fixed = rules.prefix[:places] if number == 0 else ""
            allowed = [_mask(c) for c in fixed] + [_mask(rules.in_use)] * (places - len(fixed))
            profile = _profile(table, row_ids[chosen], np.array(allowed))
            rows.append((len(profiles), profile.shape[0]))
            profiles.append(profile)
        share = log_share + float(np.log(chosen.size / len(table)))
        layouts.append(Layout(share, tuple(rows)))


def _profile(
    table: MarkTable, rows: NDArray[np.int32], allowed: NDArray[np.float64]
) -> NDArray[np.float64]:
    """(places, 36) letters and digits by place as often as in ``rows``, among those allowed."""
    profile = np.zeros((allowed.shape[0], N_CHARACTERS))
    for place in range(allowed.shape[0]):
        digits = _digits(table, rows, allowed.shape[0] - 1 - place)
        letters = float(np.mean(_IS_LETTER[digits]))
        kinds = [(letters, _IS_LETTER), (1.0 - letters, ~_IS_LETTER)]
        usable = [bool(np.any(kind & (allowed[place] > 0))) for _, kind in kinds]
        if not all(usable) and any(usable):
            kinds = [(1.0, kinds[usable.index(True)][1])]
        for share, kind in kinds:
            members = kind & (allowed[place] > 0)
            profile[place, members] = share / max(1, int(np.count_nonzero(members)))
    return profile
