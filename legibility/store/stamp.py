"""A short text that changes when the animals or marks of a record change, and only then."""

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
                   FROM marks),
                  (SELECT count(*) || ',' || ifnull(max(id), 0) FROM chips),
                  (SELECT count(*) FROM imports WHERE kind = 'registry')"""
    )
    return ";".join(str(part) for part in row or ())
