"""The words of many pairs against one pair at a time, every way listed."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from legibility.alphabet import CHARACTERS, NO_CHARACTER, index_of
from legibility.risk.explain import Explainer
from legibility.risk.kernel import load_kernel
from legibility.risk.marks import mark_set
from legibility.risk.mechanisms import TURNED, mechanism
from legibility.risk.misreading import Channel, Errors, channel
from legibility.risk.pairs import find_pairs
from tests.risk.herds import random_marks


def ways(record: str, read: str, ch: Channel) -> Iterator[tuple[float, str]]:
    """Weight and words of every way in which a mark without a break is read as another one.

    "?" stands at a place that was lost, "-" at one in a row that was not found.
    """
    n, errors = len(record), ch.errors
    weights: dict[tuple[str, str], float] = {}

    def add(shown: str, view: str, weight: float) -> None:
        if len(shown) == n:
            weights[shown, view] = weights.get((shown, view), 0.0) + weight / n

    for cut in range(n):
        both = 1 - 2 * errors.missed_row - errors.crossed_rows if cut else 1.0
        add(read, "", both)
        for start, stop in ((0, cut), (cut, n)):
            for lost in {start, stop - 1} if stop - start > 1 else ():
                ends = {0: "first character lost", n - 1: "last character lost"}
                words = ends.get(lost, f"character {lost + 1} lost at the end of a row")
                add(f"{read[:lost]}?{read[lost:]}", words, both)
        if cut:
            if len(read) == n - cut:
                add("-" * cut + read, "row 1 not found", errors.missed_row)
            if len(read) == cut:
                add(read + "-" * (n - cut), "row 2 not found", errors.missed_row)
            add(read[n - cut :] + read[: n - cut], "rows in the other order", errors.crossed_rows)
    for (shown, view), weight in weights.items():
        for likely, words in events(record, shown, ch, view):
            yield weight * likely, words


def events(x: str, shown: str, ch: Channel, view: str) -> Iterator[tuple[float, str]]:
    def k(true: str, read: str) -> float:
        if read == "-":
            return 1.0
        return float(ch.matrix[index_of(true), NO_CHARACTER if read == "?" else index_of(read)])

    def say(event: str, places: tuple[int, ...]) -> str:
        misread = [
            f"{a} read as {b} at {i + 1}: {mechanism(a, b).words}"
            for i, (a, b) in enumerate(zip(x, shown, strict=True))
            if b not in (a, "?", "-") and i not in places
        ]
        return "; ".join(filter(None, [view, event, *misread]))

    parts = [k(a, b) for a, b in zip(x, shown, strict=True)]
    yield float(np.prod(parts)), say("", ())
    turned_odds = ch.errors.turned_die / (1 - ch.errors.turned_die)
    wrong_odds = ch.errors.wrong_die / (1 - ch.errors.wrong_die)
    for i, (a, b) in enumerate(zip(x, shown, strict=True)):
        if b in (a, "?", "-"):
            continue
        rest = float(np.prod(parts[:i] + parts[i + 1 :]))
        if a in TURNED:
            yield rest * turned_odds * k(TURNED[a], b), say(f"die {i + 1} upside down ({a})", (i,))
        wrong = sum(k(c, b) for c in CHARACTERS if c != a) / 35
        yield rest * wrong_odds * wrong, say(f"wrong die at {i + 1} ({b} for {a})", (i,))
    for i in range(len(x) - 1):
        if x[i] == x[i + 1]:
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
