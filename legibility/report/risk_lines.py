"""Risk of confusion, every animal: JSON lines, and lines of a table for a spreadsheet.

A million animals have some fifteen million rivals. Their lines are put together from texts that
are made once (names, probabilities of six decimals, phrases) and looked up many times.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable, Iterable, Iterator
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.misreadings import RiskColumns
from legibility.report.export import harmless
from legibility.report.rounding import millionths

RIVALS_IN_A_CELL: Final = 3
CSV_RIVALS: Final = 1 + RIVALS_IN_A_CELL
"""Rivals that the table for a spreadsheet names."""

HEADING: Final = (
    "animal_id",
    "mark",
    "grade",
    "right",
    "risk",
    "unregistered",
    "unread",
    "first_rival",
    "first_rival_mark",
    "probability",
    "mechanism",
    "other_rivals",
)
_MILLION: Final = 1_000_000


class Texts:
    """Texts by number, each made when it is first asked for."""

    def __init__(self, count: int, make: Callable[[int], str]) -> None:
        self._texts = np.full(count, None, dtype=object)
        self._made = np.zeros(count, dtype=bool)
        self._make = make

    def __getitem__(self, numbers: NDArray[np.integer]) -> NDArray[np.object_]:
        for number in np.unique(numbers[~self._made[numbers]]):
            self._texts[number] = self._make(int(number))
            self._made[number] = True
        return np.asarray(self._texts[numbers], dtype=object)


def risk_json(batches: Iterable[RiskColumns]) -> Iterator[str]:
    """JSON lines, one object an animal, some thousand lines at a time.

    Fields in their order: ``animal_id``, ``mark``, ``grade``, ``right``, ``risk``,
    ``unregistered``, ``unread``, and ``rivals`` with ``animal_id``, ``mark``, ``probability`` and
    ``mechanism``, most probable first. ``risk`` is the probability that a reading ends at another
    registered animal; with ``right``, ``unregistered`` and ``unread`` it sums to one.
    """
    writer: JsonLines | None = None
    for batch in batches:
        writer = writer or JsonLines(batch)
        yield writer.lines(batch)


class JsonLines:
    """JSON lines of animals of one registry; the texts they have in common are made once."""

    def __init__(self, batch: RiskColumns) -> None:
        # Within a JSON text every quotation mark follows a backslash, so this parts the texts.
        ids = json.dumps(batch.animal_ids.tolist())[2:-2].split('", "')
        names = (
            f'{{"animal_id": "{name}", "mark": "{mark}"'
            for name, mark in zip(ids, batch.marks, strict=True)
        )
        self._names = _objects(names, len(batch.animal_ids))
        self._number = Texts(_MILLION + 1, lambda k: repr(k / _MILLION))
        self._chance = Texts(
            _MILLION + 1, lambda k: f', "probability": {k / _MILLION!r}, "mechanism": "'
        )
        # After a phrase comes another one, another rival, or the end of the line.
        self._phrase = Texts(
            3 * batch.n_phrases,
            lambda at: json.dumps(batch.phrase(at // 3))[1:-1] + ("; ", '"}, ', '"}]}\n')[at % 3],
        )

    def lines(self, batch: RiskColumns) -> str:
        """One line an animal."""
        rivals = len(batch.rival)
        spoken = np.diff(batch.words_start)
        counts = np.diff(batch.start)
        owner = np.repeat(np.arange(len(batch)), counts)
        heads = np.arange(len(batch)) + 2 * batch.start[:-1] + batch.words_start[batch.start[:-1]]
        of_rival = owner + 1 + 2 * np.arange(rivals) + batch.words_start[:-1]
        of_word = np.repeat(of_rival + 2 - batch.words_start[:-1], spoken)
        of_word += np.arange(len(batch.words))
        end = np.zeros(len(batch.words), dtype=np.int64)
        end[batch.words_start[1:] - 1] = 1
        end[batch.words_start[batch.start[1:][counts > 0]] - 1] = 2
        pieces = np.empty(len(batch) + 2 * rivals + len(batch.words), dtype=object)
        pieces[heads] = self._heads(batch, counts > 0)
        pieces[of_rival] = self._names[batch.rival]
        pieces[of_rival + 1] = self._chance[_shown(batch.probability)]
        pieces[of_word] = self._phrase[3 * batch.words.astype(np.int64) + end]
        return "".join(pieces.tolist())

    def _heads(self, batch: RiskColumns, has_rivals: NDArray[np.bool_]) -> NDArray[np.object_]:
        figures = (batch.right, batch.risk, batch.unregistered, batch.unread)
        columns = (
            self._names[batch.animals],
            np.round(batch.grade, 2).tolist(),
            *(self._number[_shown(figure)] for figure in figures),
            np.where(has_rivals, "", "]}\n"),
        )
        heads = (
            f'{name}, "grade": {grade}, "right": {right}, "risk": {risk}, "unregistered": {other}, '
            f'"unread": {unread}, "rivals": [{end}'
            for name, grade, right, risk, other, unread, end in zip(*columns, strict=True)
        )
        return _objects(heads, len(batch))


def _shown(values: NDArray[np.float64]) -> NDArray[np.int64]:
    """Millionths of probabilities: 0 and a million only where they were exactly that."""
    rounded = np.clip(millionths(values), 1, _MILLION - 1)
    return np.where(values <= 0.0, 0, np.where(values >= 1.0, _MILLION, rounded))


def risk_csv(batches: Iterable[RiskColumns]) -> Iterator[str]:
    """Lines of a CSV file (RFC 4180), a heading and an animal each; no cell acts as a formula.

    Of each animal the first ``CSV_RIVALS`` rivals are named.
    """
    yield csv_heading()
    writer: CsvLines | None = None
    for batch in batches:
        writer = writer or CsvLines(batch)
        yield writer.lines(batch)


def csv_heading() -> str:
    """First line of the CSV file."""
    return _csv_lines([HEADING])


class CsvLines:
    """Lines of a CSV file, as :class:`JsonLines`."""

    def __init__(self, batch: RiskColumns) -> None:
        everyone = len(batch.animal_ids)
        self._ids = _objects(map(harmless, batch.animal_ids), everyone)
        self._marks = _objects(map(harmless, batch.marks), everyone)
        named = (f"{a} {b} " for a, b in zip(batch.animal_ids, batch.marks, strict=True))
        self._named = _objects(named, everyone)
        self._number = Texts(_MILLION + 1, lambda k: f"{k / _MILLION:.6f}")
        self._phrase = Texts(batch.n_phrases, batch.phrase)

    def lines(self, batch: RiskColumns) -> str:
        """One line an animal."""
        figures = (batch.right, batch.risk, batch.unregistered, batch.unread)
        first = batch.start[:-1][np.diff(batch.start) > 0]
        has = np.diff(batch.start) > 0
        other = batch.rival[first]
        phrases = self._phrase[batch.words].tolist()
        starts, stops = batch.words_start[first].tolist(), batch.words_start[first + 1].tolist()
        words = ("; ".join(phrases[a:b]) for a, b in zip(starts, stops, strict=True))
        columns = (
            self._ids[batch.animals],
            self._marks[batch.animals],
            [f"{grade:.1f}" for grade in batch.grade.tolist()],
            *(self._number[millionths(figure)] for figure in figures),
            _where(has, self._ids[other]),
            _where(has, self._marks[other]),
            _where(has, self._number[millionths(batch.probability[first])]),
            _where(has, _objects(words, len(first))),
            self._others(batch),
        )
        return _csv_lines(zip(*columns, strict=True))

    def _others(self, batch: RiskColumns) -> list[str]:
        """Rivals after the first one, in one cell."""
        numbers = self._number[millionths(batch.probability)]
        named = [a + b for a, b in zip(self._named[batch.rival], numbers, strict=True)]
        bounds = zip(batch.start[:-1].tolist(), batch.start[1:].tolist(), strict=True)
        return [harmless("; ".join(named[a + 1 : min(a + CSV_RIVALS, b)])) for a, b in bounds]


def _where(has: NDArray[np.bool_], texts: NDArray[np.object_]) -> NDArray[np.object_]:
    out = np.full(len(has), "", dtype=object)
    out[has] = texts
    return out


def _csv_lines(rows: Iterable[Iterable[str]]) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="\r\n").writerows(rows)
    return text.getvalue()


def _objects(texts: Iterable[str], count: int) -> NDArray[np.object_]:
    return np.fromiter(texts, dtype=object, count=count)
