"""Marks that an animal of the same herd may carry, learned from the registry.

An animal that is not registered is mostly one of the same herds: its mark has the prefix, letters
and years that theirs have, and a number from a gap of their series or the next one. Series
(:mod:`.series`) and a chain over places (:mod:`.place_models`) are mixed, each an exact
distribution over texts of n characters; how much each counts is fitted on registered marks held
out. Herds that mark the same way are the third model, the shape; and some marks have a character
more or less than any registered one. Registered marks themselves are taken out of the average in
:mod:`legibility.identify.unregistered`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import N_CHARACTERS
from legibility.identify.emissions import Emissions, emissions
from legibility.identify.layouts import LONGEST_MARK, LayoutPrior
from legibility.identify.mark_texts import LengthTexts, Texts, texts_by_length
from legibility.identify.marktable import MarkTable
from legibility.identify.place_models import (
    Chain,
    chain_average,
    chain_of,
    chain_probability,
    independent_average,
    shape_of,
)
from legibility.identify.series import (
    LONGEST_NUMBER,
    Series,
    series_average,
    series_of,
    series_probability,
)
from legibility.identify.views import View

SHAPE_SHARE: Final = 0.15
"""Choice: share of animals that are of another herd that marks the same way."""
OTHER_LENGTH_SHARE: Final = 0.1
"""Choice: share of marks that have a character more or less than the registry's have."""
MOST_CHANGED: Final = 500
"""Choice: marks of one length that marks a character longer and shorter are learned from."""
HELD_OUT: Final = 2000
"""Choice: most marks on which the two models are weighed."""
EVEN_WEIGHT: Final = 2.0
"""Choice: marks that say beforehand that both models are as good."""


@dataclass(frozen=True, slots=True)
class LengthMarks:
    """Marks of one number of characters."""

    share: float
    """Of all marks; all lengths sum to one."""
    series_share: float
    """Of the herds' own of these marks; the others are those of ``chain``."""
    series: tuple[Series, ...]
    chain: Chain
    shape: NDArray[np.float64]
    """(n, 36) characters of marks of other herds by place."""

    def average(self, cells: Emissions) -> float:
        """Likelihood averaged over these marks."""
        value = (1.0 - self.series_share) * chain_average(self.chain, cells)
        if self.series_share > 0.0:
            value += self.series_share * sum(series_average(one, cells) for one in self.series)
        return (1.0 - SHAPE_SHARE) * value + SHAPE_SHARE * float(
            independent_average(self.shape, cells)[-1]
        )


@dataclass(frozen=True, slots=True)
class HerdMarks:
    """A distribution over marks like those of a registry."""

    by_length: dict[int, LengthMarks]
    animal_share: NDArray[np.float64]
    """(animals,) probability of each registered mark in the layouts it may have, by the herds' own
    marks alone, over the number of its carriers."""
    row_share: NDArray[np.float32]
    """(rows,) the same of the marks that are one row of the table, of all carriers together."""

    def average(self, view: View) -> float:
        """Log of a view's likelihood averaged over these marks; ``-inf`` where it sees none."""
        total = 0.0
        log_best = float(np.max(view.log_weight[list(self.by_length)], initial=-np.inf))
        if not np.isfinite(log_best):
            return -np.inf
        said = emissions(view.cells, jumps=view.jumps)
        for length, marks in self.by_length.items():
            weight = float(np.exp(view.log_weight[length] - log_best)) * marks.share
            if weight <= 0.0 or view.length not in (0, length):
                continue
            total += weight * marks.average(said)
        return log_best + float(np.log(total)) if total > 0.0 else -np.inf


