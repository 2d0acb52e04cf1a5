from __future__ import annotations

import itertools

import numpy as np
import pytest

from legibility.alphabet import CHARACTERS, index_of
from legibility.containers import Reading
from legibility.identify.herd_marks import SHAPE_SHARE
from legibility.identify.likelihood import registry_log_likelihood
from legibility.identify.marktable import build_mark_table
from legibility.identify.unregistered import (
    NEAR_SHARE,
    UnregisteredMarks,
    registered_part,
    unregistered_log_likelihood,
    unregistered_marks,
)
from legibility.marks.rules import Form, Rules, layouts_of
from legibility.settings import Settings
from tests.identify.reading_builder import random_cell, reading, sure

NEVER = Settings(p_swap=0.0, p_wrong_die=0.0, p_turned_die=0.0)


def test_equals_the_average_over_every_mark_the_rules_allow() -> None:
    # Oracle: all 3 + 9 rows and all pairs of them, one by one.
    rng = np.random.default_rng(3)
    rules = Rules(characters="A8B", shortest_row=1, longest_row=2)
    rows = ["".join(p) for n in (1, 2) for p in itertools.product("A8B", repeat=n)]
    marks = rows + [f"{a}/{b}" for a in rows for b in rows]
    weights = [0.5 / 3 ** len(row) for row in rows]
    shares = [0.5 * w for w in weights] + [0.5 * a * b for a in weights for b in weights]
    for seen in (
        reading([[random_cell(rng) for _ in range(2)]]),
        reading([[random_cell(rng)], [random_cell(rng) for _ in range(3)]]),
    ):
        each = registry_log_likelihood(seen, build_mark_table(marks), settings=NEVER)
        wanted = np.log(np.sum(np.array(shares) * np.exp(each)))
        got = unregistered_log_likelihood(seen, unregistered_marks(rules=rules))
        assert got == pytest.approx(wanted, rel=1e-10)


HERD = ["A2", "A3", "A5", "A6", "B0", "B1", "7", "9", "A/3", "A/3"]


def every_text(length: int) -> tuple[list[str], np.ndarray]:
    texts = ["".join(one) for one in itertools.product(CHARACTERS, repeat=length)]
    return texts, np.array([[index_of(c) for c in text] for text in texts])


def herd_probability(marks: UnregisteredMarks, length: int, codes: np.ndarray) -> np.ndarray:
    """Of every text of one length, from the parts of the model."""
    own = marks.herd.by_length[length]
    low = np.zeros(len(codes))
    for series in own.series:
        weight = np.prod([w[codes[:, place]] for place, w in enumerate(series.weights)], axis=0)
        for first, last, share in zip(series.low, series.high, series.share, strict=True):
            inside = [tuple(first) <= tuple(code) <= tuple(last) for code in codes]
            low += share * weight * np.array(inside)
    chain = own.chain.first[codes[:, 0]]
    for place, step in enumerate(own.chain.steps):
        chain = chain * step[codes[:, place], codes[:, place + 1]]
    shape = np.prod([w[codes[:, place]] for place, w in enumerate(own.shape)], axis=0)
    herds = own.series_share * low + (1 - own.series_share) * chain
    return own.share * ((1 - SHAPE_SHARE) * herds + SHAPE_SHARE * shape)


def test_marks_learned_from_a_registry_are_averaged_exactly() -> None:
    # Oracle: every text of one to three characters, in every layout, one by one.
    rng = np.random.default_rng(4)
    marks = unregistered_marks(build_mark_table(HERD), own_share=1 - 1e-12)
    lengths = (1, 2, 3)
    codes = {n: every_text(n) for n in lengths}
    shares = np.concatenate([herd_probability(marks, n, codes[n][1]) for n in lengths])
    assert shares.sum() == pytest.approx(1.0)
    table = build_mark_table([text for n in lengths for text in codes[n][0]])
    for seen in (
        reading([[random_cell(rng) for _ in range(3)]]),
        reading([[random_cell(rng)], [random_cell(rng) for _ in range(2)]]),
    ):
        each = registry_log_likelihood(seen, table, settings=NEVER, layouts=marks.herd_layouts)
        got = unregistered_log_likelihood(seen, marks)
        assert got == pytest.approx(np.log(shares @ np.exp(each)), rel=1e-9)


