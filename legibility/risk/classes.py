"""At which animals a reading ends, where some marks of a registry state their rows and some do not.

A reading is characters in rows. A mark without a break stands in rows that nobody wrote down, so a
reading of *such* a mark says its characters only, and ends at all animals with these characters,
whatever rows their marks state. A reading of a mark whose rows are known ends at the animals whose
mark has these characters in these rows, and at those whose mark has them without a break. Each of
these sets of animals is a *class*; animals of one class share its readings alike.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import ROW_SEPARATOR
from legibility.risk.marks import MarkGroup, MarkSet, mark_set
from legibility.risk.misreading import Channel, is_open, pair_probability
from legibility.risk.pairs import LEAST, Finder, Pairs, sorted_pairs

Ids = NDArray[np.int64]


class Classes:
    """Classes of a registry: one for each different string of characters (all animals that carry
    it), one for each mark with a break (its carriers, and those of its characters without a break),
    one for each string that is there with and without a break (its carriers without)."""

    def __init__(self, marks: MarkSet) -> None:
        self.marks = marks
        groups, count = marks.groups, len(marks)
        has_rows = np.zeros(count, dtype=bool)
        for group in groups:
            has_rows[group.ids] = not is_open(group.structure)
        self._has_rows = has_rows
        self.strings = marks if not has_rows.any() else _strings(marks)
        self.string_of = np.arange(count) if not has_rows.any() else self.strings.of_given
        strings = len(self.strings)
        self._known = np.flatnonzero(has_rows)
        known_class = np.full(count, -1, dtype=np.int64)
        known_class[self._known] = strings + np.arange(len(self._known))
        open_mark = np.full(strings, -1, dtype=np.int64)
        self._open = np.flatnonzero(~has_rows)
        open_mark[self.string_of[self._open]] = self._open
        both = np.unique(self.string_of[self._known])
        both = both[open_mark[both] >= 0]
        self._open_class = np.arange(strings)
        self._open_class[both] = strings + len(self._known) + np.arange(len(both))
        self.own = np.where(has_rows, known_class, self.string_of)
        """(marks,) class of a mark that is read as it is recorded."""
        self.overlap = len(both) > 0
        """Some animals are of several classes that one mark may be read as."""
        self._fill(open_mark, both, strings + len(self._known) + len(both))

    def _fill(self, open_mark: Ids, both: Ids, count: int) -> None:
        marks = self.marks
        order = np.argsort(marks.of_given, kind="stable")
        start = np.concatenate([[0], np.cumsum(marks.carriers)])

        def carriers(of: Ids) -> tuple[Ids, Ids]:
            place, at = spread(start[of], start[of + 1] - start[of])
            return place, order[at]

        beside = open_mark[self.string_of[self._known]]
        of_known, known_animals = carriers(self._known)
        of_beside, beside_animals = carriers(beside[beside >= 0])
        of_both, both_animals = carriers(open_mark[both])
        classes = np.concatenate(
            [
                self.string_of[marks.of_given],
                self.own[self._known][of_known],
                self.own[self._known][beside >= 0][of_beside],
                self._open_class[both][of_both],
            ]
        )
        animals = np.concatenate(
            [np.arange(len(marks.of_given)), known_animals, beside_animals, both_animals]
        )
        # Stable: in a class of a mark with a break, those who carry that mark stand first.
        self.members = animals[np.argsort(classes, kind="stable")].astype(np.int32)
        self.start = np.concatenate([[0], np.cumsum(np.bincount(classes, minlength=count))])

    @property
    def carriers(self) -> Ids:
        """(classes,) animals of each class."""
        return np.diff(self.start)

    def seen_from(self, record: Ids, read: Ids) -> Ids:
        """(n,) class that a reading of one mark must end at to be taken for another mark."""
        by_rows = np.where(
            self._has_rows[read], self.own[read], self._open_class[self.string_of[read]]
        )
        return np.where(self._has_rows[record], by_rows, self.string_of[read])

    def same_characters(self, one: Ids, other: Ids) -> NDArray[np.bool_]:
        """(n,) whether two different marks have the same characters, one of them without rows."""
        some_open = ~(self._has_rows[one] & self._has_rows[other])
        return np.asarray(
            (self.string_of[one] == self.string_of[other]) & some_open & (one != other)
        )

    def same_strings(self) -> list[list[int]]:
        """Marks that differ in their rows alone, set by set."""
        counts = np.bincount(self.string_of, minlength=len(self.strings))
        order = np.argsort(self.string_of, kind="stable")
        ends = np.cumsum(counts)
        several = np.flatnonzero(counts > 1)
        return [order[ends[at] - counts[at] : ends[at]].tolist() for at in several]

    @cached_property
    def _of_strings(self) -> Finder:
        return Finder(self.strings)

    @cached_property
    def _of_known(self) -> Finder:
        return Finder(_only(self.marks, rows=True))

    @cached_property
    def _of_open(self) -> Finder:
        return Finder(_only(self.marks, rows=False))

    def pairs(self, records: MarkGroup, ch: Channel, *, least: float = LEAST) -> Pairs:
        """Classes that records of one structure are read as, other than their own.

        Parameters
        ----------
        records : MarkGroup
            Of the registry.
        ch : Channel
        least : float
            Smallest probability.

        Returns
        -------
        Pairs
            ``read`` counts classes.
        """
        if is_open(records.structure):
            return self._of_strings.pairs(records, ch, least=least)
        known = self._of_known.pairs(records, ch, least=least)
        known = replace(known, read=self.own[known.read])
        return sorted_pairs([self._in_no_known_rows(records, ch, least), known])

    def _in_no_known_rows(self, records: MarkGroup, ch: Channel, least: float) -> Pairs:
        """Readings that end only at marks without a break: characters in rows no mark states."""
        found = self._of_open.pairs(records, ch, least=least)
        string = self.string_of[found.read]
        probability = found.probability.copy()
        by_string = self._known[np.argsort(self.string_of[self._known], kind="stable")]
        strings = self.string_of[by_string]
        first, last = (np.searchsorted(strings, string, side=side) for side in ("left", "right"))
        for nth in range(int((last - first).max(initial=0))):
            pair = np.flatnonzero(first + nth < last)
            known = by_string[first[pair] + nth]
            for group in self.marks.groups:
                here = np.flatnonzero((known >= group.ids[0]) & (known <= group.ids[-1]))
                if is_open(group.structure) or not len(here):
                    continue
                at = np.searchsorted(records.ids, found.record[pair[here]])
                probability[pair[here]] -= pair_probability(
                    records.codes[at],
                    records.structure,
                    group.codes[known[here] - group.ids[0]],
                    group.structure,
                    ch,
                )
        enough = probability >= least
        return Pairs(found.record[enough], self._open_class[string[enough]], probability[enough])


def spread(start: Ids, counts: Ids) -> tuple[Ids, Ids]:
    """Stretches of a longer list, one after the other: place of each stretch, index in the list.

    Examples
    --------
    >>> [part.tolist() for part in spread(np.array([7, 2]), np.array([2, 1]))]
    [[0, 0, 1], [7, 8, 2]]
    """
    place = np.repeat(np.arange(len(counts)), counts)
    return place, np.arange(len(place)) + np.repeat(start - np.cumsum(counts) + counts, counts)


def _strings(marks: MarkSet) -> MarkSet:
    """Characters of each mark, without rows, as marks."""
    numbers = np.arange(len(marks))
    return mark_set([text.replace(ROW_SEPARATOR, "") for text in marks.texts(numbers)])


def _only(marks: MarkSet, *, rows: bool) -> MarkSet:
    """Marks that state their rows, or those that do not, with the numbers they have."""
    groups = (group for group in marks.groups if is_open(group.structure) != rows)
    return MarkSet(tuple(groups), np.zeros(0, dtype=np.int64))
