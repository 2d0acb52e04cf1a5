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


@dataclass(frozen=True, slots=True)
class EyeReading:
    """A whole mark that a person read and that the animal it was read for does not have."""

    number: int
    reader: str
    text: str
    claimed: str
    owners: tuple[str, ...]
    """Animals whose mark it is now."""
    photo_sha256: str
    """Empty when it was read from the ear."""
    path: str


def strange_eye_readings(
    db: HerdDatabase,
    *,
    photos: Collection[str] | None = None,
    animals: Collection[str] | None = None,
) -> Iterator[EyeReading]:
    """Readings by eye of another registered animal's mark; "/" and blanks make no difference.

    Parameters
    ----------
    photos, animals : collection of str, optional
        Only readings of these photos, or of the ears of these animals.
    """
    some = "1"
    asked: tuple[str, ...] = ()
    if photos is not None or animals is not None:
        some = """h.id IN (
            SELECT r.id FROM human_readings AS r WHERE r.photo IN (
                SELECT id FROM photos WHERE sha256 IN (SELECT value FROM json_each(?)))
            UNION ALL
            SELECT r.id FROM human_readings AS r WHERE r.photo IS NULL AND r.animal IN (
                SELECT id FROM animals WHERE animal_id IN (SELECT value FROM json_each(?))))"""
        asked = (json.dumps(list(photos or ())), json.dumps(list(animals or ())))
    plain = "replace(replace({}, '/', ''), ' ', '')"
    sql = f"""
        SELECT h.id, h.reader, h.text, a.animal_id, json_group_array(DISTINCT o.animal_id),
               ifnull(p.sha256, ''), ifnull(p.path, '')
        FROM human_readings_now AS h LEFT JOIN photos AS p ON p.id = h.photo
        JOIN animals AS a ON a.id = ifnull(h.animal, p.animal)
        JOIN marks AS m ON m.text = h.text AND m.retired_on = '' AND m.animal <> a.id
        JOIN animals AS o ON o.id = m.animal
        WHERE {some} AND EXISTS (SELECT 1 FROM marks AS own WHERE own.animal = a.id)
        AND NOT EXISTS (SELECT 1 FROM marks AS own WHERE own.animal = a.id
                        AND {plain.format("own.text")} = {plain.format("h.text")})
        GROUP BY h.id ORDER BY h.id"""
    for number, reader, text, claimed, owners, sha256, path in db.rows(sql, asked):
        yield EyeReading(number, reader, text, claimed, tuple(json.loads(owners)), sha256, path)
