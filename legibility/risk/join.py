"""Which strings of a set can a string become, cheaply enough: a join by the product of places.

Given strings, a cost ``-log p`` for each character to become each other one, and a budget for each
string, find every string of a target set whose summed cost is within the budget. Both sides are cut
in the middle; for each different half, all halves of the targets within reach are found once, by
walking down the tree of prefixes and leaving it where the budget ends. A string's reach is then
made of reaches of its halves, and kept where the target set has the two together. Work grows with
the number of strings within reach, not with the square of the set.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import N_CHARACTERS
from legibility.risk.marks import Codes, distinct

Costs: TypeAlias = NDArray[np.float64]
Ints: TypeAlias = NDArray[np.int64]

SLACK: Final = 1e-5
"""Arithmetic: costs kept in single precision are this far from exact at most; budgets are widened
by it, and the caller decides on exact probabilities."""
BLOCK: Final = 1_500_000
"""Measured: combinations worked on at a time; more needs memory, less needs time."""
WHOLE: Final = 3
"""Choice: strings up to this length are not cut in halves."""
SAMPLE: Final = 400
"""Choice: strings tried to guess the work of a way to join."""
DENSE: Final = 16
"""Choice: where no more pairs of halves exist than this a target, a table of all of them says which
are targets; it needs 64 bytes a target at most."""
_STEPS: Final = 64
"""Measured: more make fewer pairs beyond the budget, and need four bytes each for every half."""
_WIDE: Final = 1e4
_FILTER_SIZE: Final = 16


@dataclass(frozen=True, slots=True)
class Reach:
    """For each of some strings, the targets it can become, cheapest first (a sparse array)."""

    start: Ints
    """(s + 1,)."""
    target: NDArray[np.int32]
    cost: NDArray[np.float32]


class _Alternatives:
    """What each character can become, cheapest first."""

    def __init__(self, cost: Costs) -> None:
        self.order = np.argsort(cost, axis=1, kind="stable")
        self.cost = np.take_along_axis(cost, self.order, axis=1)
        self._flat = (self.cost + _WIDE * np.arange(N_CHARACTERS)[:, None]).ravel()

    def count(self, character: Ints, budget: Costs) -> Ints:
        """How many alternatives of a character a budget allows."""
        inside = np.clip(budget, -1.0, _WIDE / 2)
        at = np.searchsorted(self._flat, character * _WIDE + inside, side="right")
        return np.asarray(np.maximum(at - character * N_CHARACTERS, 0), dtype=np.int64)


@dataclass(frozen=True, slots=True)
class _Level:
    """Nodes of one length in a tree of prefixes."""

    last: Ints
    """(n,) last character."""
    parent: Ints
    """(n,) node of the level above."""


def _levels(codes: Codes) -> list[_Level]:
    """Prefix tree of strings in ascending order; the last level's nodes are the strings."""
    levels = []
    node = np.zeros(len(codes), dtype=np.int64)
    for place in range(codes.shape[1]):
        change = np.ones(len(codes), dtype=bool)
        change[1:] = (node[1:] != node[:-1]) | (codes[1:, place] != codes[:-1, place])
        first = np.flatnonzero(change)
        levels.append(_Level(codes[first, place].astype(np.int64), node[first]))
        node = np.cumsum(change) - 1
    return levels


def _spread(counts: Ints, first: Ints | int = 0) -> tuple[Ints, Ints]:
    """Index of the owner, and number from the owner's first, of ``counts`` things each."""
    owner = np.repeat(np.arange(len(counts)), counts)
    number = np.arange(len(owner))
    number += np.repeat(first - np.cumsum(counts) + counts, counts)
    return owner, number


def _blocks(counts: Ints, most: int = BLOCK) -> Iterator[slice]:
    """Slices whose counts sum to about ``most``."""
    ends = np.cumsum(counts)
    start = 0
    while start < len(counts):
        before = ends[start - 1] if start else 0
        stop = max(start + 1, int(np.searchsorted(ends, before + most, side="right")))
        yield slice(start, stop)
        start = stop


