"""What the eye read surely is never contradicted without a word."""

from __future__ import annotations

from legibility.containers import Animal, Decision
from legibility.identify.contradiction import differing_places, same_characters
from legibility.identify.decision import identify
from legibility.identify.registry import Registry, registry_of
from legibility.reasons import describe_differences
from legibility.settings import Settings
from tests.identify.reading_builder import cell, reading, sure

SLIPS = Settings(p_wrong_die=0.3, not_registered_prior=0.001)
"""A herd in which dies are wrong so often that the neighbour is the likeliest animal."""


def herd(*marks: str) -> Registry:
    return registry_of([Animal(f"goat {n}", mark) for n, mark in enumerate(marks)])


def test_a_neighbour_is_named_with_the_place_that_differs_and_is_not_identified() -> None:
    got = identify(sure("JJS177"), herd("JJS179", "KKT200"), settings=SLIPS)
    assert got.candidates[0].mark == "JJS179"
    assert got.candidates[0].probability > 0.95
    assert got.decision is Decision.AMBIGUOUS
    (place,) = got.differs
    assert (place.place, place.read, place.registered) == (6, "7", "9")
    assert got.reason.startswith("reads JJS177; JJS179 differs at place 6, read 7 with 98 %")


def test_what_was_not_surely_read_is_no_contradiction() -> None:
    seen = reading([[cell({c: 0.97}) for c in "JJS17"] + [cell({"7": 0.8, "9": 0.15})]])
    assert differing_places(seen, "JJS179") == ()


def test_a_character_too_many_and_look_alikes() -> None:
    assert [one.registered for one in differing_places(sure("AB123"), "AB12")] == [""]
    assert differing_places(sure("AB", "12"), "AB12") == (), "rows do not matter"
    assert differing_places(sure("A01"), "AOI") == (), "O and 0, I and 1"
    assert differing_places(sure("A12"), "K99 + A12") == (), "either ear's mark"
    said = differing_places(sure("AB123"), "AB12")
    assert "where AB12 has nothing" in describe_differences("AB123", said)


def test_a_mark_with_a_character_more_or_fewer_is_not_identified() -> None:
    others = [f"TC{number}" for number in range(400, 800, 3)]
    for read in ("T692", "692", "TC692A"):
        got = identify(sure(read, chance=0.985), herd("TC692", *others), settings=SLIPS)
        assert got.decision is not Decision.IDENTIFIED
        if got.candidates[0].animal_id is not None:
            assert got.differs
    (one,) = differing_places(sure("T692"), "TC692")
    assert describe_differences("T692", (one,)) == (
        "reads T692; TC692 differs at place 2, where it has C and nothing was read"
    )


def test_registered_marks_of_the_same_characters_are_named() -> None:
    marks = herd("AN7998", "7998/AB", "A/N123", "N123")
    assert same_characters("AN/7998", marks)[0] == (
        "AN7998 (goat 0) has the same characters in one row"
    )
    assert same_characters("AB/7998", marks) == (
        "7998/AB (goat 1) has the same characters, the rows in the other order",
    )
    assert same_characters("KK/N123", marks) == (
        "N123 (goat 3) has the characters of the row N123 alone",
    )
    assert same_characters("ZZ99", marks) == ()
    assert same_characters("AN/7?98", marks) == ()


def test_a_mark_whose_rows_the_list_does_not_write_is_that_animals() -> None:
    # The story: HD over 782, read without a fault, beside a list that writes HD782.
    others = [f"HD{number}" for number in range(400, 700, 7)]
    for read in (("HD", "782"), ("HD782",), ("H", "D782")):
        got = identify(sure(*read), herd("HD782", *others))
        assert got.candidates[0].animal_id == "goat 0"
        assert got.decision is Decision.IDENTIFIED
