"""The marks that an animal outside the registry may carry, and their average likelihood.

Three kinds of strangers are mixed: animals of the same herds, whose marks are learned from the
registry's own with the registered marks themselves taken out; animals of other herds that mark the
same way, with a letter or a figure at each place as often as here (both in :mod:`.herd_marks`); and
any mark that the rules allow. Each average is exact: characters at different places are drawn
independently, so that the average over all marks (36**16 of them for two rows of eight) is one pass
of the alignment with averaged cells; a check character hangs on the others, see
:mod:`.checked_average`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS, N_CHARACTERS
from legibility.containers import LogLikelihood, Reading
from legibility.identify.channel import ChannelOdds
from legibility.identify.checked_average import CheckedMarks, checked_log_likelihood
from legibility.identify.emissions import Prices, cell_ratios, empty_log_likelihood, gap_matrix
from legibility.identify.herd_marks import HerdMarks, herd_marks
from legibility.identify.layouts import LayoutPrior, even_layouts
from legibility.identify.likelihood import registry_log_likelihood
from legibility.identify.marktable import BASE, MarkTable
from legibility.identify.views import placements, views_of, weighed_rows
from legibility.marks.patterns import Place
from legibility.marks.rules import Layout as Kind
from legibility.marks.rules import Rules
from legibility.marks.space import layout_shares
from legibility.settings import Settings

OWN_SHARE: Final = 0.9
"""Choice: share of unregistered animals whose mark is built like the registry's own; the others
carry any mark that the rules allow."""
NEAR_SHARE: Final = 0.1
"""Choice: of these, share whose mark is one step from a registered one, whatever its herd: animals
are bought beside their near-twins, and lists have slips."""
ONE_STEP: Final = ChannelOdds(swap=1.0, wrong_die=1.0, turned_die=0.0)
"""Choice: each exchange of two neighbours is as likely as another character at one place."""
NEAREST: Final = 512
"""Choice: registered marks, the likeliest by a reading, from which steps are looked at."""
LEAST_LEFT: Final = 1e-3
"""Choice: of the marks of the registry's herds, the least that is taken to be not registered."""

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
    herd: HerdMarks | None = None
    """Marks like the registry's, with the registered ones."""
    herd_share: float = 0.0
    """Share of them; ``layouts`` and ``checked`` are of the others."""
    herd_layouts: LayoutPrior | None = None
    """How they stand in the ear."""

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
    layouts: LayoutPrior | None = None,
    own_share: float = OWN_SHARE,
) -> UnregisteredMarks:
    """Distribution of the marks of animals that are not in a registry.

    Parameters
    ----------
    table : MarkTable, optional
        A share ``own_share`` of the marks is like these, see :mod:`.herd_marks`.
    rules : Rules, optional
        The others are all marks these rules allow: forms (or numbers of rows), then lengths, then
        characters at each place, each equally likely. Where a form ends with a check character, the
        first share keeps to the forms too, as often as each occurs in the registry and with its
        letters and digits by place.
    layouts : LayoutPrior, optional
        How marks of the first share stand in the ear; by default any way the rules allow.
    """
    rules = rules or Rules()
    own = table is not None and len(table) > 0 and own_share > 0
    rest = float(np.log1p(-own_share)) if own else 0.0
    kinds = layout_shares(rules)
    if not any(kind.scheme is not None for kind, _ in kinds):
        every = _any_mark(rules)
        if not own or table is None:
            return every
        stand = layouts or even_layouts(rules if rules.forms else None)
        return replace(
            every,
            layouts=tuple(replace(one, log_share=rest + one.log_share) for one in every.layouts),
            herd=herd_marks(table, stand),
            herd_share=own_share,
            herd_layouts=stand,
        )
    collected = _Collected()
    collected.add_all(rules, rest)
    if not own or table is None:
        return collected.finished()
    log_share = float(np.log(own_share))
    if not _add_own_forms(table, [kind for kind, _ in kinds], log_share, collected):
        return unregistered_marks(rules=rules)  # No mark of the registry keeps to the forms.
    return collected.finished()


@lru_cache(maxsize=16)
def _any_mark(rules: Rules) -> UnregisteredMarks:
    """All marks that the rules allow; none of their forms has a check character."""
    collected = _Collected()
    collected.add_all(rules, 0.0)
    return collected.finished()


