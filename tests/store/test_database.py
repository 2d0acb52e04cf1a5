"""Files that are foreign, damaged, locked, too new or not writable; transactions; backup."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from legibility.errors import StoreError
from legibility.store.animals import put_animal
from legibility.store.database import PAGE_BYTES, HerdDatabase, create_herd, open_herd
from legibility.store.migrations import LATEST
from legibility.store.records import AnimalRow
from tests.store.herds import content, small_herd


@pytest.fixture(scope="module")
def herd_bytes(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    path = tmp_path_factory.mktemp("herd") / "herd.db"
    small_herd(path).close()
    return path.read_bytes()


@pytest.fixture
def herd(herd_bytes: bytes, tmp_path: Path) -> Path:
    path = tmp_path / "herd.db"
    path.write_bytes(herd_bytes)
    return path


def test_a_new_record_is_sound_and_in_write_ahead_mode(tmp_path: Path) -> None:
    with create_herd(tmp_path / "herd.db") as db:
        assert db.first("PRAGMA journal_mode") == ("wal",)
        assert db.first("PRAGMA foreign_keys") == (1,)
        assert db.first("PRAGMA synchronous") == (2,)
        assert db.problems() == ()
    assert [p.name for p in tmp_path.iterdir()] == ["herd.db"]


def test_no_file_is_overwritten(herd: Path) -> None:
    before = herd.read_bytes()
    with pytest.raises(StoreError, match="is there already"):
        create_herd(herd)
    with open_herd(herd) as db, pytest.raises(StoreError, match="is there already"):
        db.backup(herd)
    assert herd.read_bytes() == before


def test_what_fails_while_a_record_is_made_leaves_no_file(tmp_path: Path) -> None:
    def fill(db: HerdDatabase) -> None:
        raise StoreError("no")

    with pytest.raises(StoreError, match="no"):
        create_herd(tmp_path / "herd.db", fill=fill)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (b"", "no herd's record"),
        (b"animal_id,mark\n", "no herd's record"),
        (b"SQLite format 3\x00" + b"\x10\x00" * 10, "cut short"),
    ],
)
def test_foreign_files(data: bytes, reason: str, tmp_path: Path) -> None:
    path = tmp_path / "herd.db"
    path.write_bytes(data)
    with pytest.raises(StoreError, match=reason):
        open_herd(path)
    assert path.read_bytes() == data


def test_a_database_of_another_program(tmp_path: Path) -> None:
    path = tmp_path / "other.db"
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE t (a)")
    connection.close()
    with pytest.raises(StoreError, match="another program"):
        open_herd(path)


def test_a_missing_file_says_how_to_make_one(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="legibility herd new"):
        open_herd(tmp_path / "gone.db")


def test_a_folder(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="cannot be read"):
        open_herd(tmp_path)


def test_a_newer_schema(herd: Path) -> None:
    connection = sqlite3.connect(herd)
    connection.execute(f"PRAGMA user_version = {LATEST + 7}")
    connection.close()
    with pytest.raises(StoreError, match=f"newer version.*schema {LATEST + 7}"):
        open_herd(herd)


@pytest.mark.parametrize("kept", [0.99, 0.5, 0.05])
def test_a_file_that_was_cut_short(herd: Path, kept: float) -> None:
    os.truncate(herd, int(herd.stat().st_size * kept))
    with pytest.raises(StoreError, match="cut short"):
        open_herd(herd)


def test_a_damaged_page_is_found(herd: Path) -> None:
    with open_herd(herd) as db:
        found = db.first("SELECT rootpage FROM sqlite_master WHERE name = 'photos_animal'")
        assert found
    data = bytearray(herd.read_bytes())
    page = data[PAGE_BYTES * (found[0] - 1) : PAGE_BYTES * found[0]]
    # The content of a page lies at its end (file format, section 1.6).
    page[-16:] = bytes(16)
    data[PAGE_BYTES * (found[0] - 1) : PAGE_BYTES * found[0]] = page
    herd.write_bytes(data)
    with open_herd(herd) as db:
        assert any("photos_animal" in problem for problem in db.problems())


def test_a_file_whose_first_page_is_damaged(herd: Path) -> None:
    data = bytearray(herd.read_bytes())
    data[100:4096] = b"\xff" * 3996
    herd.write_bytes(data)
    with pytest.raises(StoreError, match="is damaged"):
        open_herd(herd)


def test_a_locked_file_is_waited_for_and_then_named(herd: Path) -> None:
    other = sqlite3.connect(herd, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with open_herd(herd, busy_timeout_s=0.1) as db:
        assert db.count("animals") > 0  # readers never wait
        with pytest.raises(StoreError, match="another program is writing"), db.transaction():
            pass
        other.execute("ROLLBACK")
        with db.transaction():
            put_animal(db, AnimalRow("later"))
    other.close()


def test_a_record_that_may_only_be_read_can_be_read_and_not_written(herd_bytes: bytes) -> None:
    """As a user who owns neither file nor folder: root may write everything."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "herd.db"
        path.write_bytes(herd_bytes)
        os.chmod(path, 0o444)
        os.chmod(folder, 0o555)
        code = (
            "import os, sqlite3, tempfile\n"
            "from pathlib import Path\n"
            "from legibility.errors import StoreError\n"
            "from legibility.store.database import open_herd\n"
            "if os.geteuid() == 0:\n"
            "    os.setgroups([]); os.setgid(65534); os.setuid(65534)\n"
            f"path = Path({str(path)!r})\n"
            "with open_herd(path, read_only=True) as db:\n"
            "    print(db.count('animals'))\n"
            "try:\n"
            "    with open_herd(path) as db, db.transaction():\n"
            "        db.write('DELETE FROM decisions')\n"
            "except StoreError as error:\n"
            "    print(error)\n"
        )
        done = subprocess.run(
            [sys.executable, "-c", code],
            capture_output=True,
            text=True,
            timeout=300,
            check=False,
            cwd=Path(__file__).parents[2],
        )
        os.chmod(folder, 0o755)
    assert done.returncode == 0, done.stderr
    count, error = done.stdout.splitlines()
    assert count == "13"
    assert "may only be read" in error or "cannot be opened" in error


