"""Everything written out comes back the same, in both forms, hostile cells included."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from legibility.errors import StoreError
from legibility.store.cells import ACTIVE, guarded, unguarded
from legibility.store.database import create_herd, open_herd
from legibility.store.exporting import TABLES, export_herd, restore_herd, restored_herd
from tests.store.herds import content, small_herd


@pytest.mark.parametrize("as_json", [False, True])
def test_round_trip(as_json: bool, tmp_path: Path) -> None:
    with small_herd(tmp_path / "herd.db") as db:
        before = content(db)
        written = {*TABLES, "methods", "reading_contents"} - {"reading_details"}
        assert set(before) == written, "nothing is left out of an export"
        assert all(before.values()), "every table has a row"
        export_herd(db, tmp_path / "out", as_json=as_json)
    counts = restored_herd(tmp_path / "again.db", tmp_path / "out")
    kept = {"reading_details": "reading_contents"}
    assert counts == {table: len(before[kept.get(table, table)]) for table in TABLES}
    with open_herd(tmp_path / "again.db") as db:
        assert content(db) == before


@settings(deadline=None)
@given(st.text(st.characters(exclude_categories=["Cs"])))
def test_every_cell_comes_back_and_none_acts(text: str) -> None:
    cell = guarded(text)
    assert unguarded(cell) == text
    assert not cell.startswith(ACTIVE)
    assert not cell.lstrip().startswith(ACTIVE)


def test_no_cell_of_an_export_acts(tmp_path: Path) -> None:
    with small_herd(tmp_path / "herd.db") as db:
        files = export_herd(db, tmp_path / "out")
    for path in files:
        with path.open(encoding="utf-8", newline="") as file:
            for row in csv.reader(file):
                figures = [cell for cell in row if cell.startswith("-") and cell[1:2].isdigit()]
                assert figures == [] or path.name in ("readings.csv", "reading_details.csv")
                assert [c for c in row if c.startswith(ACTIVE) and c not in figures] == []


def test_json_lines_are_strict_json_with_the_posterior_spelt_out(tmp_path: Path) -> None:
    with small_herd(tmp_path / "herd.db") as db:
        export_herd(db, tmp_path / "out", as_json=True)

    def no_constant(name: str) -> None:
        raise AssertionError(name)

    lines = (tmp_path / "out" / "herd.jsonl").read_text("ascii").splitlines()
    records = [json.loads(line, parse_constant=no_constant) for line in lines]
    assert records[0]["format"] == "herd record"
    reading = next(r["row"] for r in records[1:] if r["table"] == "reading_details")
    assert len(reading["posterior"]["hypotheses"][0]["rows"][0][0]) == 50


def test_the_registry_beside_it_can_be_read_with(tmp_path: Path) -> None:
    from legibility.identify.registry import load_registry

    with small_herd(tmp_path / "herd.db") as db:
        export_herd(db, tmp_path / "out")
    registry = load_registry(tmp_path / "out" / "registry.csv")
    animal = registry.animal(0)
    assert (animal.animal_id, animal.mark, animal.ear) == ("animal 0", "A00000", "left")
    assert (animal.birth_year, animal.chip) == (2015, "276000312312345")


def test_nothing_is_overwritten_and_nothing_mixed(tmp_path: Path) -> None:
    with small_herd(tmp_path / "herd.db") as db:
        export_herd(db, tmp_path / "out")
        with pytest.raises(StoreError, match="is there already"):
            export_herd(db, tmp_path / "out")
        with pytest.raises(StoreError, match="holds a herd already"):
            restore_herd(db, tmp_path / "out")
        with pytest.raises(StoreError, match="cannot be made"):
            export_herd(db, tmp_path / "gone" / "out")


def change(path: Path, old: str, new: str) -> None:
    data = path.read_bytes()
    assert old.encode() in data
    path.write_bytes(data.replace(old.encode(), new.encode(), 1))


@pytest.mark.parametrize(
    ("file", "old", "new", "reason"),
    [
        ("animals.csv", "2015", "20l5", "birth_year: found '20l5'"),
        ("animals.csv", "animal_id", "animal", "line 1: expected the columns"),
        ("marks.csv", "\r\n1,1,", "\r\n1,77,", "FOREIGN KEY|names a row"),
        ("marks.csv", "\r\n1,1,", "\r\n1,1,1,", "fields, not"),
        ("herd_info.csv", "created_at", "=created", "is no whole export|cannot"),
    ],
)
def test_a_changed_export_is_refused_and_leaves_no_file(
    file: str, old: str, new: str, reason: str, tmp_path: Path
) -> None:
    with small_herd(tmp_path / "herd.db") as db:
        export_herd(db, tmp_path / "out")
    if file == "herd_info.csv":
        (tmp_path / "out" / file).write_text("name,value\r\n")
    else:
        change(tmp_path / "out" / file, old, new)
    with pytest.raises(StoreError, match=reason):
        restored_herd(tmp_path / "again.db", tmp_path / "out")
    assert not (tmp_path / "again.db").exists()


def test_a_missing_file_and_a_strange_one(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    with create_herd(tmp_path / "a.db") as db, pytest.raises(StoreError, match="cannot be read"):
        restore_herd(db, tmp_path / "out")
    (tmp_path / "out" / "herd.jsonl").write_text("[]\n")
    with create_herd(tmp_path / "b.db") as db, pytest.raises(StoreError, match="no export"):
        restore_herd(db, tmp_path / "out")
