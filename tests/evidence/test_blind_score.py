"""Scores of reading sets: by hand, and with invented readers of known reliability."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from legibility.alphabet import CHARACTERS
from legibility.errors import EvidenceError
from legibility.evidence.blind_record import score_record
from legibility.evidence.blind_score import score_sheets
from legibility.evidence.places import consensus, laid
from legibility.evidence.reliability import (
    PRIOR,
    accuracy_by_agreement,
    accuracy_by_truth,
    reliability_record,
)
from tests.evidence.blind_builder import filled, small_key

MARKS = ["AB1", "CD2", "EF3", "GH4", "JK5", "LM6"]
NOW = "2026-02-02T00:00:00+00:00"


def test_two_readers_by_hand(tmp_path: Path) -> None:
    key = small_key()

    def first(photo: int, repeat: bool) -> tuple[str, str]:
        return (MARKS[photo], str(photo % 5))

    def second(photo: int, repeat: bool) -> tuple[str, str]:
        # Photo 0 misread in one character, photo 1 with one place given up.
        said = {0: "AB7", 1: "C?2"}.get(photo, MARKS[photo])
        return (said, str(photo % 5))

    sheets = [
        filled(key, key.sheets[0], first, tmp_path),
        filled(key, key.sheets[1], second, tmp_path),
    ]
    score = score_sheets(sheets, key, received_at=NOW)
    (pair,) = score.between
    assert (pair.characters.count, pair.characters.total) == (16, 18)
    assert (pair.marks.count, pair.marks.total) == (4, 6)
    assert pair.legibility_linear is not None
    assert pair.legibility_linear.value == pytest.approx(1.0)
    for own in score.within:
        assert own.characters.count == own.characters.total == 9
        assert own.marks.count == own.marks.total == 3
    disputed = {d.photo: d for d in score.adjudicate}
    assert set(disputed) == {"p0.jpg", "p1.jpg"}
    assert disputed["p0.jpg"].places == (3,)
    assert disputed["p1.jpg"].places == (2,)
    assert [(r.reader, r.read, r.unread) for r in score.readers] == [("one", 18, 0), ("two", 17, 1)]
    assert [step.what for step in score.order] == [
        "sheets for first readings made",
        "sheet of one received",
        "sheet of two received",
        "key opened and sheets scored",
    ]
    assert score_record(score)["unanswered"] == []


def test_known_marks_count_what_is_right(tmp_path: Path) -> None:
    key = small_key()
    wrong = filled(key, key.sheets[0], lambda p, r: ("ABX" if p == 0 else MARKS[p], ""), tmp_path)
    truth = {key.photos[i].sha256: MARKS[i] for i in range(4)}
    (reader,) = score_sheets([wrong], key, received_at=NOW, truth=truth).readers
    assert reader.right is not None
    assert (reader.right.count, reader.right.total) == (11, 12)
    assert reader.accuracy == pytest.approx((11 + PRIOR[0]) / (12 + sum(PRIOR)))
    assert reliability_record([reader])["readers"]["one"]["right"] == 11


def test_a_sheet_left_empty_is_no_agreement(tmp_path: Path) -> None:
    key = small_key()
    sheets = [
        filled(key, key.sheets[0], lambda p, r: (MARKS[p], "3"), tmp_path),
        filled(key, key.sheets[1], lambda p, r: ("", ""), tmp_path),
    ]
    score = score_sheets(sheets, key, received_at=NOW)
    assert score.between[0].characters.total == 0
    assert score.between[0].character_kappa is None
    assert len(score.unanswered) == 9
    assert np.isnan(score.alpha_characters)
    assert score_record(score)["alpha"]["characters"] is None


def test_nothing_readable_to_all_is_agreed_upon(tmp_path: Path) -> None:
    key = small_key()
    sheets = [filled(key, s, lambda p, r: ("-", "0"), tmp_path) for s in key.sheets]
    score = score_sheets(sheets, key, received_at=NOW)
    assert score.between[0].marks.count == 6
    assert score.adjudicate == ()


def test_two_sheets_of_one_reader_are_refused(tmp_path: Path) -> None:
    key = small_key()
    sheet = filled(key, key.sheets[0], lambda p, r: ("A", ""), tmp_path)
    with pytest.raises(EvidenceError, match="two sheets"):
        score_sheets([sheet, sheet], key, received_at=NOW)
    with pytest.raises(EvidenceError, match="no sheet"):
        score_sheets([], key, received_at=NOW)


def test_readings_of_different_length_are_laid_beside_each_other() -> None:
    assert consensus(["AB/12", "AB12", "A12"]) == "AB12"
    assert laid("A12", "AB12") == ("A", None, "1", "2")
    assert laid("AAB12", "AB12") in {("A", "B", "1", "2")}
    assert laid("-", "AB") == (None, None)
    assert laid("A[8B]1", "A81") == ("A", "?", "1")


@given(st.text("AB1?", min_size=1, max_size=6), st.text("AB1?", min_size=1, max_size=6))
def test_laying_keeps_the_order(reading: str, reference: str) -> None:
    placed = [c for c in laid(reading, reference) if c is not None]
    assert len(placed) <= min(len(reading), len(reference))
    rest = iter(reading)
    assert all(character in rest for character in placed)


def test_accuracy_is_found_without_truth() -> None:
    """Dawid & Skene 1979: three readers of known accuracy, 900 characters."""
    rng = np.random.default_rng(2)
    truth = rng.integers(36, size=900)
    known = (0.95, 0.85, 0.7)
    reads = []
    for accuracy in known:
        wrong = (truth + rng.integers(1, 36, size=900)) % 36
        said = np.where(rng.random(900) < accuracy, truth, wrong)
        reads.append([None if rng.random() < 0.1 else CHARACTERS[int(c)] for c in said])
    found = accuracy_by_agreement(reads)
    for ours, theirs in zip(found, known, strict=True):
        # Three standard errors of a share of 810.
        assert ours == pytest.approx(theirs, abs=3 * np.sqrt(theirs * (1 - theirs) / 810))


def test_without_reads_the_prior_is_all_there_is() -> None:
    assert accuracy_by_agreement([[None, None]]) == (PRIOR[0] / sum(PRIOR),)
    assert accuracy_by_truth([], [])[0] == PRIOR[0] / sum(PRIOR)