def reach(strings: Codes, targets: Codes, cost: Costs, budget: Costs) -> Reach:
    """Targets within reach of each string.

    Parameters
    ----------
    strings, targets : ndarray of uint8, (s, length) and (t, length)
        Each in ascending order without repeats.
    cost : ndarray of float64, (36, 36)
        Of a character (row) to become another one (column), >= 0.
    budget : ndarray of float64, (s,)
    """
    from_levels, to_levels = _levels(strings), _levels(targets)
    alternatives = _Alternatives(cost)
    budgets = [budget]
    for level in reversed(from_levels):
        first = np.flatnonzero(np.diff(level.parent, prepend=-1))
        budgets.insert(0, np.maximum.reduceat(budgets[0], first))
    source, target = np.zeros(1, dtype=np.int64), np.zeros(1, dtype=np.int64)
    spent = np.zeros(1)
    for depth, (here, there) in enumerate(zip(from_levels, to_levels, strict=True)):
        children = np.bincount(here.parent, minlength=len(budgets[depth]))
        first_child = np.cumsum(children) - children
        child_of = np.full((int(there.parent[-1]) + 1, N_CHARACTERS), -1, dtype=np.int32)
        child_of[there.parent, there.last] = np.arange(len(there.last))
        parts: list[tuple[Ints, Ints, Costs]] = []
        for block in _blocks(children[source] * 4):
            owner, nth = _spread(children[source[block]])
            child = first_child[source[block]][owner] + nth
            paid, at = spent[block][owner], target[block][owner]
            left = budgets[depth + 1][child] - paid + SLACK
            count = alternatives.count(here.last[child], left)
            owner, nth = _spread(count)
            character = here.last[child][owner]
            found = child_of[at[owner], alternatives.order[character, nth]]
            kept = np.flatnonzero(found >= 0)
            owner, character, nth = owner[kept], character[kept], nth[kept]
            total = paid[owner] + alternatives.cost[character, nth]
            parts.append((child[owner], found[kept].astype(np.int64), total))
        if not parts:
            break
        source, target, spent = (np.concatenate(column) for column in zip(*parts, strict=True))
    order = np.argsort(source * _WIDE + spent, kind="stable")
    start = np.concatenate([[0], np.cumsum(np.bincount(source, minlength=len(strings)))])
    return Reach(start, target[order].astype(np.int32), spent[order].astype(np.float32))


class TargetSet:
    """Different strings of one length in ascending order, ready to be found by their halves."""

    def __init__(self, codes: Codes) -> None:
        self.codes = codes
        self.length = codes.shape[1]
        self._present = np.zeros((self.length, N_CHARACTERS), dtype=bool)
        for place in range(self.length):
            self._present[place, np.unique(codes[:, place])] = True
        self.cut = (self.length + 1) // 2 if self.length > WHOLE else 0
        if not self.cut:
            return
        self.left, left_of = distinct(codes[:, : self.cut])
        self.right, right_of = distinct(codes[:, self.cut :])
        self.left_group = _Group.of(left_of, len(self.left))
        self.right_group = _Group.of(right_of, len(self.right))
        self._keys = left_of * len(self.right) + right_of
        self._table = np.zeros(0, dtype=np.int32)
        if len(self.left) * len(self.right) <= DENSE * len(codes):
            self._table = np.full(len(self.left) * len(self.right), -1, dtype=np.int32)
            self._table[self._keys] = np.arange(len(codes))
            return
        bits = max(10, int(len(codes) * _FILTER_SIZE - 1).bit_length())
        self._mask = np.int64((1 << bits) - 1)
        self._seen = np.zeros(1 << bits, dtype=bool)
        self._seen[self._slot(self._keys)] = True

    def _slot(self, keys: Ints) -> Ints:
        return np.asarray((keys ^ (keys >> np.int64(17))) & self._mask, dtype=np.int64)

    def least(self, strings: Codes, cost: Costs) -> Costs:
        """(n,) of becoming the cheapest characters that stand at each place in any target."""
        total = np.zeros(len(strings))
        for place in range(self.length):
            there = np.flatnonzero(self._present[place])
            total += cost[:, there].min(axis=1)[strings[:, place]]
        return total

    def find(self, keys: Ints) -> tuple[Ints, Ints]:
        """Which of some pairs of halves are together a target, and which one.

        A pair's key is ``left * len(self.right) + right``.
        """
        if len(self._table):
            at = self._table[keys]
            there = np.flatnonzero(at >= 0)
            return there, at[there].astype(np.int64)
        likely = np.flatnonzero(self._seen[self._slot(keys)])
        keys = keys[likely]
        at = np.minimum(np.searchsorted(self._keys, keys), len(self._keys) - 1)
        right_ones = self._keys[at] == keys
        return likely[right_ones], at[right_ones]


@dataclass(frozen=True, slots=True)
class _Group:
    """Targets by one of their halves."""

    start: Ints
    """(halves + 1,)."""
    member: NDArray[np.int32]
    """(targets,)."""

    @classmethod
    def of(cls, half_of: Ints, count: int) -> _Group:
        start = np.concatenate([[0], np.cumsum(np.bincount(half_of, minlength=count))])
        return cls(start, np.argsort(half_of, kind="stable").astype(np.int32))


