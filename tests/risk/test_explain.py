"""The words of many pairs against one pair at a time, every way listed."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from legibility.alphabet import CHARACTERS, NO_CHARACTER, index_of, split_mark
from legibility.risk.explain import Explainer
from legibility.risk.kernel import load_kernel
from legibility.risk.marks import mark_set
from legibility.risk.mechanisms import TURNED, mechanism
from legibility.risk.misreading import Channel, Errors, channel
from legibility.risk.pairs import find_pairs
from tests.risk.herds import random_marks


def ways(record: str, read: str, ch: Channel) -> Iterator[tuple[float, str]]:
    """Weight and words of every way for marks of one row, or of two with the same rows."""
    rows, seen = split_mark(record), split_mark(read)
    lengths, found = [len(row) for row in rows], [len(row) for row in seen]
    x, y = "".join(rows), "".join(seen)
    if lengths == found:
        yield from events(x, y, lengths, ch, "")
    if len(rows) == 1 and found == [lengths[0] - 1]:
        yield from events(x, "?" + y, lengths, ch, "first character lost")
        yield from events(x, y + "?", lengths, ch, "last character lost")


def events(
    x: str, shown: str, lengths: list[int], ch: Channel, view: str
) -> Iterator[tuple[float, str]]:
    def k(true: str, read: str) -> float:
        return float(ch.matrix[index_of(true), NO_CHARACTER if read == "?" else index_of(read)])

    def say(event: str, places: tuple[int, ...]) -> str:
        misread = [
            f"{a} read as {b} at {i + 1}: {mechanism(a, b).words}"
            for i, (a, b) in enumerate(zip(x, shown, strict=True))
            if b not in (a, "?") and i not in places
        ]
        return "; ".join(filter(None, [view, event, *misread]))

    parts = [k(a, b) for a, b in zip(x, shown, strict=True)]
    yield float(np.prod(parts)), say("", ())
    turned_odds = ch.errors.turned_die / (1 - ch.errors.turned_die)
    wrong_odds = ch.errors.wrong_die / (1 - ch.errors.wrong_die)
    for i, (a, b) in enumerate(zip(x, shown, strict=True)):
        if b in (a, "?"):
            continue
        rest = float(np.prod(parts[:i] + parts[i + 1 :]))
        if a in TURNED:
            yield rest * turned_odds * k(TURNED[a], b), say(f"die {i + 1} upside down ({a})", (i,))
        wrong = sum(k(c, b) for c in CHARACTERS if c != a) / 35
        yield rest * wrong_odds * wrong, say(f"wrong die at {i + 1} ({b} for {a})", (i,))
    for i in range(len(x) - 1):
        if x[i] == x[i + 1] or i + 1 == lengths[0] < len(x):
            continue
        rest = float(np.prod(parts[:i] + parts[i + 2 :]))
        crossed = k(x[i + 1], shown[i]) * k(x[i], shown[i + 1]) * ch.swap_odds
        yield rest * crossed, say(f"dies {i + 1} and {i + 2} swapped", (i, i + 1))


@pytest.mark.parametrize("characters", ["BD8O0Q69MW", "67ML9W", CHARACTERS])
@pytest.mark.parametrize("errors", [Errors(), Errors(swap=0.3, wrong_die=0.1, turned_die=0.2)])
def test_the_likeliest_of_all_ways_is_said(characters: str, errors: Errors) -> None:
    ch = channel(load_kernel().at("worn"), errors)
    drawn = random_marks(400, seed=9, characters=characters, lengths=(2, 3, 4), two_rows=0.0)
    herd = mark_set(drawn)
    pairs = find_pairs(herd, herd, ch, least=1e-5)
    explainer, looked_at = Explainer(ch), 0
    for record, read in list(zip(herd.texts(pairs.record), herd.texts(pairs.read), strict=True))[
        ::7
    ][:400]:
        listed = list(ways(record, read, ch))
        best = max(weight for weight, _ in listed)
        said = explainer.words(record, read)
        assert said in {words for weight, words in listed if weight >= best * (1 - 1e-9)}
        looked_at += 1
    assert looked_at > 50
