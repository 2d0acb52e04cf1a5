"""How marks stand in the ear: the rows in which photos of identified animals show them.

It is worked out from the readings whenever it is asked for, so that whatever is corrected holds.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Final, TypeAlias

from legibility.alphabet import ROW_SEPARATOR, split_mark
from legibility.containers import Flag
from legibility.store.columns import DISPUTED, NEWEST
from legibility.store.database import HerdDatabase
from legibility.store.marks import IS_CURRENT

LayoutCounts: TypeAlias = dict[tuple[int, int], float]
"""(characters, characters of the first row; 0: there is one row) -> marks seen so."""

_SEEN: Final = f"""
    SELECT m.id, m.text, r.text, count(*)
    FROM readings AS r
    JOIN photos AS p ON p.id = r.photo
    JOIN animals AS a ON a.animal_id = r.first_animal
    JOIN marks AS m ON m.animal = a.id
    WHERE r.decision = 'identified' AND r.status = 'read' AND r.flags & ? = 0 AND {NEWEST}
    AND replace(r.text, '{ROW_SEPARATOR}', '') = replace(m.text, '{ROW_SEPARATOR}', '')
    AND (p.animal = a.id OR (p.animal IS NULL AND p.claimed_by = ''))
    AND (p.ear IN ('', 'both') OR m.ear IN ('', 'both') OR p.ear = m.ear)
    AND (p.taken_at = '' OR substr(p.taken_at, 1, 10) >= m.applied_on)
    AND p.id NOT IN ({DISPUTED})
    AND {{which}}
    GROUP BY m.id, r.text ORDER BY m.animal, m.id, count(*) DESC, r.text"""


@dataclass(frozen=True, slots=True)
class SeenLayout:
    """Rows in which a mark was read."""

    mark_id: int
    mark: str
    """As it is recorded, ``HD782``."""
    text: str
    """As it was read, ``HD/782``."""
    photos: int


def layouts_seen(db: HerdDatabase, animal_id: str, *, bad: Flag) -> tuple[SeenLayout, ...]:
    """Rows in which the marks of an animal that count were read; most often seen first.

    A photo counts with its newest reading, if that named this animal for sure, every character is
    the mark's, and nothing is wrong with the photo; not if a person gave it to another animal or
    to nobody, it is part of an open case, or it is older than the mark.

    Parameters
    ----------
    bad : Flag
        Photos with any of these are left out.
    """
    sql = _SEEN.format(which="a.animal_id = ? AND m.retired_on = ''")
    return tuple(SeenLayout(*row) for row in db.rows(sql, (int(bad), animal_id)))


def layout_counts(db: HerdDatabase, *, bad: Flag) -> LayoutCounts:
    """How the current marks stand in the ears whose rows nobody wrote down.

    Each animal counts once in each layout it was seen in, however many photos show it: many photos
    of one animal are one ear. Marks whose list writes the row break say it themselves.
    """
    found: Counter[tuple[int, int]] = Counter()
    for row in db.rows(_SEEN.format(which=IS_CURRENT), (int(bad),)):
        seen = SeenLayout(*row)
        if ROW_SEPARATOR not in seen.mark:
            first, second = (*split_mark(seen.text), "")[:2]
            found[len(first) + len(second), len(first) if second else 0] += 1
    return {layout: float(count) for layout, count in sorted(found.items())}