def join(
    strings: Codes, budget: Costs, targets: TargetSet, cost: Costs
) -> Iterator[tuple[Ints, Ints]]:
    """Pairs (string, target) within budget, and a few just beyond it, block by block.

    Parameters
    ----------
    strings : ndarray of uint8, (n, length)
        In any order.
    budget : ndarray of float64, (n,)
    targets : TargetSet
    cost : ndarray of float64, (36, 36)

    Notes
    -----
    Two ways to the same pairs, and the one with less to do is taken. *Members*: one of the halves
    takes no more than half the budget, so few halves are near, and all targets with such a half
    are looked at; good where few targets share a half. *Lists*: both halves' reaches are combined;
    good where almost every combination is a target.
    """
    if not len(targets.codes):
        return
    able = np.flatnonzero(budget + SLACK >= targets.least(strings, cost))
    if not len(able):
        return
    strings, budget = strings[able], budget[able]
    if not targets.cut:
        found = _whole(strings, budget, targets, cost)
    else:
        halves = _Halves.of(strings, budget, targets, cost)
        near = _near(halves, targets, cost)
        looked_at = sum(_members_looked_at(halves, group, reach_) for group, reach_ in near)
        if looked_at <= _combinations(halves, targets, cost):
            found = _by_members(halves, targets, cost, near)
        else:
            found = _by_lists(halves, targets, cost)
    for source, target in found:
        yield able[source], target


@dataclass(frozen=True, slots=True)
class _Halves:
    """Strings cut in two."""

    strings: Codes
    budget: Costs
    left: Codes
    left_of: Ints
    right: Codes
    right_of: Ints
    least_left: Costs
    """(n,) cost of the left half's cheapest becoming."""
    least_right: Costs

    @classmethod
    def of(cls, strings: Codes, budget: Costs, targets: TargetSet, cost: Costs) -> _Halves:
        left, left_of = distinct(strings[:, : targets.cut])
        right, right_of = distinct(strings[:, targets.cut :])
        cheapest = cost.min(axis=1)
        return cls(
            strings,
            budget,
            left,
            left_of,
            right,
            right_of,
            cheapest[strings[:, : targets.cut]].sum(axis=1),
            cheapest[strings[:, targets.cut :]].sum(axis=1),
        )

    def some(self, chosen: Ints, targets: TargetSet, cost: Costs) -> _Halves:
        """Some of the strings."""
        return _Halves.of(self.strings[chosen], self.budget[chosen], targets, cost)


def _whole(
    strings: Codes, budget: Costs, targets: TargetSet, cost: Costs
) -> Iterator[tuple[Ints, Ints]]:
    unique, which = distinct(strings)
    found = reach(unique, targets.codes, cost, _largest(which, budget, len(unique)))
    counts = np.diff(found.start)[which]
    for block in _blocks(counts):
        owner, nth = _spread(counts[block])
        at = found.start[which[block]][owner] + nth
        near = found.cost[at] <= budget[block][owner] + SLACK
        yield owner[near] + block.start, found.target[at[near]].astype(np.int64)


def _near(
    halves: _Halves, targets: TargetSet, cost: Costs
) -> tuple[tuple[_Group, Reach], tuple[_Group, Reach]]:
    """Left halves within half the budget, and right halves."""
    half = halves.budget / 2
    left_most = _largest(halves.left_of, half, len(halves.left))
    right_most = _largest(halves.right_of, half, len(halves.right))
    return (
        (targets.left_group, reach(halves.left, targets.left, cost, left_most)),
        (targets.right_group, reach(halves.right, targets.right, cost, right_most)),
    )


def _members_looked_at(halves: _Halves, group: _Group, found: Reach) -> float:
    sizes = np.diff(group.start)[found.target]
    total = np.concatenate([[0], np.cumsum(sizes)])
    per_half = total[found.start[1:]] - total[found.start[:-1]]
    which = halves.left_of if len(per_half) == len(halves.left) else halves.right_of
    return float(per_half[which].sum())


def _combinations(halves: _Halves, targets: TargetSet, cost: Costs) -> float:
    """About how many combinations of halves ``_by_lists`` would make, from a sample."""
    count = len(halves.strings)
    chosen = np.unique(np.linspace(0, count - 1, min(count, SAMPLE)).astype(np.int64))
    lists = _Lists.of(halves.some(chosen, targets, cost), targets, cost)
    made = sum(int(lists.combined(block)[3].sum()) for block in _blocks(lists.sizes))
    return 2.0 * made * count / len(chosen)


