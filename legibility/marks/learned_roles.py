"""Places of marks that follow from something else: year letters and check characters."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from legibility.marks.check_characters import SCHEMES, CheckScheme, check_characters
from legibility.marks.learned_evidence import RAREST
from legibility.marks.learned_lines import Line
from legibility.marks.rules import COVERS
from legibility.marks.year_letters import PROFILES

AGREE: Final = 0.95
"""Choice: a year letter or check character is one when so many of the marks agree with it."""
LEAST_KNOWN: Final = 10
"""Choice: marks that have to be looked at; ten chance agreements of 1 in 10 are 1 in 10**10."""
LEAST_YEARS: Final = 3
"""Choice: different characters; two may stand for anything."""
SCREENED: Final = 400
"""Choice: marks by which check schemes are tried first."""
MAYBE: Final = 0.3
"""Choice: schemes that so many of these agree with are looked at closely; chance gives 0.1."""


@dataclass(frozen=True, slots=True)
class Checked:
    """Marks without their check characters, and which these were."""

    lines: tuple[Line, ...]
    check: str = ""
    """Name in ``SCHEMES``; empty: no check character."""
    covers: str = "all"


def year_table(characters: Sequence[str], years: Sequence[int]) -> str:
    """Name of the table by which characters stand for years of birth; empty for none.

    Parameters
    ----------
    characters : sequence of str
        One of each mark.
    years : sequence of int
        Of birth; 0 = not known.
    """
    known = [(c, y) for c, y in zip(characters, years, strict=True) if y]
    if len(known) < LEAST_KNOWN or len({c for c, _ in known}) < LEAST_YEARS:
        return ""
    agree = {
        name: sum(table.letter(y) == c for c, y in known) / len(known)
        for name, table in PROFILES.items()
    }
    best = max(agree, key=lambda name: agree[name])
    return best if agree[best] >= AGREE else ""


def own_years(characters: Sequence[str], years: Sequence[int]) -> dict[str, int]:
    """Year of each character where it says the year of birth by a table of the herd's own."""
    pairs = Counter((y, c) for c, y in zip(characters, years, strict=True) if y)
    by_year = Counter[int]()
    for (year, _), count in pairs.items():
        by_year[year] += count
    total = sum(by_year.values())
    if len(by_year) < LEAST_YEARS or total < max(LEAST_KNOWN, 2 * len(by_year)):
        return {}
    meant: dict[int, tuple[str, int]] = {}
    for (year, character), count in pairs.items():
        if count > meant.get(year, ("", 0))[1]:
            meant[year] = (character, count)
    agree = sum(count for _, count in meant.values()) / total
    found = {character: year for year, (character, _) in sorted(meant.items())}
    return found if agree >= AGREE and len(found) == len(meant) else {}


def by_check(lines: Sequence[Line]) -> list[Checked]:
    """Marks put apart by the check character that they end with; a few wrong ones are left out.

    The last group has none. A scheme is looked for among all marks, and among those of one kind.
    """
    likely = _likely(lines[:: max(1, len(lines) // SCREENED)])
    found: list[Checked] = []
    rest = list(lines)
    for name, covers in likely:
        right = [line for line in rest if _agrees(SCHEMES[name], covers, line)]
        if len(right) >= LEAST_KNOWN and len(right) >= AGREE * len(rest):
            return [*found, _without(right, name, covers)]
        every = Counter(line.kind for line in rest)
        good = {
            kind
            for kind, count in Counter(line.kind for line in right).items()
            if count >= LEAST_KNOWN and count >= AGREE * every[kind]
        }
        if good:
            found.append(_without([x for x in right if x.kind in good], name, covers))
            rest = [line for line in rest if line.kind not in good]
    return [*found, Checked(tuple(rest))] if rest else found


def _likely(lines: Sequence[Line]) -> list[tuple[str, str]]:
    found = []
    for name, scheme in SCHEMES.items():
        for covers in COVERS:
            agree = [line for line in lines if _agrees(scheme, covers, line)]
            bodies = {line.rows for line in agree}
            if len(agree) >= MAYBE * len(lines) and len(bodies) >= RAREST:
                found.append((len(agree), name, covers))
    # Of schemes that say the same the one over all characters is the plainest.
    found.sort(key=lambda one: (-one[0], one[2] != "all"))
    return [(name, covers) for _, name, covers in found]


def _agrees(scheme: CheckScheme, covers: str, line: Line) -> bool:
    text = "".join(line.rows)
    body, written = text[: -scheme.length], text[-scheme.length :]
    if len(line.rows[-1]) < scheme.length or not body:
        return False
    covered = set(body).intersection(COVERS[covers])
    if not covered or not covered <= set(scheme.covered):
        return False
    return check_characters(scheme, body, COVERS[covers]) == written


def _without(lines: Sequence[Line], name: str, covers: str) -> Checked:
    cut = SCHEMES[name].length
    kept = (replace(line, rows=(*line.rows[:-1], line.rows[-1][:-cut])) for line in lines)
    return Checked(tuple(kept), name, covers)
