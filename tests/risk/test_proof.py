"""What a card says, from likelihoods made by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from legibility.alphabet import CHARACTERS, N_CHARACTERS, index_of
from legibility.risk.card import EXIT_CODES, CardPlace, CardView, NeedleState, Verdict
from legibility.risk.proof import prove
from legibility.settings import Settings

CLEAR = -20.0


def place(
    upright: str = "", *, turned: str = "", needles: NeedleState | None = None, doubt: str = ""
) -> CardPlace:
    """A place that shows one character upright or upside down, or hesitates with another."""
    up, over = np.full(N_CHARACTERS, CLEAR), np.full(N_CHARACTERS, CLEAR)
    for character in upright + doubt:
        up[index_of(character)] = 0.0
    for character in turned:
        over[index_of(character)] = 0.0
    states = [NeedleState(judged=False)] * N_CHARACTERS
    if needles is not None:
        states = [needles] * N_CHARACTERS
    return CardPlace(up, over, tuple(states))


def view(*rows: str, logp: float = 0.0, mirrored: bool = False) -> CardView:
    return CardView(logp, tuple(tuple(place(c) for c in row) for row in rows), mirrored)


@pytest.mark.parametrize(
    ("shown", "verdict", "words"),
    [
        ("K4B7", Verdict.RIGHT, "shows the mark that is meant"),
        ("K487", Verdict.WRONG_DIE, "wrong die 3 (8 where B is meant)"),
        ("KB47", Verdict.SWAPPED, "order swapped at 2-3"),
        ("K4B", Verdict.LAYOUT, "3 dies (K4B), the mark K4B7 has 4"),
    ],
)
def test_each_answer(shown: str, verdict: Verdict, words: str) -> None:
    proof = prove("K4B7", [view(shown)])
    assert proof.verdict is verdict
    assert words in proof.sentence
    assert proof.exit_code == EXIT_CODES[verdict]
    assert proof.found == shown


def test_upside_down_needle_and_two_rows() -> None:
    rows = ((place("A"), place(turned="7")), (place("3"), place("5")))
    proof = prove("A7/35", [CardView(0.0, rows)])
    assert proof.verdict is Verdict.TURNED
    assert proof.sentence == "die 2 of row 1 (7) is upside down"
    lost = NeedleState(judged=True, expected=12, missing=1, bent=1)
    rows = ((place("A"), place("7")), (place("3"), place("5", needles=lost)))
    proof = prove("A7/35", [CardView(0.0, rows)])
    assert proof.verdict is Verdict.NEEDLE
    assert proof.sentence == "1 needle missing and 1 needle bent in die 2 of row 2 (5)"


def test_two_rows_when_one_is_meant() -> None:
    proof = prove("AB12", [view("AB", "12")])
    assert proof.verdict is Verdict.LAYOUT
    assert "two rows (AB/12), the mark AB12 has one row" in proof.sentence


def test_dies_are_not_counted_where_dots_belong_to_none_or_a_place_is_not_plain() -> None:
    missed = replace(view("K4B"), whole=False)
    hazy = CardView(0.0, ((place("K"), place("4"), CardPlace(np.zeros(36), np.zeros(36))),))
    for seen in (missed, hazy):
        proof = prove("K4B7", [seen])
        assert proof.verdict is Verdict.CANNOT_TELL
        assert "seems to show 3 dies" in proof.sentence
        assert "photograph again" in proof.sentence


@pytest.mark.parametrize(("meant", "seen"), [("AB/123", ("ABC", "12")), ("1/Q", ("XO",))])
def test_as_many_dies_in_other_rows_cannot_be_told(meant: str, seen: tuple[str, ...]) -> None:
    proof = prove(meant, [view(*seen)])
    assert proof.verdict is Verdict.CANNOT_TELL
    assert "may stand in other rows" in proof.sentence
    assert prove(meant, [view(*seen[:-1], seen[-1] + "7")]).verdict is Verdict.LAYOUT


def test_a_place_that_hesitates_cannot_be_told() -> None:
    rows = ((place("K"), place("8", doubt="B")),)
    # As likely wrong as right: the prior of a wrong die would decide, so make it large.
    proof = prove("KB", [CardView(0.0, rows)], settings=Settings(p_wrong_die=0.95))
    assert proof.verdict in (Verdict.CANNOT_TELL, Verdict.RIGHT)
    proof = prove("KB", [CardView(0.0, rows)], settings=Settings(p_wrong_die=0.9, p_swap=0.0))
    assert proof.probability == pytest.approx(
        (1 - 0.9 - 0.001) / ((1 - 0.9 - 0.001) + 0.9 / 35), abs=1e-3
    )
    assert proof.verdict is Verdict.CANNOT_TELL
    assert proof.exit_code == 24


def seen(evidence: dict[str, float]) -> CardPlace:
    """A place with log-likelihoods of some characters; the others are far below."""
    up = np.full(N_CHARACTERS, CLEAR)
    for character, value in evidence.items():
        up[index_of(character)] = value
    return CardPlace(up, np.full(N_CHARACTERS, CLEAR))


@pytest.mark.parametrize(
    ("log_ratio", "verdict", "words"),
    [
        (5.0, Verdict.WRONG_DIE, "probably wrong die 2 (S where 5 is meant)"),
        (1.0, Verdict.CANNOT_TELL, "cannot tell die 2 (5 or S)"),
        (-1.0, Verdict.RIGHT, "the card shows the mark that is meant"),
    ],
)
def test_no_card_is_right_against_what_is_seen(
    log_ratio: float, verdict: Verdict, words: str
) -> None:
    """By Bayes with the settings' prior of a wrong die all three would be right: at most
    exp(5) * 0.002 / 35 = 0.8 % for S."""
    rows = ((place("K"), seen({"5": 0.0, "S": log_ratio}), place("7")),)
    proof = prove("K57", [CardView(0.0, rows)])
    assert proof.verdict is verdict
    assert words in proof.sentence
    assert (proof.probability > 0.5) == (verdict is Verdict.RIGHT)
    assert proof.found == ("KS7" if verdict is Verdict.WRONG_DIE else "K57")
    # What the dots leave: 1 / (1 + exp(1)) = 27 % for 5.
    expected = {5.0: 0.9933, 1.0: 0.2689, -1.0: 0.9999}[log_ratio]
    assert proof.dies[1].probability == pytest.approx(expected, abs=1e-3)


def test_characters_that_die_sets_make_alike_are_no_rivals() -> None:
    rows = ((seen({"0": 0.0, "O": 2.0}), seen({"I": 0.0, "1": 1.0})),)
    assert prove("0I", [CardView(0.0, rows)]).verdict is Verdict.RIGHT


def test_what_looks_the_same_either_way_is_never_called_upside_down() -> None:
    """8 upside down looks like 8: a place that looks like B is B."""
    over = np.full(N_CHARACTERS, CLEAR)
    over[index_of("8")] = 0.0
    rows = ((place("K"), CardPlace(seen({"B": 0.0, "8": -12.0}).upright, over)),)
    proof = prove("K8", [CardView(0.0, rows)])
    assert proof.verdict is Verdict.WRONG_DIE
    assert "wrong die 2 (B where 8 is meant)" in proof.sentence


def test_a_die_upside_down_that_looks_like_another_names_it() -> None:
    over = np.full(N_CHARACTERS, CLEAR)
    over[index_of("6")] = 0.0
    rows = ((place("K"), CardPlace(seen({"9": 0.0}).upright, over)),)
    proof = prove("K6", [CardView(0.0, rows)])
    assert proof.verdict is Verdict.TURNED
    assert "die 2 (6) is upside down, or 9 stands there" in proof.sentence


def test_a_die_that_may_be_upside_down_is_not_right_for_its_prior() -> None:
    over = np.full(N_CHARACTERS, CLEAR)
    over[index_of("1")] = 5.5
    rows = ((place("K"), CardPlace(seen({"L": 5.4, "1": 0.0}).upright, over)),)
    proof = prove("K1", [CardView(0.0, rows)])
    assert proof.verdict is Verdict.TURNED
    assert "die 2 (1) is upside down, or L stands there" in proof.sentence
    assert proof.dies[1].turned
    assert proof.probability < 0.1


def test_unknown_patterns_are_said_and_known_ones_are_not() -> None:
    known = NeedleState(judged=True, expected=9)
    rows = ((place("K", needles=known), place("7")),)
    proof = prove("K7", [CardView(0.0, rows)])
    assert proof.verdict is Verdict.RIGHT
    assert "missing or bent in die 2: no card has taught" in proof.sentence
    rows = ((place("K", needles=known), place("7", needles=known)),)
    assert prove("K7", [CardView(0.0, rows)]).sentence == "the card shows the mark that is meant"


def test_the_probability_is_bayes_over_all_explanations() -> None:
    """By hand: one die, likelihoods 1 and 0.5 for A and B, else nothing, no swap possible."""
    up = np.full(N_CHARACTERS, -np.inf)
    up[index_of("A")], up[index_of("B")] = 0.0, np.log(0.5)
    over = np.full(N_CHARACTERS, -np.inf)
    one = CardView(0.0, ((CardPlace(up, over),),))
    chances = Settings(p_wrong_die=0.35, p_turned_die=0.05)
    right, wrong = 0.6, 0.35 / 35 * 0.5
    assert prove("A", [one], settings=chances).probability == pytest.approx(right / (right + wrong))


def test_the_view_that_explains_the_mark_wins() -> None:
    proof = prove(
        "619", [view("619", logp=np.log(0.3), mirrored=True), view("9J6", logp=np.log(0.7))]
    )
    assert proof.verdict is Verdict.RIGHT
    assert proof.seen_mirrored


def test_exit_codes_are_apart_from_those_of_the_program() -> None:
    codes = [code for verdict, code in EXIT_CODES.items() if verdict is not Verdict.RIGHT]
    assert len(set(codes)) == len(codes)
    assert min(codes) >= 20
    assert EXIT_CODES[Verdict.RIGHT] == 0
    assert set(CHARACTERS)


def test_what_is_no_mark_is_refused() -> None:
    with pytest.raises(ValueError, match="empty row"):
        prove("K4/", [view("K4")])
    with pytest.raises(ValueError, match="no view"):
        prove("K4", [])


@pytest.mark.parametrize(
    ("upright", "turned", "verdict", "words"),
    [
        # By Bayes the settings' prior of a die upside down, 0.001, would call all of these right
        # but the first: exp(3.5) * 0.001 = 3 %, exp(0.5) * 0.001 = 0.2 %.
        (-8.0, 0.0, Verdict.TURNED, "die 2 (3) is upside down"),
        (-3.5, 0.0, Verdict.TURNED, "probably die 2 (3) is upside down"),
        (-0.5, 0.0, Verdict.CANNOT_TELL, "cannot tell die 2 (3 or 3 upside down)"),
        (0.0, -0.5, Verdict.CANNOT_TELL, "cannot tell die 2 (3 or 3 upside down)"),
        (0.0, -3.5, Verdict.RIGHT, "the card shows the mark that is meant"),
    ],
)
def test_a_die_is_not_upright_because_it_mostly_is(
    upright: float, turned: float, verdict: Verdict, words: str
) -> None:
    up, over = np.full(N_CHARACTERS, CLEAR), np.full(N_CHARACTERS, CLEAR)
    up[index_of("3")], over[index_of("3")] = upright, turned
    proof = prove("63", [CardView(0.0, ((place("6"), CardPlace(up, over)),))])
    assert proof.verdict is verdict
    assert words in proof.sentence
    assert (proof.probability >= 0.95) == (verdict is Verdict.RIGHT)
    # A bar is the same either way: no fault, the ear will look the same.
    bar = CardPlace(up, np.where(over > CLEAR, up[index_of("3")], over), same_turned=True)
    assert prove("63", [CardView(0.0, ((place("6"), bar),))]).verdict is Verdict.RIGHT
