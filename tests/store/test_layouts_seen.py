"""Which readings say how a mark stands in the ear."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from legibility.containers import Flag
from legibility.store.database import HerdDatabase, create_herd
from legibility.store.decisions import open_case
from legibility.store.importing import RegistryRow, Source, import_registry
from legibility.store.layouts_seen import layout_counts, layouts_seen
from legibility.store.records import AnimalRow, CaseRow, MarkRow
from tests.herd_records import add_photo, reading
from tests.store.herds import digest

DAY = date(2024, 5, 1)


@pytest.fixture
def db(tmp_path: Path) -> Iterator[HerdDatabase]:
    """An animal whose left ear was marked two months before its photo was read."""
    mark = MarkRow("Ewe 1", "HD782", ear="left", applied_on="2024-03-01")
    with create_herd(tmp_path / "herd.db") as made:
        rows = [RegistryRow(AnimalRow("Ewe 1"), mark), *others()]
        import_registry(made, rows, source=Source("r.csv", "0" * 64))
        with made.transaction():
            add_photo(made, replace(reading("a.jpg", "Ewe 1"), text="HD/782"), "Ewe 1", DAY)
        yield made


def others() -> list[RegistryRow]:
    return [RegistryRow(AnimalRow("Ewe 2"), MarkRow("Ewe 2", "HD783"))]


def seen(db: HerdDatabase) -> list[tuple[str, str, int]]:
    found = layouts_seen(db, "Ewe 1", bad=Flag.BLURRED)
    return [(one.mark, one.text, one.photos) for one in found]


def test_a_photo_says_it(db: HerdDatabase) -> None:
    assert seen(db) == [("HD782", "HD/782", 1)]
    assert layout_counts(db, bad=Flag.BLURRED) == {(5, 2): 1}
    with db.transaction():
        add_photo(db, replace(reading("b.jpg", "Ewe 1"), text="HD/782"), "Ewe 1", DAY)
    assert seen(db) == [("HD782", "HD/782", 2)]
    assert layout_counts(db, bad=Flag.BLURRED) == {(5, 2): 1}


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE photos SET ear = 'right'",
        "UPDATE photos SET taken_at = '2024-02-29T10:00:00'",
        "UPDATE photos SET animal = 2",
        "UPDATE photos SET animal = NULL, claimed_by = 'person'",
        "UPDATE marks SET retired_on = '2024-06-01'",
        "UPDATE marks SET text = 'HD788'",
        "UPDATE readings SET decision = 'ambiguous'",
        f"UPDATE readings SET flags = {int(Flag.BLURRED | Flag.HAIR)}",
    ],
)
def test_other_photos_do_not(change: str, db: HerdDatabase) -> None:
    with db.transaction():
        db.write(change)
    assert seen(db) == []
    assert layout_counts(db, bad=Flag.BLURRED) == {}


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE photos SET ear = 'left', taken_at = ''",
        "UPDATE photos SET animal = NULL, claimed_by = ''",
        f"UPDATE readings SET flags = {int(Flag.HAIR)}",
    ],
)
def test_what_says_nothing_against_it_leaves_it(change: str, db: HerdDatabase) -> None:
    with db.transaction():
        db.write(change)
    assert seen(db) == [("HD782", "HD/782", 1)]


def test_a_photo_of_an_open_case_says_nothing(db: HerdDatabase) -> None:
    with db.transaction():
        open_case(db, CaseRow("k", "kind", "Whose?", {"photo_sha256": digest("a.jpg")}))
    assert seen(db) == []


def test_an_older_mark_is_shown_but_not_learned_from(db: HerdDatabase) -> None:
    mark = MarkRow("Ewe 1", "Z9", ear="right", applied_on="2024-04-01")
    import_registry(db, [RegistryRow(AnimalRow("Ewe 1"), mark)], source=Source("s.csv", "1" * 64))
    assert seen(db) == [("HD782", "HD/782", 1)]
    assert layout_counts(db, bad=Flag.BLURRED) == {}
