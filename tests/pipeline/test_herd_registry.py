"""Registry files on their way into the record, and the record as a registry."""

from __future__ import annotations

from pathlib import Path

import pytest

from legibility.errors import RegistryError
from legibility.pipeline.herd_registry import read_registry_file, registry_from
from legibility.store.database import create_herd
from legibility.store.importing import import_registry

# Examples of an ICAR list of animal identifiers (Germany, United States).
NUMBERS = ("276000312312345", "840003123456789")


def file_of(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "registry.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_all_columns_of_the_record(tmp_path: Path) -> None:
    path = file_of(
        tmp_path,
        "animal_id;mark;ear;birth_date;skin;applied_on;die_set;ink;operator;note;chip;colour\n"
        f'g1;ab12;l;2020-04-01;dark;02.05.2020;small;black;Ada;"two\nlines";{NUMBERS[0]};red\n',
    )
    found = read_registry_file(path, who="Bo")
    (row,) = found.rows
    assert (row.animal.birth_date, row.animal.birth_year) == ("2020-04-01", 2020)
    assert (row.animal.skin, row.animal.note) == ("dark", "two\nlines")
    assert (row.mark.text, row.mark.ear, row.mark.applied_on) == ("AB12", "left", "2020-05-02")
    assert (row.mark.die_set, row.mark.ink, row.mark.operator) == ("small", "black", "Ada")
    assert row.chip == NUMBERS[0]
    assert found.notices == ("columns not used: colour",)
    assert found.source.who == "Bo"


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("g1,A1,2021,2020-05-01,", "line 3: applied_on is 2020-05-01, before the birth"),
        ("g1,A1,2020,2020-13-01,", "line 3: applied_on is '2020-13-01': there is no such day"),
        ("g1,A1,2020,2020,", "line 3: applied_on is '2020'; expected a day"),
        ("g1,A1,2020,,9.85E+14", "line 3: chip: 9.85E.14: a spreadsheet"),
        ("g1,A1,2020,,840999999999999", "line 3: chip: national number"),
    ],
)
def test_rows_that_break_a_rule_are_named_with_their_line(
    line: str, reason: str, tmp_path: Path
) -> None:
    head = "animal_id,mark,birth_year,applied_on,chip\ng0,A0,2020,2020-05-01,\n"
    with pytest.raises(RegistryError, match=f"1 problem; nothing was imported\n  {reason}"):
        read_registry_file(file_of(tmp_path, head + line + "\n"))


def test_a_bad_registry_is_refused_as_elsewhere(tmp_path: Path) -> None:
    with pytest.raises(RegistryError, match="line 2: mark 'A!'"):
        read_registry_file(file_of(tmp_path, "animal_id,mark\ng1,A!\n"))


def test_test_numbers_are_no_identity_unless_asked_for(tmp_path: Path) -> None:
    rows = "".join(f"g{i},A{i},99900000000000{i}\n" for i in range(1, 9))
    path = file_of(tmp_path, "animal_id,mark,chip\n" + rows)
    found = read_registry_file(path)
    assert [row.chip for row in found.rows] == [""] * 8
    assert "line 2: g1: 999000000000001 is a test number" in found.notices[0]
    assert found.notices[-1] == "3 more transponder numbers not used"
    assert read_registry_file(path, allow_test=True).rows[7].chip == "999000000000008"


def test_a_transponder_of_two_animals_is_named(tmp_path: Path) -> None:
    rows = f"g1,A1,{NUMBERS[0]}\ng2,A2,{NUMBERS[1]}\ng3,A3,{NUMBERS[0]}\n"
    found = read_registry_file(file_of(tmp_path, "animal_id,mark,chip\n" + rows))
    assert found.notices == (f"transponder {NUMBERS[0]} is written for 2 animals: g1, g3",)
    rows = "".join(f"g{n},A{n},9850000000000{n // 2:02d}\n" for n in range(2, 18))
    found = read_registry_file(file_of(tmp_path, "animal_id,mark,chip\n" + rows))
    assert found.notices[-1] == "3 more transponders are written for several animals"


def test_the_record_as_a_registry(tmp_path: Path) -> None:
    path = file_of(tmp_path, f"animal_id,mark,chip\ng1,A1,{NUMBERS[0]}\ng2,B/12,\n")
    found = read_registry_file(path)
    with create_herd(tmp_path / "herd.db") as db:
        with pytest.raises(RegistryError, match="holds no marks"):
            registry_from(db)
        import_registry(db, found.rows, source=found.source)
        registry = registry_from(db)
    assert [(a.animal_id, a.mark, a.chip) for a in registry] == [
        ("g1", "A1", NUMBERS[0]),
        ("g2", "B/12", ""),
    ]
