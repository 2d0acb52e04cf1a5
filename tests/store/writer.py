"""A process that writes to a record until it is killed, and says what it has committed.

``python -m tests.store.writer HERD.db NAME``: one line a commit, after the commit. Each round does
one import of a registry, records one look, and stores one photo with its reading.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from itertools import count
from pathlib import Path

from legibility.store.database import open_herd
from legibility.store.events import append_event
from legibility.store.human_readings import add_human_reading
from legibility.store.importing import Source, import_photo, import_registry
from legibility.store.records import HumanReading, PhotoRow
from tests.example_results import ambiguous_result
from tests.store.herds import digest, registry_rows

ROWS = 40
"""Animals of one import."""


def main(path: Path, name: str) -> None:
    with open_herd(path) as db:
        print("open", flush=True)
        for number in count():
            rows = [
                replace(
                    row,
                    animal=replace(row.animal, animal_id=f"{name}-{number}-{i}"),
                    mark=replace(row.mark, animal_id=f"{name}-{number}-{i}"),
                )
                for i, row in enumerate(registry_rows(0, ROWS))
            ]
            key = f"{name}-{number}"
            import_registry(db, rows, source=Source(key, digest(key)))
            print("import", key, flush=True)
            with db.transaction():
                add_human_reading(db, HumanReading(key, "2024", "A1", animal_id=f"{key}-0"))
                append_event(db, what="record reading", who=key)
            print("look", key, flush=True)
            result = replace(ambiguous_result(), sha256=digest(key))
            import_photo(db, PhotoRow(result.sha256, f"/{key}.jpg"), result=result)
            print("photo", key, flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2])
