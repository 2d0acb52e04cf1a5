"""Every older version is brought up to date, whole or not at all."""

from __future__ import annotations

import hashlib
import sqlite3
from pathlib import Path

import pytest

from legibility.errors import StoreError
from legibility.store import database
from legibility.store.database import APPLICATION_ID, migrate, open_herd
from legibility.store.migrations import LATEST, MIGRATIONS
from legibility.store.packing import unpacked

RELEASED = {
    1: "4da835",
    2: "2565d2",
    3: "7de9ff",
    4: "16d76c",
    5: "d9591e",
    6: "2be364",
    7: "5dd044",
}
"""Begin of the SHA-256 of each migration's statements: a released one is never edited."""


def older_file(path: Path, version: int) -> None:
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    migrate(connection, to=version)
    connection.execute("INSERT INTO animals (animal_id, birth_year) VALUES ('goat 7', 2019)")
    connection.execute("INSERT INTO marks (animal, text) VALUES (1, 'AB12')")
    if version < 3:
        _a_reading_of_version_1(connection)
    connection.close()


DETAIL, POSTERIOR = '{"candidate_set": ["goat 7", null]}', bytes(range(256)) * 5 + b"odd"


def _a_reading_of_version_1(connection: sqlite3.Connection) -> None:
    for number in (1, 2):
        connection.execute(
            "INSERT INTO photos (sha256, path, animal) VALUES (?, ?, 1)", (f"{number:064d}", "a")
        )
        connection.execute(
            "INSERT INTO readings (photo, read_at, status, decision, grade, version, model_sha256, "
            "settings_sha256, registry_sha256) VALUES (?, '2024', 'read', 'identified', 2.5, '1', "
            "'m', 's', 'r')",
            (number,),
        )
        connection.execute(
            "INSERT INTO reading_details VALUES (?, ?, ?)", (number, DETAIL, POSTERIOR)
        )


def schema(path: Path) -> list[tuple[str, ...]]:
    connection = sqlite3.connect(path)
    rows = connection.execute("SELECT type, name, sql FROM sqlite_master ORDER BY 1, 2").fetchall()
    connection.close()
    return rows


@pytest.mark.parametrize("version", range(1, LATEST + 1))
def test_a_file_of_every_version_becomes_the_newest(version: int, tmp_path: Path) -> None:
    older_file(tmp_path / "old.db", version)
    older_file(tmp_path / "new.db", LATEST)
    with open_herd(tmp_path / "old.db") as db:
        assert db.version == LATEST
        assert db.first("SELECT animal_id, birth_year FROM animals") == ("goat 7", 2019)
        assert db.first("SELECT text, written FROM marks") == ("AB12", "")
        assert db.problems() == ()
        assert list(db.rows("SELECT animal FROM touched")) == [(1,)]
        seq = db.first("SELECT seq FROM touched")
        with db.transaction():
            db.write("UPDATE marks SET retired_on = '2024-05-01'")
            db.write("INSERT INTO marks (animal, text, applied_on) VALUES (1, 'AB12', '2024')")
        later = db.first("SELECT seq FROM touched")
        assert seq is not None
        assert later is not None
        assert later[0] > seq[0]
        if version < 3:
            assert list(db.rows("SELECT id, photo, method, grade FROM readings")) == [
                (1, 1, 1, 2.5),
                (2, 2, 1, 2.5),
            ]
            assert list(db.rows("SELECT * FROM methods")) == [(1, "1", "m", "s", "", "r")]
            blocks = [row[0] for row in db.rows("SELECT content FROM reading_contents")]
            assert [unpacked(block) for block in blocks] == [(DETAIL, POSTERIOR)] * 2
    assert schema(tmp_path / "old.db") == schema(tmp_path / "new.db")


def test_numbers_have_no_gap() -> None:
    assert list(MIGRATIONS) == list(range(1, LATEST + 1))


@pytest.mark.parametrize("number", sorted(RELEASED))
def test_released_migrations_are_what_they_were(number: int) -> None:
    text = "\n".join(MIGRATIONS[number])
    assert hashlib.sha256(text.encode()).hexdigest().startswith(RELEASED[number])


def test_a_step_that_fails_leaves_the_version_before(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "herd.db"
    older_file(path, LATEST)
    before = schema(path)
    broken = {**MIGRATIONS, LATEST + 1: ("CREATE TABLE extra (a) STRICT", "NO SQL AT ALL")}
    monkeypatch.setattr(database, "MIGRATIONS", broken)
    connection = sqlite3.connect(path, isolation_level=None)
    with pytest.raises(sqlite3.OperationalError):
        migrate(connection, to=LATEST + 1)
    assert connection.execute("PRAGMA user_version").fetchone() == (LATEST,)
    connection.close()
    assert schema(path) == before


def test_a_read_only_file_of_an_older_version_is_refused(tmp_path: Path) -> None:
    older_file(tmp_path / "old.db", 1)
    with pytest.raises(StoreError, match="has schema 1"):
        open_herd(tmp_path / "old.db", read_only=True)
