"""Year letters: one letter a year, in several tables that contradict each other.

The same letter means other years in other registries, and each comes round again after 10, 21 or
22 years. So nothing here turns a letter into a year without the table's name.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

OLDEST_YEARS: Final = 30
"""Choice: an animal that is looked for was born in the last thirty years; two cycles of letters."""


@dataclass(frozen=True, slots=True)
class YearLetters:
    """A named table of year characters."""

    name: str
    letters: str
    """In the order of the years; then they begin again."""
    first_year: int
    """A year that has the first of ``letters``."""
    title: str
    source: str
    dated: str
    """Date of the source, as far as it is stated."""
    note: str = ""

    def letter(self, year: int) -> str:
        """Character of a year.

        Examples
        --------
        >>> PROFILES["bif"].letter(2024), PROFILES["adga"].letter(2024)
        ('M', 'S')
        """
        return self.letters[(year - self.first_year) % len(self.letters)]

    def years(self, letter: str, *, latest: int, oldest_years: int = OLDEST_YEARS) -> list[int]:
        """Every year that a character may mean, newest first.

        Parameters
        ----------
        letter : str
        latest : int
            Year of the reading: nobody is born after it.
        oldest_years : int
            How far back animals are looked for.

        Returns
        -------
        list of int
            Two for a letter of a 21- or 22-year cycle in most years; empty when the table does not
            use the character.

        Examples
        --------
        >>> PROFILES["bif"].years("M", latest=2026)
        [2024, 2002]
        """
        return [y for y in range(latest, latest - oldest_years - 1, -1) if self.letter(y) == letter]


_GOATS: Final = "ABCDEFHJKLMNPRSTVWXYZ"
_ALL: Final = (
    YearLetters(
        "bif",
        "ABCDEFGHJKLMNPRSTUWXYZ",
        2013,
        "Beef cattle, international letter (also the Canadian breed societies)",
        "Beef Improvement Federation, Guidelines wiki: International animal identification letter",
        "seen 2026",
        "I, O, Q and V are not used; 22 years.",
    ),
    YearLetters(
        "adga",
        _GOATS,
        2010,
        "American Dairy Goat Association",
        "American Dairy Goat Association, tattoo policy; Storey's Guide, chapter 45",
        "seen 2026",
        "G, I, O, Q and U are not used; 21 years.",
    ),
    YearLetters(
        "ags",
        _GOATS,
        2010,
        "American Goat Society",
        "American Goat Society: Tattooing (2009 Z, 2017 J to 2026 V)",
        "seen 2026",
        "G, I, O, Q and U are not used; 21 years.",
    ),
    YearLetters(
        "abga",
        "ABCDEFGHJKLMNPRSTVWXYZ",
        2011,
        "American Boer Goat Association",
        "Goat Working Group, compilation of registries (1993 E to 2014 D)",
        "table to 2014",
        "I, O, Q and U are not used; 22 years. From 2015 on the table is continued, not seen.",
    ),
    YearLetters(
        "last-digit",
        "0123456789",
        2020,
        "Last figure of the year (vaccination marks of the United States)",
        "9 CFR 78.1, official vaccinate",
        "from memory",
        "Comes round every 10 years.",
    ),
)
PROFILES: Final = {profile.name: profile for profile in _ALL}
"""Every table by the name that rules use."""


def unnamed_reason(letter: str = "M", *, latest: int = 2026) -> str:
    """Why a year letter is not turned into a year without the name of its table.

    Examples
    --------
    >>> "bif 2024 or 2002" in unnamed_reason("M")
    True
    """
    meanings = []
    for profile in PROFILES.values():
        years = profile.years(letter, latest=latest)
        if years:
            meanings.append(f"{profile.name} {' or '.join(map(str, years))}")
    return (
        f"a year letter means other years in other registries ({letter}: {'; '.join(meanings)}); "
        f"name its table: year_letters = one of {', '.join(PROFILES)}"
    )
