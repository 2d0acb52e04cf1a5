from __future__ import annotations

import pytest

from legibility.marks.year_letters import PROFILES, unnamed_reason


def test_international_letters_of_beef_cattle() -> None:
    # Beef Improvement Federation, Guidelines wiki, "International animal identification letter":
    # whole table 2013 A to 2034 Z, 2035 A; I, O, Q and V are not used; A also in 1969 and 1991.
    bif = PROFILES["bif"]
    table = dict(zip(range(2013, 2036), "ABCDEFGHJKLMNPRSTUWXYZA", strict=True))
    assert {year: bif.letter(year) for year in table} == table
    assert [bif.letter(year) for year in (1969, 1991)] == ["A", "A"]
    # Canadian Angus Association, Canadian Simmental Association: 2022 K to 2027 R.
    assert "".join(bif.letter(year) for year in range(2022, 2028)) == "KLMNPR"


def test_letters_of_goats() -> None:
    # American Goat Society, "Tattooing": 2009 Z, 2017 J to 2026 V; G, I, O, Q, U omitted.
    ags = PROFILES["ags"]
    assert ags.letter(2009) == "Z"
    assert "".join(ags.letter(year) for year in range(2017, 2027)) == "JKLMNPRSTV"
    # American Dairy Goat Association, tattoo policy and Storey's Guide, chapter 45.
    adga = PROFILES["adga"]
    known = {2010: "A", 2016: "H", 2017: "J", 2019: "L", 2020: "M", 2021: "N"}
    assert {year: adga.letter(year) for year in known} == known
    # American Boer Goat Association, by the Goat Working Group's compilation.
    abga = PROFILES["abga"]
    known = {1993: "E", 1994: "F", 1998: "K", 2005: "T", 2006: "V", 2010: "Z", 2011: "A", 2014: "D"}
    assert {year: abga.letter(year) for year in known} == known


@pytest.mark.parametrize("name", PROFILES)
def test_letters_and_years_are_inverse(name: str) -> None:
    table = PROFILES[name]
    assert len(set(table.letters)) == len(table.letters)
    for year in range(1990, 2040):
        assert year in table.years(table.letter(year), latest=2040, oldest_years=60)


def test_old_animals_get_both_cycle_years() -> None:
    # "M" is 2024 or 2002 (BIF, cycle of 22 years), 2020 or 1999 (ADGA, cycle of 21 years).
    assert PROFILES["bif"].years("M", latest=2026) == [2024, 2002]
    assert PROFILES["adga"].years("M", latest=2026) == [2020, 1999]
    assert PROFILES["bif"].years("M", latest=2023) == [2002]
    assert PROFILES["bif"].years("V", latest=2026) == []


def test_without_a_name_the_reason_shows_the_contradiction() -> None:
    text = unnamed_reason("M", latest=2026)
    for words in ("bif 2024 or 2002", "adga 2020", "abga 2022", "name its table"):
        assert words in text