def _by_members(
    halves: _Halves,
    targets: TargetSet,
    cost: Costs,
    near: tuple[tuple[_Group, Reach], tuple[_Group, Reach]],
) -> Iterator[tuple[Ints, Ints]]:
    places = (range(targets.cut, targets.length), range(targets.cut))
    flat = cost.astype(np.float32).ravel()
    columns = [np.ascontiguousarray(targets.codes[:, p]) for p in range(targets.length)]
    own = [halves.strings[:, p].astype(np.int32) * N_CHARACTERS for p in range(targets.length)]
    for (group, found), half_of, far in zip(
        near, (halves.left_of, halves.right_of), places, strict=True
    ):
        sizes = np.diff(group.start)
        counts = np.diff(found.start)[half_of]
        for block in _blocks(counts, BLOCK // 4):
            owner, nth = _spread(counts[block])
            at = found.start[half_of[block]][owner] + nth
            owner = owner + block.start
            rest = (halves.budget[owner] - found.cost[at] + SLACK).astype(np.float32)
            half = found.target[at]
            for part in _blocks(sizes[half]):
                which, place = _spread(sizes[half[part]])
                target = group.member[group.start[half[part]][which] + place]
                source, left = owner[part][which], rest[part][which]
                for position in far:
                    left = left - flat[own[position][source] + columns[position][target]]
                    kept = np.flatnonzero(left >= 0)
                    source, target, left = source[kept], target[kept], left[kept]
                yield source, target.astype(np.int64)


def _by_lists(halves: _Halves, targets: TargetSet, cost: Costs) -> Iterator[tuple[Ints, Ints]]:
    lists = _Lists.of(halves, targets, cost)
    for block in _blocks(lists.sizes):
        owner, first, rest, more = lists.combined(block)
        left = lists.to_left.target[first].astype(np.int64) * len(targets.right)
        begin = lists.to_right.start[halves.right_of[owner]]
        for part in _blocks(more):
            counts = more[part]
            second, right_at = _spread(counts, begin[part])
            keys = np.repeat(left[part], counts)
            keys += lists.to_right.target[right_at]
            hits, target = targets.find(keys)
            second = second[hits]
            fits = np.flatnonzero(lists.to_right.cost[right_at[hits]] <= rest[part][second])
            yield owner[part][second[fits]], target[fits]


@dataclass(frozen=True, slots=True)
class _Lists:
    """Reaches of both halves, and how many of them go together."""

    halves: _Halves
    to_left: Reach
    to_right: Reach
    step: float
    within: NDArray[np.int32]
    """Right reaches of each half with cost <= 0, step, 2 step, ..."""
    sizes: Ints
    """(n,) left reaches of each string."""

    @classmethod
    def of(cls, halves: _Halves, targets: TargetSet, cost: Costs) -> _Lists:
        budget = halves.budget
        left_most = _largest(halves.left_of, budget - halves.least_right, len(halves.left))
        to_left = reach(halves.left, targets.left, cost, left_most)
        right_most = _largest(halves.right_of, budget - halves.least_left, len(halves.right))
        to_right = reach(halves.right, targets.right, cost, right_most)
        step = max(float(budget.max()), 1e-3) / _STEPS
        sizes = np.diff(to_left.start)[halves.left_of]
        return cls(halves, to_left, to_right, step, _counts_within(to_right, step), sizes)

    def combined(self, block: slice) -> tuple[Ints, Ints, Costs, Ints]:
        """String, place in the left reaches, budget left, right reaches that may go with it.

        The right reaches are those within budget, and a few just beyond it.
        """
        halves = self.halves
        owner, at = _spread(self.sizes[block], self.to_left.start[halves.left_of[block]])
        owner = owner + block.start
        rest = halves.budget[owner] - self.to_left.cost[at] + SLACK
        near = np.flatnonzero(rest >= halves.least_right[owner])
        owner, at, rest = owner[near], at[near], rest[near]
        bins = np.minimum((rest / self.step).astype(np.int64) + 1, _STEPS)
        more = self.within[halves.right_of[owner] * (_STEPS + 1) + bins].astype(np.int64)
        return owner, at, rest, more


def _largest(owner: Ints, values: Costs, count: int) -> Costs:
    """(count,) largest value of each owner; each owns at least one."""
    if len(values) and np.ptp(values) < SLACK:
        return np.full(count, values.max())
    order = np.argsort(owner, kind="stable")
    starts = np.searchsorted(owner[order], np.arange(count))
    return np.asarray(np.maximum.reduceat(values[order], starts), dtype=np.float64)


def _counts_within(found: Reach, step: float) -> NDArray[np.int32]:
    """Number of targets of each string with cost <= 0, step, 2 step, ..., one after the other."""
    count = len(found.start) - 1
    rows = np.repeat(np.arange(count), np.diff(found.start))
    bins = np.clip(np.ceil(found.cost / step).astype(np.int64), 0, _STEPS)
    table = np.bincount(rows * (_STEPS + 1) + bins, minlength=count * (_STEPS + 1))
    within = table.reshape(count, _STEPS + 1).cumsum(axis=1)
    return np.asarray(within.ravel(), dtype=np.int32)
