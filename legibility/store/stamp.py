"""What tells cheaply whether animals, marks or readings of a record changed."""

from __future__ import annotations

from legibility.store.database import HerdDatabase


def registry_stamp(db: HerdDatabase) -> str:
    """Changes with every import of a registry and every record of a mark or transponder.

    Reading a photo leaves it as it is, so that a registry once loaded can be kept.
    """
    row = db.first(
        """SELECT (SELECT count(*) || ',' || ifnull(max(id), 0) FROM animals),
                  (SELECT count(*) || ',' || ifnull(max(id), 0)
                          || ',' || ifnull(sum(retired_on <> ''), 0)
                          || ',' || ifnull(sum(instr(text, '/') > 0), 0)
                   FROM marks),
                  (SELECT count(*) || ',' || ifnull(max(id), 0) FROM chips),
                  (SELECT count(*) FROM imports WHERE kind = 'registry')"""
    )
    return ";".join(str(part) for part in row or ())


def readings_stamp(db: HerdDatabase) -> tuple[int, str]:
    """How many readings there were, and what changes when a person says something of photos."""
    row = db.first(
        """SELECT (SELECT ifnull(max(id), 0) FROM readings),
                  (SELECT ifnull(max(rowid), 0) FROM corrections),
                  (SELECT ifnull(max(rowid), 0) FROM decisions),
                  (SELECT ifnull(max(rowid), 0) FROM cases)"""
    )
    readings, *said = row or (0,)
    return int(readings), ",".join(map(str, said))
