from __future__ import annotations

import re

import pytest

from legibility.marks.profiles import rule_profiles
from legibility.marks.rules import Rules
from legibility.marks.space import count_marks

BY_NAME = {profile.name: profile.rules for profile in rule_profiles()}


def ok(name: str, mark: str, ear: str = "") -> bool:
    return BY_NAME[name].problem(mark, ear=ear) == ""


def test_each_has_source_and_date() -> None:
    for profile in rule_profiles():
        assert profile.title
        assert profile.source
        assert profile.dated
        assert profile.note
        assert count_marks(profile.rules) > 0


@pytest.mark.parametrize(
    ("name", "good", "bad"),
    [
        # 9 CFR 79.1: State, at most 9 characters, no I, O, Q but in the State's abbreviation.
        ("us-sheep-flock", ["TX1234567", "IA12", "OHAB1"], ["TX12345678", "TXO1", "1X23", "TX"]),
        # 9 CFR 71.1: six characters.
        ("us-swine", ["A1B2C3"], ["A1B2C", "A1B2C3D", "A1B/2C3"]),
        # Implementing Regulation (EU) 2021/520, article 12: Greece is EL, Northern Ireland XI/899.
        ("eu-identification-code", ["EL1234567890", "899/123456789012", "XI/1"], ["E1/2", "EL/A"]),
        # Act 6 of 2002 (South Africa): at most 3 characters.
        ("za-owner", ["A", "AB1"], ["ABCD", "A/B"]),
        # Beef Improvement Federation: 101H is the 101st calf of 2020.
        ("bif-calf", ["101H"], ["101I", "H101", "0H"]),
        # Canadian Simmental Association.
        ("ca-simmental", ["ABC1M", "ABCD/1234M"], ["AB1M", "ABC01M", "ABC1V"]),
        # Canadian Angus Association: letters above, 1 to 4 digits and the letter below.
        ("ca-angus", ["KTH/12M", "K/1234M"], ["KTH12M", "KTH/12345M", "KTH/12"]),
        # American Angus Association, newsletter, January 2003; American Hereford Association.
        ("us-angus", ["A123"], ["A1234", "A1/23"]),
        ("us-hereford", ["ABCD1234", "ABCD/1234", "A/B"], ["ABCD12345", "ABCDE/1234"]),
    ],
)
def test_published_rules(name: str, good: list[str], bad: list[str]) -> None:
    assert [mark for mark in good if not ok(name, mark)] == []
    assert [mark for mark in bad if ok(name, mark)] == []


def test_dairy_goats_of_both_ears() -> None:
    # ADGA, tattoo policy: right ear at most 4 characters, never one letter followed by digits.
    for mark in ("KTH", "K", "KT12", "7", "12", "1K", "K1A", "K1A2", "1234"):
        assert ok("adga-goats", mark, "right"), mark
    for mark in ("K1", "K12", "K123", "KTH12"):
        assert not ok("adga-goats", mark, "right"), mark
    # Left ear: year letter and serial number (M1, M2 ...); G, I, O, Q, U are no year letters.
    assert ok("adga-goats", "M1", "left")
    assert not ok("adga-goats", "G1", "left")
    assert not ok("adga-goats", "M1", "both")
    code = re.compile(r"(?!^[A-Z][0-9]+$)[A-Z0-9]{1,4}")
    right = count_marks(BY_NAME["adga-goats"], ear="right")
    assert right == sum(36**n for n in range(1, 5)) - 26 * (10 + 100 + 1000)
    assert code.fullmatch("KT12")


def test_vaccination_marks() -> None:
    # 9 CFR 78.1 (from memory), right ear: R V and last figure; quarter, V and last figure.
    assert ok("us-brucellosis-rb51", "RV4", "right")
    assert not ok("us-brucellosis-rb51", "RV4", "left")
    assert ok("us-brucellosis-strain19", "4V9", "right")
    assert not ok("us-brucellosis-strain19", "5V9", "right")
    rules: Rules = BY_NAME["us-brucellosis-rb51"]
    assert rules.birth_years("RV4", latest=2026) == (2024, 2014, 2004)
