"""Photos that a list or a person gave to an animal, and what their newest reading says."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator
from dataclasses import dataclass

from legibility.store.database import HerdDatabase
from legibility.store.pairs import candidate_set_in


@dataclass(frozen=True, slots=True)
class ClaimedReading:
    """The newest reading of a photo that somebody gave to an animal."""

    photo_sha256: str
    path: str
    claimed: str
    claimed_by: str
    text: str
    decision: str
    candidate_set: tuple[str | None, ...]
    """Empty when nothing could be read."""
    first: str
    """First candidate; empty for "not registered"."""
    misread_risk: float | None


def claimed_readings(
    db: HerdDatabase, *, photos: Collection[str] | None = None
) -> Iterator[ClaimedReading]:
    """Every photo that somebody gave to an animal with a mark on record, and its newest reading.

    Left out: photos that were named by a transponder alone, since that says nothing of its own, and
    photos of animals without a mark, which no reading could name.

    Parameters
    ----------
    photos : collection of str, optional
        Only those with these digests.
    """
    some = "" if photos is None else "AND p.sha256 IN (SELECT value FROM json_each(?))"
    sql = f"""
        SELECT p.sha256, p.path, a.animal_id, p.claimed_by, r.text, r.decision, c.content,
               r.first_animal, r.misread_risk
        FROM photos AS p
        JOIN animals AS a ON a.id = p.animal
        JOIN readings AS r ON r.id = (SELECT max(n.id) FROM readings AS n WHERE n.photo = p.id)
        JOIN reading_contents AS c ON c.reading = r.id
        WHERE p.claimed_by <> 'chip'
        AND EXISTS (SELECT 1 FROM marks AS m WHERE m.animal = a.id)
        {some} ORDER BY p.id"""
    asked = () if photos is None else (json.dumps(list(photos)),)
    for sha256, path, claimed, by, text, decision, content, first, risk in db.rows(sql, asked):
        yield ClaimedReading(
            photo_sha256=sha256,
            path=path,
            claimed=claimed,
            claimed_by=by,
            text=text,
            decision=decision,
            candidate_set=candidate_set_in(content),
            first=first,
            misread_risk=risk,
        )