def test_registered_marks_are_taken_out() -> None:
    # Oracle: the same sum over the texts that are not registered, and the marks one step away.
    rng = np.random.default_rng(6)
    herd = ["12", "13", "15", "A7"]
    table = build_mark_table(herd)
    marks = unregistered_marks(table, own_share=1 - 1e-12)
    parts = {n: every_text(n) for n in (1, 2, 3)}
    texts = [text for n in parts for text in parts[n][0]]
    share = np.concatenate([herd_probability(marks, n, parts[n][1]) for n in parts])
    codes = np.array([[index_of(c) for c in mark] for mark in herd])
    own = marks.herd.by_length[2]
    shape = np.prod([w[codes[:, place]] for place, w in enumerate(own.shape)], axis=0)
    # Only the herds' own marks are without the registered ones.
    places = [texts.index(mark) for mark in herd]
    herds = share[places] - SHAPE_SHARE * own.share * shape
    seen = reading([[random_cell(rng) for _ in range(2)]])
    each = np.exp(
        registry_log_likelihood(
            seen, build_mark_table(texts), settings=NEVER, layouts=marks.herd_layouts
        )
    )
    wanted = (share @ each - herds @ each[places]) / (1 - herds.sum())
    near = 0.0
    for mark in herd:
        steps = [
            (mark[:k] + c + mark[k + 1 :], 1 / 35)
            for k in range(2)
            for c in CHARACTERS
            if c != mark[k]
        ] + [(mark[::-1], 1.0)]
        total = sum(weight for _, weight in steps)
        near += sum(w / total * each[texts.index(t)] for t, w in steps) / len(herd)
    wanted = np.log((1 - NEAR_SHARE) * wanted + NEAR_SHARE * near)
    values = registry_log_likelihood(seen, table, settings=NEVER, layouts=marks.herd_layouts)
    part = registered_part(seen, values, marks, table, settings=NEVER)
    got = unregistered_log_likelihood(seen, marks, registered=part)
    assert got == pytest.approx(wanted, rel=1e-9)


def test_shares_sum_to_one() -> None:
    table = build_mark_table(["A1", "B2", "A/7", "AB/12"])
    for marks in (
        unregistered_marks(),
        unregistered_marks(table),
        unregistered_marks(rules=Rules()),
    ):
        shares = np.exp([layout.log_share for layout in marks.others.layouts])
        assert shares.sum() == pytest.approx(1.0)
        assert 0.0 <= marks.herd_share < 1.0
    herd = unregistered_marks(table).herd
    assert sum(one.share for one in herd.by_length.values()) == pytest.approx(1.0)


def test_a_number_from_a_gap_and_the_next_number_are_likelier_than_any_other() -> None:
    # What a mark is worth as a stranger's: numbers of the herd's series before any others.
    herd = [f"HD{number}" for number in range(400, 480) if number % 7]
    marks = unregistered_marks(build_mark_table(herd))

    def worth(mark: str) -> float:
        return unregistered_log_likelihood(sure(mark), marks)

    gap, following, far, other = map(worth, ("HD441", "HD481", "HD912", "KQ441"))
    assert gap > far + 3
    assert following > far + 2
    assert far > other


def average_one_by_one(seen: Reading, rules: Rules) -> float:
    """Oracle: every mark of every layout of the rules, weighted by its share, one by one."""
    layouts = layouts_of(rules)
    forms = [(layout.form, len(layout.rows) * (layout.form < 0)) for layout in layouts]
    shares: dict[str, float] = {}
    for layout, form in zip(layouts, forms, strict=True):
        every = itertools.product(*(place.allowed for place in layout.places))
        texts = ["".join(characters) for characters in every]
        marks = [(text[: layout.lengths[0]], text[layout.lengths[0] :]) for text in texts]
        kept = [rows if rows[1] else rows[:1] for rows in marks]
        kept = [rows for rows in kept if layout.fits(rows)]
        for rows in kept:
            share = 1 / len(set(forms)) / forms.count(form) / len(kept)
            shares["/".join(rows)] = shares.get("/".join(rows), 0.0) + share
    assert sum(shares.values()) == pytest.approx(1.0)
    table = build_mark_table(list(shares))
    each = registry_log_likelihood(seen, table, settings=NEVER)
    return float(np.log(np.sum(np.array(list(shares.values())) * np.exp(each))))