def herd_marks(table: MarkTable, layouts: LayoutPrior) -> HerdMarks:
    """What the marks of a registry say of those of its animals that are not in it.

    Parameters
    ----------
    table : MarkTable
        With at least one animal.
    layouts : LayoutPrior
        How marks stand in the ear.
    """
    by_length: dict[int, LengthMarks] = {}
    shares = np.zeros(len(table))
    texts = texts_by_length(table)
    different = sum(part.texts.shape[0] for part in texts)
    rng = np.random.default_rng(0)
    for part in texts:
        series, chain = series_of(part.texts), chain_of(part.texts)
        series_share = _series_share(part.texts, rng) if series else 0.0
        share = part.texts.shape[0] / different
        by_length[part.texts.shape[1]] = LengthMarks(
            share, series_share, series, chain, shape_of(part.texts)
        )
        own = (1.0 - series_share) * chain_probability(chain, part.texts)
        own += series_share * series_probability(series, part.texts)
        share *= 1.0 - SHAPE_SHARE
        # A mark whose rows are open is taken out in every layout: beside it the same characters
        # with a row break take nothing more.
        is_open = table.second_row[part.animals] < 0
        open_ones = np.bincount(part.places[is_open], minlength=part.texts.shape[0])[part.places]
        carriers = np.where(open_ones > 0, open_ones, part.carriers[part.places])
        counts = is_open | (open_ones == 0)
        shares[part.animals] = counts * share * own[part.places] / carriers
    others = _other_lengths(texts, rng)
    if others:
        shares *= 1.0 - OTHER_LENGTH_SHARE
        by_length = {
            n: replace(m, share=m.share * (1.0 - OTHER_LENGTH_SHARE)) for n, m in by_length.items()
        }
    by_length |= others
    one_row = table.second_row < 0
    first = table.characters[table.first_row].astype(np.int64)
    second = table.characters[table.second_row[~one_row]]
    shares[~one_row] *= layouts.probability[first[~one_row] + second, first[~one_row]]
    rows = np.bincount(
        table.first_row[one_row], weights=shares[one_row], minlength=table.row_keys.size
    )
    return HerdMarks(by_length, shares, rows.astype(np.float32))


def _other_lengths(
    texts: Sequence[LengthTexts], rng: np.random.Generator
) -> dict[int, LengthMarks]:
    """Marks a character longer or shorter, of lengths that the registry has not.

    They are the registry's with each character left out, and with any put in at each place.
    """
    known = {part.texts.shape[1] for part in texts}
    found: dict[int, list[Texts]] = {}
    for part in texts:
        some = part.texts[rng.permutation(part.texts.shape[0])[:MOST_CHANGED]]
        n = some.shape[1]
        put_in = rng.integers(N_CHARACTERS, size=some.shape[0])
        shorter = [np.delete(some, k, axis=1) for k in range(n)]
        longer = [np.insert(some, k, put_in, axis=1) for k in range(n + 1)]
        for length, changed in ((n - 1, shorter), (n + 1, longer)):
            if 0 < length <= LONGEST_MARK and length not in known:
                found.setdefault(length, []).extend(changed)
    total = sum(part.shape[0] for parts in found.values() for part in parts)
    return {
        length: LengthMarks(
            share=OTHER_LENGTH_SHARE * sum(part.shape[0] for part in parts) / total,
            series_share=0.0,
            series=(),
            chain=chain_of(np.concatenate(parts)),
            shape=shape_of(np.concatenate(parts)),
        )
        for length, parts in found.items()
    }


def _series_share(texts: Texts, rng: np.random.Generator) -> float:
    """How much the series count, by marks held out (expectation and maximisation)."""
    count = texts.shape[0]
    if texts.shape[1] > LONGEST_NUMBER:
        return 0.0
    held = min(count // 2, HELD_OUT)
    if held == 0:
        return 0.5
    order = rng.permutation(count)
    out, kept = texts[np.sort(order[:held])], texts[np.sort(order[held:])]
    by_series = series_probability(series_of(kept), out)
    by_chain = chain_probability(chain_of(kept), out)
    share = 0.5
    for _ in range(50):
        mine = share * by_series
        share = float((mine / (mine + (1.0 - share) * by_chain)).sum())
        share = (share + EVEN_WEIGHT / 2) / (held + EVEN_WEIGHT)
    return share