def unregistered_log_likelihood(
    reading: Reading,
    marks: UnregisteredMarks,
    *,
    registered: Registered | None = None,
    prices: Prices | None = None,
) -> float:
    """Log of the likelihood of a reading averaged over unregistered marks.

    The application channel is left out: it maps this broad distribution nearly onto itself.

    Parameters
    ----------
    reading : Reading
    marks : UnregisteredMarks
    registered : Registered, optional
        What the registered marks say, to take them out of the herds' marks; None: they stay in.
    prices : Prices, optional

    Returns
    -------
    float
        On the scale of :func:`legibility.identify.likelihood.registry_log_likelihood`.
    """
    prices = prices or Prices()
    kinds = [(rows, *marks.of_rows(rows)) for rows in (1, 2)]
    longest = max((profile.shape[0] for profile in marks.profiles), default=0)
    terms: list[NDArray[np.float64]] = []
    own: list[float] = []
    for weight, rows in weighed_rows(reading):
        if marks.herd is not None:
            own += [
                marks.herd.average(view)
                for view in views_of(
                    rows, log_weight=weight, layouts=marks.herd_layouts, prices=prices
                )
            ]
        empty = [empty_log_likelihood(logp) for logp in rows]
        averages = np.full((len(rows), len(marks.profiles), longest), -np.inf)
        for row, logp in enumerate(rows):
            for number, profile in enumerate(marks.profiles):
                value = average_row_likelihood(logp, profile, prices=prices)
                averages[row, number, : value.size] = value
        for count, shares, pieces in kinds:
            for place in placements(count, len(rows), prices=prices) if shares.size else ():
                constant = weight + place.log_weight + sum(empty[row] for row in place.empty)
                term = shares + constant
                for piece, seen in zip(np.moveaxis(pieces, 1, 0), place.rows, strict=True):
                    if seen is not None:
                        term = term + averages[seen, piece[:, 0], piece[:, 1] - 1]
                terms.append(term)
        for checked in marks.checked:
            for place in placements(len(checked.weights), len(rows), prices=prices):
                constant = weight + place.log_weight + sum(empty[row] for row in place.empty)
                seen_rows = [None if seen is None else rows[seen] for seen in place.rows]
                average = checked_log_likelihood(seen_rows, checked, prices=prices)
                terms.append(np.array([checked.log_share + constant + average]))
    others = float(np.logaddexp.reduce(np.concatenate(terms))) if terms else -np.inf
    if marks.herd is None or not own:
        return others
    average = _without(float(np.logaddexp.reduce(own)), registered)
    if registered is not None:
        average = float(
            np.logaddexp(np.log1p(-NEAR_SHARE) + average, np.log(NEAR_SHARE) + registered.near)
        )
    with np.errstate(divide="ignore"):
        return float(
            np.logaddexp(
                others,
                np.log(marks.herd_share) + average,
            )
        )


@dataclass(frozen=True, slots=True)
class Registered:
    """What registered marks have of the herds' marks."""

    share: float
    """Of all marks of the herds."""
    log_likelihood: float
    """Log of the sum of share times likelihood of a reading."""
    near: float
    """Log-likelihood averaged over marks one step from a registered one."""


def registered_part(
    reading: Reading,
    log_likelihood: NDArray[np.float64],
    marks: UnregisteredMarks,
    table: MarkTable,
    *,
    settings: Settings,
    left_out: Sequence[int] = (),
) -> Registered | None:
    """What the registered marks say, by the log-likelihood of each.

    Parameters
    ----------
    reading : Reading
    log_likelihood : ndarray of float64, (animals,)
    marks : UnregisteredMarks
    table : MarkTable
        That ``marks`` are learned from; animals in the order of ``log_likelihood``.
    settings : Settings
    left_out : sequence of int
        Animals that are taken not to be registered.
    """
    if marks.herd is None:
        return None
    shares, values = marks.herd.animal_share, log_likelihood
    if len(left_out):
        shares, values = shares.copy(), values.copy()
        shares[list(left_out)], values[list(left_out)] = 0.0, -np.inf
    best = float(np.max(values, initial=-np.inf))
    if not np.isfinite(best):
        return Registered(float(shares.sum()), -np.inf, -np.inf)
    total = float(shares @ np.exp(values - best))
    kept = np.flatnonzero(np.isfinite(values))
    if kept.size > NEAREST:
        kept = np.sort(np.argpartition(values, values.size - NEAREST)[-NEAREST:])
    return Registered(
        share=float(shares.sum()),
        log_likelihood=best + float(np.log(max(total, 1e-300))),
        near=near_average(reading, table, kept, marks, settings=settings),
    )


def near_average(
    reading: Reading,
    table: MarkTable,
    animals: NDArray[np.integer],
    marks: UnregisteredMarks,
    *,
    settings: Settings,
) -> float:
    """Log-likelihood averaged over all marks one step from a registered one: one character another
    one, or two neighbours exchanged.

    Parameters
    ----------
    animals : ndarray of int, (k,)
        The likeliest ones; what the reading says of steps from the others is left out.
    """
    values = registry_log_likelihood(
        reading,
        table,
        settings=settings,
        animals=animals,
        layouts=marks.herd_layouts,
        one_event=ONE_STEP,
    )
    return float(np.logaddexp.reduce(values)) - float(np.log(len(table)))


def _without(average: float, registered: Registered | None) -> float:
    """Average over the herds' marks that are not registered."""
    if registered is None:
        return average
    left = max(LEAST_LEFT, 1.0 - registered.share)
    # What is left of the whole is not known more closely than rounding allows.
    taken = min(1.0 - LEAST_LEFT * 1e-6, float(np.exp(registered.log_likelihood - average)))
    return average + float(np.log1p(-taken)) - float(np.log(left))


def average_row_likelihood(
    logp: LogLikelihood, weights: NDArray[np.float64], *, prices: Prices
) -> NDArray[np.float64]:
    """Log of the likelihood averaged over rows whose characters are drawn independently.

    Parameters
    ----------
    logp : ndarray of float64, (cells, 37)
    weights : ndarray of float64, (places, 36)
        Probability of each character at each place; each place sums to one.
    prices : Prices

    Returns
    -------
    ndarray of float64, (places,)
        For rows of the first 1, 2, ... places.
    """
    ratios = cell_ratios(logp)
    gap = gap_matrix(ratios, extra_cell=prices.extra_cell)
    emission = (1.0 - prices.missed_cell) * weights @ ratios[:, :N_CHARACTERS].T
    states = np.zeros(ratios.shape[0] + 1)
    states[0] = 1.0
    result = np.empty(weights.shape[0])
    for place, seen in enumerate(emission):
        ahead = states @ gap
        states = ahead * prices.missed_cell
        states[1:] += ahead[:-1] * seen
        result[place] = np.log((states @ gap)[-1])
    return result


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

    def add_all(self, rules: Rules, log_share: float) -> None:
        """All marks that the rules allow, with this share together."""
        for kind, share in layout_shares(rules):
            rows = tuple(_uniform(row) for row in kind.rows)
            self.add(log_share + float(np.log(share)), kind, rows)

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
