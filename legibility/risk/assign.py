"""New marks that are hardly ever read as one another or as a registered one.

Which marks *conflict* is said in :mod:`legibility.risk.conflicts`. The marks that the rules allow
and that conflict with no registered one are *free*; of these a set without conflicts is taken
greedily, in an order that the seed decides, so that every mark left out conflicts with one that was
taken. How many could be taken is worked out in :mod:`legibility.risk.capacity`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.marks.rules import Rules
from legibility.marks.space import count_marks, iter_marks, sample_marks
from legibility.risk.capacity import Space, space_of
from legibility.risk.conflicts import Fixed, conflicts
from legibility.risk.marks import mark_set
from legibility.risk.misreading import Channel, in_any_layout
from legibility.risk.pairs import Pairs, find_pairs

EXHAUSTIVE: Final = 30_000
"""Choice: spaces up to this size are looked through whole, so that counts are exact."""
BATCH: Final = 4_000
"""Choice: marks drawn at a time from larger spaces; also the sample behind estimates."""
IDLE_ROUNDS: Final = 3
"""Choice: a search ends when so many batches in a row gave no further mark."""
MOST_ROUNDS: Final = 60
"""Choice: batches drawn at most, 240,000 marks."""
RIVAL_REACH: Final = 1e-3
"""Choice: rivals less probable than this share of the bound are not looked for."""


@dataclass(frozen=True, slots=True)
class NewMark:
    """One proposed mark and the mark that it is most easily confused with."""

    mark: str
    worst_rival: str
    """Registered or proposed; empty when none reaches ``RIVAL_REACH`` of the bound."""
    probability: float
    """Of reading one of the two as the other, the worse way round, in the layout in which it is
    largest, or a little more; 0 without a rival."""
    registered: bool
    """The rival is registered."""
    needles: int
    too_many_needles: bool


@dataclass(frozen=True, slots=True)
class Proposal:
    """New marks, and how many more there are."""

    marks: tuple[NewMark, ...]
    space: Space
    complete: bool
    """The search looked through the whole space: no further mark can be added to these."""


def propose(
    rules: Rules,
    registered: Sequence[str],
    ch: Channel,
    *,
    count: int,
    bound: float,
    seed: int,
    needles: Callable[[str], int],
    needles_max: int,
    first: Sequence[str] = (),
) -> Proposal:
    """New marks under a bound of confusion; fewer than ``count`` when the search finds no more.

    Parameters
    ----------
    rules : Rules
    registered : sequence of str
        Marks that count, dead animals' among them.
    ch : Channel
        ``misreading.channel(kernel.at(condition))``.
    count : int
        Marks wanted.
    bound : float
        No pair is confused with this probability or more.
    seed : int
        Of the order in which marks are tried.
    needles : function
        Needles of a mark.
    needles_max : int
        Marks with more are tried last and flagged.
    first : sequence of str
        Marks that the rules allow and that are tried before any other, in their order. A mark with
        the characters of a registered one is never proposed, whatever its rows.

    Raises
    ------
    ValueError
        If the rules allow no mark.
    """
    allowed = count_marks(rules)
    if allowed == 0:
        raise ValueError("the rules allow no mark")
    ch = in_any_layout(ch)
    rng = np.random.default_rng(seed)
    whole = allowed <= EXHAUSTIVE
    space: Space | None = None
    fixed = Fixed(sorted(set(registered)), ch, bound)
    idle = rounds = 0
    free = fixed.free(list(dict.fromkeys(first)))
    order = sorted(range(len(free)), key=lambda k: needles(free[k]) > needles_max)
    taken = _greedy(free, order, *conflicts(free, ch, bound), count)
    while True:
        batch = sorted(set(_batch(rules, rng, whole, allowed)))
        free = fixed.free(batch)
        one, other = conflicts(free, ch, bound)
        if space is None:
            share = (len(free), len(batch))
            space = space_of(rules, ch, bound, allowed, share, one, other, whole=whole)
        order = [int(k) for k in rng.permutation(len(free))]
        order.sort(key=lambda k: needles(free[k]) > needles_max)
        # Of the earlier batches only what was taken can conflict.
        still = set(Fixed(sorted(taken), ch, bound).free(free))
        order = [k for k in order if free[k] in still]
        found = _greedy(free, order, one, other, count - len(taken))
        taken += found
        rounds += 1
        idle = 0 if found else idle + 1
        if len(taken) >= count or whole or idle >= IDLE_ROUNDS or rounds >= MOST_ROUNDS:
            break
    marks = _with_rivals(taken, registered, ch, bound, needles, needles_max)
    return Proposal(marks, space, complete=whole and len(taken) < count)


def _batch(rules: Rules, rng: np.random.Generator, whole: bool, allowed: int) -> list[str]:
    if whole:
        return list(iter_marks(rules))
    return sample_marks(rules, rng, min(BATCH, allowed), distinct=True)


def _greedy(
    marks: Sequence[str],
    order: Iterable[int],
    first: NDArray[np.int64],
    second: NDArray[np.int64],
    count: int,
) -> list[str]:
    """Marks in order, each unless it conflicts with one taken before."""
    beside: dict[int, list[int]] = {}
    for a, b in zip(first.tolist(), second.tolist(), strict=True):
        beside.setdefault(a, []).append(b)
        beside.setdefault(b, []).append(a)
    out: list[str] = []
    shut: set[int] = set()
    for k in order:
        if len(out) >= count:
            break
        if k not in shut:
            out.append(marks[k])
            shut.update(beside.get(k, ()))
    return out


def _with_rivals(
    taken: Sequence[str],
    registered: Sequence[str],
    ch: Channel,
    bound: float,
    needles: Callable[[str], int],
    needles_max: int,
) -> tuple[NewMark, ...]:
    """Proposed marks with the worst rival of each."""
    if not taken:
        return ()
    everyone = mark_set([*taken, *sorted(set(registered))])
    own = mark_set(list(taken))
    texts = everyone.texts(np.arange(len(everyone)))
    own_texts = own.texts(np.arange(len(own)))
    least = bound * RIVAL_REACH
    best: dict[str, tuple[float, str]] = {}
    there = find_pairs(own, everyone, ch, least=least)
    back = find_pairs(everyone, own, ch, least=least)
    _keep_worst(best, there, own_texts, texts)
    _keep_worst(best, Pairs(back.read, back.record, back.probability), own_texts, texts)
    mine = set(taken)
    out = []
    for mark in taken:
        probability, rival = best.get(mark, (0.0, ""))
        number = needles(mark)
        out.append(
            NewMark(
                mark=mark,
                worst_rival=rival,
                probability=probability,
                registered=bool(rival) and rival not in mine,
                needles=number,
                too_many_needles=number > needles_max,
            )
        )
    return tuple(out)


def _keep_worst(
    best: dict[str, tuple[float, str]], pairs: Pairs, own: Sequence[str], others: Sequence[str]
) -> None:
    for a, b, p in zip(
        pairs.record.tolist(), pairs.read.tolist(), pairs.probability.tolist(), strict=True
    ):
        found = best.get(own[a], (0.0, ""))
        # Ties go to the first rival in the order of marks: deterministic.
        if p > found[0] or (p == found[0] and others[b] < found[1]):
            best[own[a]] = (p, others[b])
