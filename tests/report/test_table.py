"""What a person reads in a terminal."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from legibility.alphabet import CHARACTERS, N_CLASSES, NO_CHARACTER
from legibility.containers import Candidate, CaptureCheck, Flag, PhotoResult
from legibility.photo.flags import FLAGS, describe
from legibility.probability import percent
from legibility.report.layout import WIDTH, bar, columns, fit, pad, shown_width
from legibility.report.table import (
    caution_lines,
    check_table,
    flags_table,
    reading_table,
    summary_heading,
    summary_line,
)
from tests.example_results import (
    ambiguous_result,
    example_results,
    identified_result,
    retake_result,
    unreadable_result,
)


def widest(text: str) -> int:
    return max(map(shown_width, text.splitlines()), default=0)


@pytest.mark.parametrize("result", example_results(), ids=lambda result: result.photo)
def test_every_report_fits_a_plain_terminal(result: PhotoResult) -> None:
    text = reading_table(result, describe(result.flags))
    assert widest(text) <= WIDTH
    assert text.isascii()
    assert "\x1b" not in text
    assert widest(summary_line(result)) <= WIDTH


def test_an_ambiguous_photo_says_all_that_a_person_needs() -> None:
    result = ambiguous_result()
    text = reading_table(result, describe(result.flags))
    flat = " ".join(text.split())
    assert "A B 3 4 7 ?" in flat
    assert "goat 0142 is the most likely, with probability 71 %" in flat
    assert "turned 172 degrees" in flat
    assert "mirror image" in flat
    assert "8 34 %" in flat
    assert "unread" in flat
    assert "2.4 of 4" in flat
    assert "not in this registry" in flat
    assert "read B (61 %), may be 8 (33 %); this would make it the mark of goat 0188" in flat
    assert "Clip the hair" in flat
    assert "Look again at row 1, place 2: B or 8?" in flat
    assert "Risk that the first candidate is the wrong animal: 29 %" in flat
    assert "at least 95%" in flat


def test_a_place_without_a_character_is_no_character_of_the_mark() -> None:
    """What is seen agrees with the mark, and "unread" stands at the place that is unread."""
    result = ambiguous_result()
    best = result.reading.hypotheses[0]
    logp = np.full(N_CLASSES, np.log(0.01 / (N_CLASSES - 2)))
    logp[NO_CHARACTER], logp[CHARACTERS.index("P")] = np.log(0.75), np.log(0.24)
    nothing = replace(best.rows[1][0], logp=logp)
    rows = (best.rows[0], (nothing, *best.rows[1]))
    reading = replace(result.reading, hypotheses=(replace(best, rows=rows),))
    text = reading_table(replace(result, reading=reading))
    assert "2 rows of 3 + 3 characters" in text
    lines = [line.split() for line in text.splitlines()]
    at = {tuple(line[:2]): line[2:] for line in lines if len(line) > 5 and line[0] in ("1", "2")}
    assert at["2", "1"][0] == "-"
    assert int(at["2", "1"][1]) >= 75
    assert at["2", "2"][0] == "4"
    assert at["2", "3"][0] == "7"
    assert at["2", "4"][:2] == ["?", "unread"]


def test_no_animal_is_named_in_the_advice_without_its_probability() -> None:
    for result in example_results():
        for line in reading_table(result).splitlines():
            if "Advice" in line and "goat" in line:
                assert "%" in reading_table(result).split("Seen")[0]
        assert " is goat" not in reading_table(result)
    assert "> 99.9 %" in reading_table(identified_result())
    assert "100" not in reading_table(identified_result())


def test_a_poor_photo_is_not_called_a_poor_mark() -> None:
    text = reading_table(retake_result(), describe(Flag.BLURRED))
    assert "Photograph again" in text
    assert "Not graded" in text
    assert "Candidates" not in text
    assert "No mark can be read" in reading_table(unreadable_result())


def test_the_caution_defers_to_veterinarian_and_authority() -> None:
    flat = " ".join(caution_lines().split())
    assert "attending veterinarian" in flat
    assert "authority that keeps the registry" in flat


@given(st.floats(min_value=0, max_value=1))
def test_percentages_never_claim_certainty(probability: float) -> None:
    assert percent(probability) not in {"0 %", "100 %", "0.0 %", "100.0 %"}


@pytest.mark.parametrize(
    "hostile",
    [
        "\x1b[31mred\x1b[0m",
        "a\nb\rc",
        "\u202egpj.exe",
        "\ud800",
        "耳標" * 40,
        "x" * 500,
        "\t\x07\x00",
    ],
)
def test_hostile_names_cannot_break_the_layout(hostile: str) -> None:
    result = ambiguous_result(hostile)
    identification = replace(
        result.identification,
        candidates=(Candidate(hostile, "A", 0.7), *result.identification.candidates),
    )
    result = replace(result, identification=identification, reasons=(hostile,))
    text = reading_table(result, describe(result.flags)) + summary_line(result)
    assert widest(text) <= WIDTH
    assert all(character.isprintable() or character == "\n" for character in text)
    text.encode("utf-8")


def test_wide_characters_take_two_columns() -> None:
    # Unicode Standard Annex 11: ideographs are wide, combining marks take no column.
    assert shown_width("耳a") == 3
    assert shown_width("e\u0301") == 1
    assert shown_width(pad("耳", 5)) == 5
    assert shown_width(fit("耳標耳標", 4)) <= 4


@given(st.text(), st.integers(min_value=1, max_value=40))
def test_padding_always_gives_the_width_asked_for(text: str, width: int) -> None:
    assert shown_width(pad(text, width)) == width


def test_columns_line_up() -> None:
    lines = columns([("a", "1"), ("long", "22")], limits=(3, 4), right=frozenset({1}))
    assert lines == ["a     1", "lo~  22"]
    assert columns([], limits=()) == []


@pytest.mark.parametrize(
    ("share", "shown"), [(0, ".........."), (1, "##########"), (0.999, "#########."), (2, "#" * 10)]
)
def test_a_bar_is_full_only_at_one(share: float, shown: str) -> None:
    assert bar(share) == shown


def test_check_says_what_to_do() -> None:
    bad = check_table("a.jpg", CaptureCheck(Flag.BLURRED, {}, False), describe(Flag.BLURRED))
    assert bad.startswith("a.jpg: photograph again")
    assert "Tap on the mark" in bad
    assert "good enough" in check_table("a.jpg", CaptureCheck(Flag.NONE, {}, True), ())


def test_all_flags_are_listed_with_their_remedy() -> None:
    flat = " ".join(flags_table(FLAGS).split())
    for flag in FLAGS:
        assert flag.name in flat
        assert flag.remedy in flat
    assert widest(flags_table(FLAGS)) <= WIDTH


def test_summary_lines_stand_under_their_heading() -> None:
    heading, line = summary_heading(), summary_line(identified_result())
    assert line[heading.index("Mark") :].startswith("X9")
    assert line[heading.index("Decision") :] == "identified"
