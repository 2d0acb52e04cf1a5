"""Why characters are confused, from the needles alone."""

from __future__ import annotations

import pytest

from legibility.alphabet import CHARACTERS
from legibility.risk.explain import Explainer
from legibility.risk.kernel import load_kernel
from legibility.risk.mechanisms import mechanism
from legibility.risk.misreading import Errors, channel


# What the shapes of the characters say to anyone (common practice, no source).
@pytest.mark.parametrize(
    ("pressed", "read", "kind"),
    [
        ("6", "9", "upside down"),
        ("M", "W", "upside down"),
        ("J", "L", "seen mirrored"),
        ("R", "P", "needles lost"),
        ("P", "R", "bleed joins"),
        ("E", "F", "needles lost"),
        ("F", "E", "bleed joins"),
        ("G", "C", "needles lost"),
        ("C", "G", "bleed joins"),
        ("O", "0", "hardly differ"),
        ("5", "S", "hardly differ"),
        ("B", "W", "unlike"),
    ],
)
def test_mechanisms_follow_from_the_needles(pressed: str, read: str, kind: str) -> None:
    assert mechanism(pressed, read).kind == kind


def test_losing_needles_one_way_is_joining_the_other_way() -> None:
    opposite = {"needles lost": "bleed joins", "bleed joins": "needles lost"}
    ways = [(a, b) for a in CHARACTERS for b in CHARACTERS if a < b]
    one_sided = 0
    for a, b in ways:
        there, back = mechanism(a, b), mechanism(b, a)
        assert there.lost == back.joined
        assert there.joined == back.lost
        if there.lost != there.joined and there.kind in opposite:
            one_sided += back.kind == opposite[there.kind]
    assert one_sided > 100


@pytest.mark.parametrize(
    ("record", "read", "words"),
    [
        ("K417", "K471", "dies 3 and 4 swapped"),
        ("K417", "417", "first character lost"),
        ("K417", "K41", "last character lost"),
        ("AB/123", "AB/12", "last character of row 2 lost"),
        ("AB/123", "123", "row 1 not found"),
        ("AB/123", "AB", "row 2 not found"),
        ("AB/123", "123/AB", "rows in the other order"),
        ("K6", "K9", "die 2 upside down (6)"),
        ("KB", "KW", "wrong die at 2 (W for B)"),
        ("K8", "KB", "8 read as B at 2"),
        ("K8", "", ""),
    ],
)
def test_how_one_mark_becomes_another_in_words(record: str, read: str, words: str) -> None:
    # So rare misreadings and so many wrong dies that each case has one likeliest way.
    matrix = load_kernel().at("new")
    explainer = Explainer(channel(matrix, Errors(swap=0.01, wrong_die=0.05, turned_die=0.02)))
    if not read:
        assert explainer.words("K8", "AB/12") == words
        return
    assert explainer.words(record, read).startswith(words)
