"""Imports: all or nothing, recognised when they come again, and never a silent overwrite."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from legibility.errors import StoreError
from legibility.store import importing
from legibility.store.animals import all_animals, all_chips, animals_with_chip, find_animal
from legibility.store.database import HerdDatabase, create_herd
from legibility.store.decisions import all_cases
from legibility.store.events import all_events
from legibility.store.importing import (
    ImportReport,
    RegistryRow,
    Source,
    import_photo,
    import_readings,
    import_registry,
    import_scans,
)
from legibility.store.marks import all_marks, current_marks, marks_of
from legibility.store.pairs import confirmed_photos, paired_readings
from legibility.store.photos import all_photos, find_photo, photos_of
from legibility.store.records import AnimalRow, MarkRow, PhotoRow, ScanRow
from legibility.store.scans import all_scans
from tests.example_results import ambiguous_result
from tests.store.herds import NUMBER, content, digest, registry_rows

SOURCE = Source("registry.csv", "0" * 64, who="Ada", version="1")


@pytest.fixture
def db(tmp_path: Path) -> Iterator[HerdDatabase]:
    with create_herd(tmp_path / "herd.db") as made:
        yield made


def counts(report: ImportReport) -> tuple[int, int, int]:
    return report.new, report.changed, report.same


def test_a_registry_imported_twice_is_not_doubled(db: HerdDatabase) -> None:
    rows = registry_rows(0, 5)
    assert counts(import_registry(db, rows, source=SOURCE)) == (5, 0, 0)
    before = content(db)
    report = import_registry(db, rows, source=SOURCE)
    assert counts(report) == (0, 0, 5)
    assert "imported before" in report.notices[0]
    after = content(db)
    for table in ("animals", "marks", "chips", "cases"):
        assert after[table] == before[table]


def test_what_is_new_is_filled_in_and_nothing_is_lost(db: HerdDatabase) -> None:
    (row,) = registry_rows(0, 1)
    import_registry(db, [row], source=SOURCE)
    update = RegistryRow(
        AnimalRow("animal 0", status="sold"), replace(row.mark, ink="black"), chip=NUMBER
    )
    assert counts(import_registry(db, [update], source=SOURCE)) == (0, 1, 0)
    animal = find_animal(db, "animal 0")
    assert animal is not None
    assert (animal.status, animal.sex, animal.birth_year) == ("sold", "female", 2015)
    assert [mark.ink for mark in all_marks(db)] == ["black"]
    assert animals_with_chip(db, NUMBER) == ("animal 0",)
    assert [chip.source for chip in all_chips(db)] == ["registry.csv"]


def test_another_mark_becomes_a_case_and_both_are_kept(db: HerdDatabase) -> None:
    import_registry(db, registry_rows(0, 1), source=SOURCE)
    other = RegistryRow(AnimalRow("animal 0"), MarkRow("animal 0", "B77", ear="left"))
    assert import_registry(db, [other], source=SOURCE).cases == 1
    assert import_registry(db, [other], source=SOURCE).cases == 0
    assert [mark.text for mark in marks_of(db, "animal 0")] == ["A00000", "B77"]
    (case,) = all_cases(db)
    assert case.kind == "another mark in the registry"
    assert "A00000" in case.summary


def test_another_birth_or_day_of_application_becomes_a_case(db: HerdDatabase) -> None:
    def row(animal: AnimalRow, applied_on: str) -> RegistryRow:
        return RegistryRow(animal, MarkRow("goat 9", "C1", ear="left", applied_on=applied_on))

    first = AnimalRow("goat 9", birth_date="2019-05-01", birth_year=2019, sex="female")
    import_registry(db, [row(first, "2019-06-01")], source=Source("r.csv", "1" * 64))
    again = replace(first, status="sold", skin="dark")
    report = import_registry(db, [row(again, "2019-06-01")], source=Source("r.csv", "2" * 64))
    assert (report.changed, report.cases) == (1, 0)
    other = replace(first, birth_date="2021-05-01", birth_year=2021, sex="male")
    for sha, cases in (("3", 2), ("4", 0)):
        source = Source("s.csv", sha * 64)
        assert import_registry(db, [row(other, "2021-07-01")], source=source).cases == cases
    births, days = (case.summary for case in all_cases(db))
    if "applied" in births:
        births, days = days, births
    assert "birth_date 2019-05-01 became 2021-05-01, sex female became male" in births
    assert "was applied on 2021-07-01, the record says 2019-06-01, which is kept" in days


def test_a_dated_re_marking_and_a_mark_in_the_other_ear_are_no_case(db: HerdDatabase) -> None:
    first = MarkRow("animal 0", "A1", ear="left", applied_on="2020-01-01")
    for mark in (
        first,
        replace(first, text="A2", applied_on="2023-01-01"),
        MarkRow("animal 0", "B9", ear="right"),
    ):
        row = RegistryRow(AnimalRow("animal 0"), mark)
        assert import_registry(db, [row], source=SOURCE).cases == 0
    assert [mark.text for mark in current_marks(db)] == ["A2"]


def test_an_import_that_fails_in_the_middle_leaves_nothing(
    db: HerdDatabase, monkeypatch: pytest.MonkeyPatch
) -> None:
    rows = registry_rows(0, 3)
    rows.append(RegistryRow(AnimalRow("x"), MarkRow("unknown animal", "A1")))
    with pytest.raises(StoreError, match="not in this record"):
        import_registry(db, rows, source=SOURCE)
    assert list(all_animals(db)) == []
    assert list(all_events(db)) == []


def test_every_import_is_in_the_chain_of_events(db: HerdDatabase) -> None:
    import_registry(db, registry_rows(0, 2), source=SOURCE)
    (event,) = all_events(db)
    assert (event.what, event.who) == ("import registry", "Ada")
    assert '"rows":2' in event.outputs


def test_a_clock_that_went_backwards_is_said(
    db: HerdDatabase, monkeypatch: pytest.MonkeyPatch
) -> None:
    import_registry(db, registry_rows(0, 1), source=SOURCE)
    monkeypatch.setattr(importing, "now_utc", lambda: "2001-01-01T00:00:00.000Z")
    report = import_registry(db, registry_rows(1, 1), source=Source("b.csv", "1" * 64))
    assert "clock of this computer went backwards" in report.notices[-1]


def scan(at: str, number: str = NUMBER, **others: str) -> ScanRow:
    return ScanRow(number, at, **others)  # type: ignore[arg-type]


def test_scans_imported_twice_are_not_doubled(db: HerdDatabase) -> None:
    scans = [scan("2024-05-01T10:00:00"), scan("2024-05-01T10:00:09"), scan("2024-05-01T10:00:00")]
    report = import_scans(db, scans, source=Source("log.csv", "2" * 64))
    assert (report.new, report.same) == (2, 1)
    assert import_scans(db, scans, source=Source("log.csv", "2" * 64)).new == 0
    assert len(list(all_scans(db))) == 2


def photo(name: str, at: str = "", **others: object) -> PhotoRow:
    return PhotoRow(digest(name), f"/p/{name}.jpg", taken_at=at, **others)  # type: ignore[arg-type]


def with_chip(db: HerdDatabase, *animals: str) -> None:
    rows = [
        RegistryRow(AnimalRow(name), MarkRow(name, f"M{i}", ear="left"), chip=NUMBER)
        for i, name in enumerate(animals)
    ]
    import_registry(db, rows, source=SOURCE)


def test_photos_are_paired_by_time_only_with_one_number(db: HerdDatabase) -> None:
    with_chip(db, "goat 1")
    for row in (
        photo("near", "2024-05-01T10:00:20"),
        photo("between two", "2024-05-01T11:00:00"),
        photo("far", "2024-05-01T12:00:00"),
        photo("unknown time"),
        photo("with zone", "2024-05-01T10:00:20+02:00"),
    ):
        import_photo(db, row, result=None)
    scans = [
        scan("2024-05-01T10:00:00"),
        scan("2024-05-01T10:59:50"),
        scan("2024-05-01T11:00:10", "276000312312346"),
    ]
    source = Source("log.csv", "3" * 64)
    assert import_scans(db, scans, source=source).notices == ()
    assert all(p.scan_id is None for p in all_photos(db))
    report = import_scans(db, scans, source=source, pair_within_s=30)
    assert "1 photos connected" in report.notices[0]
    assert "1 photos left alone" in report.notices[1]
    (confirmed,) = confirmed_photos(db)
    assert (confirmed.path, confirmed.animal_id, confirmed.mark) == ("/p/near.jpg", "goat 1", "M0")


@pytest.mark.parametrize(
    ("animals", "claimed", "outcome", "confirmed"),
    [
        (("goat 1",), "", "read", 1),
        (("goat 1",), "goat 1", "read", 1),
        (("goat 1", "goat 2"), "", "read", 0),
        (("goat 1",), "goat 2", "read", 0),
        (("goat 1",), "", "refused", 0),
    ],
)
def test_what_a_transponder_confirms(
    db: HerdDatabase, animals: tuple[str, ...], claimed: str, outcome: str, confirmed: int
) -> None:
    with_chip(db, *animals)
    import_registry(db, [RegistryRow(AnimalRow("goat 2"), MarkRow("goat 2", "Z9"))], source=SOURCE)
    row = photo("a", animal_id=claimed, claimed_by="manifest" if claimed else "")
    import_photo(db, row, result=None, scan=scan("2024", outcome=outcome))
    assert len(list(confirmed_photos(db))) == confirmed


@pytest.mark.parametrize("chip_first", [True, False])
def test_a_photo_without_a_name_gets_that_of_its_transponder(
    db: HerdDatabase, chip_first: bool
) -> None:
    if chip_first:
        with_chip(db, "goat 1")
    import_photo(db, photo("a"), result=None, scan=scan("2024"))
    if not chip_first:
        with_chip(db, "goat 1")
    (found,) = all_photos(db)
    assert (found.animal_id, found.claimed_by) == ("goat 1", "chip")
    # When the number turns up on a second animal, nothing is confirmed any more.
    with_chip(db, "goat 2")
    assert list(confirmed_photos(db)) == []
    assert next(iter(all_photos(db))).animal_id == "goat 1"


def test_the_newest_reading_stands_beside_the_transponder(db: HerdDatabase) -> None:
    with_chip(db, "goat 0142", "goat 7")
    result = replace(ambiguous_result(), sha256=digest("a"))
    import_photo(db, photo("a"), result=result, scan=scan("2024"))
    (pair,) = paired_readings(db)
    assert pair.animals == ("goat 0142", "goat 7")
    assert pair.candidate_set == ("goat 0142", "goat 0188", None)
    assert (pair.text, pair.first) == ("AB3/47?", "goat 0142")


def test_the_same_bytes_are_the_same_photo_wherever_they_lie(
    db: HerdDatabase, tmp_path: Path
) -> None:
    old, new = tmp_path / "old.jpg", tmp_path / "new.jpg"
    new.write_bytes(b"photo")
    result = replace(ambiguous_result(), sha256=digest("photo"))
    row = PhotoRow(digest("photo"), str(old))
    assert import_photo(db, row, result=result) == "new"
    assert import_photo(db, row, result=result) == "same"
    assert import_photo(db, replace(row, path=str(new)), result=None) == "changed"
    (found,) = all_photos(db)
    assert found.path == str(new)
    # While the file is where it was, a copy elsewhere does not move it.
    (tmp_path / "copy.jpg").write_bytes(b"photo")
    assert import_photo(db, replace(row, path=str(tmp_path / "copy.jpg")), result=None) == "same"


def test_what_was_said_of_a_photo_is_never_overwritten(db: HerdDatabase) -> None:
    import_registry(db, registry_rows(0, 2), source=SOURCE)
    first = photo("a", animal_id="animal 0", claimed_by="manifest", ear="left")
    import_photo(db, first, result=None)
    other = replace(first, animal_id="animal 1", claimed_by="person", ear="right", stage="clipped")
    assert import_photo(db, other, result=None) == "changed"
    found = find_photo(db, first.sha256)
    assert found is not None
    assert (found.animal_id, found.claimed_by, found.ear) == ("animal 0", "manifest", "left")
    assert found.stage == "clipped"
    assert photos_of(db, "animal 0") == (found,)


def test_other_bytes_under_the_same_name_are_another_photo(db: HerdDatabase) -> None:
    import_photo(db, PhotoRow(digest("a"), "/p/x.jpg"), result=None)
    import_photo(db, PhotoRow(digest("b"), "/p/x.jpg"), result=None)
    assert len(list(all_photos(db))) == 2
    assert digest("a") in list(all_events(db))[-1].inputs


def test_many_readings_at_once(db: HerdDatabase) -> None:
    names = [str(i) for i in range(5)]
    items = [(photo(n), replace(ambiguous_result(), sha256=digest(n))) for n in names]
    assert import_readings(db, items, at_a_time=2) == 5
    assert import_readings(db, items, at_a_time=2) == 0
    assert db.count("photos") == db.count("readings") == 5
    assert [event.what for event in all_events(db)] == ["import readings"] * 6