def half_of_it(db: HerdDatabase) -> None:
    with db.transaction():
        put_animal(db, AnimalRow("half"))
        db.write("INSERT INTO marks (animal, text) VALUES (999, 'A1')")


def test_a_transaction_is_all_or_nothing(herd: Path) -> None:
    with open_herd(herd) as db:
        before = content(db)
        with pytest.raises(StoreError, match="FOREIGN KEY"):
            half_of_it(db)
        assert content(db) == before


def test_writing_needs_a_transaction_and_only_one(herd: Path) -> None:
    with open_herd(herd) as db:
        with pytest.raises(StoreError, match="needs an open transaction"):
            put_animal(db, AnimalRow("x"))
        with pytest.raises(StoreError, match="needs an open transaction"):
            db.write_many("DELETE FROM decisions", [()])
        with (
            db.transaction(),
            pytest.raises(StoreError, match="is open already"),
            db.transaction(),
        ):
            pass


def test_a_backup_made_while_another_program_writes_is_whole(herd: Path, tmp_path: Path) -> None:
    with open_herd(herd) as db, open_herd(herd) as other:
        with db.transaction():
            put_animal(db, AnimalRow("not yet committed"))
            other.backup(tmp_path / "copy.db")
        before = content(other)
    with open_herd(tmp_path / "copy.db") as copy:
        assert copy.problems() == ()
        assert copy.count("animals") == 13
        assert before["animals"][:13] == content(copy)["animals"]


def test_a_snapshot_does_not_see_what_is_written_meanwhile(herd: Path) -> None:
    with open_herd(herd) as db, open_herd(herd) as other:
        with db.snapshot():
            assert db.count("animals") == 13
            with other.transaction():
                put_animal(other, AnimalRow("later"))
            assert db.count("animals") == 13
        assert db.count("animals") == 14


@pytest.mark.parametrize("read_only", [False, True])
def test_the_log_may_go_between_two_looks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, read_only: bool
) -> None:
    """The last program that closes a record takes the log away, while another one opens it."""
    create_herd(tmp_path / "herd.db").close()
    monkeypatch.setattr(Path, "exists", lambda self, **_: True)
    open_herd(tmp_path / "herd.db", read_only=read_only).close()
