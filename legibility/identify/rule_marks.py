"""Marks that rules allow, and their average likelihood.

Characters at different places are drawn independently, so that the average over all marks (36**16
of them for two rows of eight) is one pass of the alignment with averaged cells. Only a check
character hangs on the others; such marks are averaged over in :mod:`.checked_average`, exactly too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS, N_CHARACTERS
from legibility.containers import LogLikelihood
from legibility.identify.checked_average import CheckedMarks, checked_log_likelihood
from legibility.identify.emissions import Prices, emissions, empty_log_likelihood, one_row
from legibility.identify.mark_texts import IS_LETTER, Texts, texts_by_length
from legibility.identify.marktable import MarkTable
from legibility.identify.place_models import independent_average
from legibility.identify.views import placements
from legibility.marks.patterns import Place
from legibility.marks.rules import Layout as Kind
from legibility.marks.rules import Rules
from legibility.marks.space import layout_shares


@dataclass(frozen=True, slots=True)
class Layout:
    """A kind of mark: one or two rows."""

    log_share: float
    rows: tuple[tuple[int, int], ...]
    """For each row the profile its characters are drawn from, and its number of characters."""


@dataclass(frozen=True, slots=True)
class RuleMarks:
    """A distribution over marks; the shares of all layouts sum to one."""

    profiles: tuple[NDArray[np.float64], ...] = ()
    """Each (places, 36): probability of every character at every place of a row."""
    layouts: tuple[Layout, ...] = ()
    checked: tuple[CheckedMarks, ...] = ()
    """Marks that end with a check character."""

    def of_rows(self, rows: int) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
        """(k,) log-shares and (k, rows, 2) profiles and lengths of layouts of that many rows."""
        chosen = [layout for layout in self.layouts if len(layout.rows) == rows]
        shares = np.array([layout.log_share for layout in chosen], dtype=np.float64)
        pieces = np.array([layout.rows for layout in chosen], dtype=np.int64)
        return shares, pieces.reshape(len(chosen), rows, 2)

    def average(
        self, seen: Sequence[tuple[float, list[LogLikelihood]]], *, prices: Prices
    ) -> float:
        """Log of the likelihood averaged over these marks.

        Parameters
        ----------
        seen : sequence of (float, list of (cells, 37) arrays)
            Log-weight and rows of each hypothesis.
        """
        kinds = [(rows, *self.of_rows(rows)) for rows in (1, 2)]
        longest = max((profile.shape[0] for profile in self.profiles), default=0)
        terms: list[NDArray[np.float64]] = []
        for weight, rows in seen:
            empty = [empty_log_likelihood(logp) for logp in rows]
            averages = np.full((len(rows), len(self.profiles), longest), -np.inf)
            for row, logp in enumerate(rows):
                cells = emissions(one_row(logp, prices=prices))
                for number, profile in enumerate(self.profiles):
                    value = np.log(independent_average(profile, cells))
                    averages[row, number, : value.size] = value
            for count, shares, pieces in kinds:
                for place in placements(count, len(rows), prices=prices) if shares.size else ():
                    term = shares + weight + place.log_weight
                    term = term + sum(empty[row] for row in place.empty)
                    for piece, found in zip(np.moveaxis(pieces, 1, 0), place.rows, strict=True):
                        if found is not None:
                            term = term + averages[found, piece[:, 0], piece[:, 1] - 1]
                    terms.append(term)
            for checked in self.checked:
                for place in placements(len(checked.weights), len(rows), prices=prices):
                    constant = weight + place.log_weight + sum(empty[row] for row in place.empty)
                    found_rows = [None if found is None else rows[found] for found in place.rows]
                    average = checked_log_likelihood(found_rows, checked, prices=prices)
                    terms.append(np.array([checked.log_share + constant + average]))
        return float(np.logaddexp.reduce(np.concatenate(terms))) if terms else -np.inf


@lru_cache(maxsize=16)
def rule_marks(rules: Rules) -> RuleMarks:
    """All marks that rules allow: forms (or numbers of rows), then lengths, then characters at each
    place, each equally likely."""
    collected = _Collected()
    collected.add_all(rules, 0.0)
    return collected.finished()


def has_checks(rules: Rules) -> bool:
    """Whether a form ends with a check character."""
    return any(kind.scheme is not None for kind, _ in layout_shares(rules))


def marks_in_forms(table: MarkTable, rules: Rules, *, own_share: float) -> RuleMarks:
    """A share of marks that keep to the forms as often as a registry's marks do, with its letters
    and digits by place; the others, or all where none of its marks keeps to them, as
    :func:`rule_marks`."""
    found = []
    left = {part.texts.shape[1]: part.texts for part in texts_by_length(table)}
    for kind, _ in layout_shares(rules):
        texts = left.get(sum(kind.lengths), _NO_TEXTS)
        masks = np.array([_mask(place.allowed) for place in kind.places])
        fits = np.ones(texts.shape[0], dtype=bool)
        for mask, column in zip(masks, texts.T, strict=False):
            fits &= mask[column] > 0
        if fits.any():
            found.append((kind, _profile(texts[fits], masks), int(fits.sum())))
            left[texts.shape[1]] = texts[~fits]
    if not found:
        return rule_marks(rules)
    collected = _Collected()
    collected.add_all(rules, float(np.log1p(-own_share)))
    total = sum(count for *_, count in found)
    for kind, profile, count in found:
        rows = np.split(profile, [kind.lengths[0]]) if len(kind.rows) == 2 else [profile]
        collected.add(float(np.log(own_share * count / total)), kind, tuple(rows))
    return collected.finished()


_NO_TEXTS: Final[Texts] = np.zeros((0, 0), dtype=np.int64)


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

    def finished(self) -> RuleMarks:
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
        return RuleMarks(profiles, tuple(layouts), tuple(self.checked))


def _mask(allowed: str) -> NDArray[np.float64]:
    return np.array([float(character in allowed) for character in CHARACTERS])


def _uniform(row: Sequence[Place]) -> NDArray[np.float64]:
    """(places, 36) each allowed character equally likely."""
    masks = np.array([_mask(place.allowed) for place in row])
    return np.asarray(masks / masks.sum(axis=1, keepdims=True), dtype=np.float64)


def _profile(texts: Texts, allowed: NDArray[np.float64]) -> NDArray[np.float64]:
    """(places, 36) letters and digits by place as often as in ``texts``, among those allowed."""
    profile = np.zeros((allowed.shape[0], N_CHARACTERS))
    for place, column in enumerate(texts.T):
        letters = float(np.mean(IS_LETTER[column]))
        kinds = [(letters, IS_LETTER), (1.0 - letters, ~IS_LETTER)]
        usable = [bool(np.any(kind & (allowed[place] > 0))) for _, kind in kinds]
        if not all(usable) and any(usable):
            kinds = [(1.0, kinds[usable.index(True)][1])]
        for share, kind in kinds:
            members = kind & (allowed[place] > 0)
            profile[place, members] = share / max(1, int(np.count_nonzero(members)))
    return profile