@pytest.mark.parametrize(
    "rules",
    [
        Rules(characters="AB1", exclude="A", prefix="KT", longest_row=3),
        Rules(forms=(Form(("K[A-C]#{1,2}",)), Form(("A|BC", "[18]{1,2}"))), characters="AB1289"),
        Rules(forms=(Form(("K{year}#{1,2}",)),), year_letters="adga", characters="AB789"),
        Rules(forms=(Form(("[AB8]{1,2}{check}",), check="mod-37-2"),)),
        Rules(forms=(Form(("[AB8]{2}", "[0-4]{check}"), check="mod-37-36"),)),
        Rules(forms=(Form(("[AB]{2}", "[0-4]{2}{check}"), check="mod-97-10"),)),
        Rules(
            forms=(
                Form(("[AB]{2}", "[1-7]{1,2}{check}"), check="mod-11-2", check_covers="digits"),
                Form(("[AB]{1,2}",)),
            )
        ),
        Rules(forms=(Form(("[0-4]{3}{check}",), check="verhoeff"),)),
        Rules(forms=(Form(("[0-4]{3}", "{check}"), check="damm"),)),
    ],
)
def test_forms_and_check_characters_are_averaged_exactly(rules: Rules) -> None:
    rng = np.random.default_rng(5)
    for seen in (
        reading([[random_cell(rng) for _ in range(3)]]),
        reading([[random_cell(rng), random_cell(rng)], [random_cell(rng) for _ in range(3)]]),
    ):
        got = unregistered_log_likelihood(seen, unregistered_marks(rules=rules))
        assert got == pytest.approx(average_one_by_one(seen, rules), rel=1e-10)


def test_own_shape_keeps_to_the_forms() -> None:
    rules = Rules(
        forms=(Form(("K*[0-9]",)), Form(("**{check}",), check="mod-37-2"), Form(("Z",))),
    )
    table = build_mark_table(["KA1", "KB2", "K77", "12K"])
    marks = unregistered_marks(table, rules=rules, own_share=1 - 1e-12)
    own = [layout for layout in marks.others.layouts if layout.log_share > -20]
    assert np.exp([layout.log_share for layout in own]) == pytest.approx([0.75])
    profile = marks.others.profiles[own[0].rows[0][0]]
    assert profile[0, index_of("K")] == 1.0
    assert profile[1, :26].sum() == pytest.approx(2 / 3)
    assert profile[2, 26:].sum() == pytest.approx(1.0)
    checked = [kind for kind in marks.others.checked if kind.log_share > -20]
    assert np.exp([kind.log_share for kind in checked]) == pytest.approx([0.25])
    np.testing.assert_allclose(checked[0].weights[0].sum(axis=1), 1.0)


def test_own_shape_without_a_fitting_mark_is_what_the_rules_allow() -> None:
    rules = Rules(forms=(Form(("KK#{check}",), check="mod-37-2"),))
    marks = unregistered_marks(build_mark_table(["A1"]), rules=rules)
    assert [kind.log_share for kind in marks.others.checked] == [0.0]


def test_a_prefix_stays_in_the_own_shape() -> None:
    rules = Rules(prefix="KT", longest_row=4)
    marks = unregistered_marks(build_mark_table(["KT12", "KT7"]), rules=rules)
    for layout in marks.others.layouts:
        number, _ = layout.rows[0]
        assert marks.others.profiles[number][0, index_of("K")] == pytest.approx(1.0)
        assert marks.others.profiles[number][1, index_of("T")] == pytest.approx(1.0)


def test_a_mark_in_two_spellings_is_taken_out_once() -> None:
    both = unregistered_marks(build_mark_table(["AB12", "AB/12", "K7"])).herd.animal_share
    alone = unregistered_marks(build_mark_table(["AB12", "K7"])).herd.animal_share
    assert both[1] == 0.0
    assert both[0] > 0.9 * alone[0]


def test_a_list_without_breaks_keeps_to_forms_of_two_rows_with_a_check_character() -> None:
    rules = Rules(forms=(Form(("@{2}", "#{3}{check}"), check="mod-37-2"),))
    open_rows = unregistered_marks(build_mark_table(["HD7820", "HD1230"]), rules=rules)
    written = unregistered_marks(build_mark_table(["HD/7820", "HD/1230"]), rules=rules)
    for marks in (open_rows, written):
        shares = np.exp([kind.log_share for kind in marks.others.checked])
        assert shares == pytest.approx([0.1, 0.9])
    for one, other in zip(open_rows.others.checked, written.others.checked, strict=True):
        for mine, its in zip(one.weights, other.weights, strict=True):
            np.testing.assert_array_equal(mine, its)
