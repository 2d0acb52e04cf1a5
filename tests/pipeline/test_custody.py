"""Entries and photos of a record: whatever is changed, dropped, moved or doubled is found.

Outside check: the chain is computed again by the program ``sha256sum`` (GNU coreutils).
"""

from __future__ import annotations

import json
import sqlite3
import subprocess
from dataclasses import fields, replace
from pathlib import Path

import pytest

from legibility.errors import StoreError
from legibility.evidence.custody import Anchor
from legibility.pipeline.custody import (
    anchor_problem,
    chain_head,
    entries_naming,
    record_work,
    verify_herd,
)
from legibility.store.database import create_herd, open_herd
from legibility.store.events import all_events, chain_problem
from legibility.store.importing import import_photo
from legibility.store.photo_folder import digest_of, folder_of, keep_copy
from legibility.store.records import EventRow, PhotoRow


@pytest.fixture
def herd(tmp_path: Path) -> Path:
    """Three photos taken in, the first with a copy, and one comparison."""
    path = tmp_path / "herd.db"
    with create_herd(path) as db:
        for number in range(3):
            photo = tmp_path / f"{number}.jpg"
            photo.write_bytes(f"photo {number}".encode() * 20)
            digest = digest_of(photo)
            stored = keep_copy(folder_of(path), photo, sha256=digest) if number == 0 else ""
            row = PhotoRow(digest, str(photo), stored=stored)
            import_photo(db, row, result=None, who="Ada")
    record_work(path, what="compare", who="Bo", inputs={"claims": ["A1", "<b>"]}, outputs={"n": 1})
    return path


def entries(herd: Path) -> list[EventRow]:
    with open_herd(herd, read_only=True) as db:
        return list(all_events(db))


def tampered(herd: Path, *statements: str) -> None:
    """What somebody with the file and SQLite can do, guards put back afterwards."""
    connection = sqlite3.connect(herd)
    for guard in ("changed", "deleted"):
        connection.execute(f"DROP TRIGGER events_are_never_{guard}")
    for statement in statements:
        connection.execute(statement)
    for guard, verb in (("changed", "UPDATE"), ("deleted", "DELETE")):
        connection.execute(
            f"CREATE TRIGGER events_are_never_{guard} BEFORE {verb} ON events BEGIN SELECT 1; END"
        )
    connection.commit()
    connection.close()


def test_an_untouched_record_and_its_continuation(herd: Path) -> None:
    with open_herd(herd, read_only=True) as db:
        head = chain_head(db)
    found = verify_herd(herd, anchor=head)
    assert found.problems == ()
    assert (found.entries, found.photos, found.anchored, found.head) == (4, 3, 4, head)
    assert "no head noted elsewhere" in verify_herd(herd).notices[0]
    record_work(herd, what="dossier", who="Cy", inputs={}, outputs={})
    later = verify_herd(herd, anchor=head)
    assert (later.problems, later.entries, later.anchored) == ((), 5, 4)


def test_the_chain_by_another_program(herd: Path) -> None:
    previous = "0" * 64
    for event in entries(herd):
        values = {f.name: getattr(event, f.name) for f in fields(event) if f.name != "hash"}
        text = json.dumps(values, sort_keys=True, separators=(",", ":"))
        done = subprocess.run(["sha256sum"], input=text.encode(), capture_output=True, check=True)
        assert done.stdout.decode().split()[0] == event.hash
        assert event.previous_hash == previous
        previous = event.hash


def test_every_flipped_byte_of_every_field_is_found(herd: Path) -> None:
    chain = entries(herd)
    tried = 0
    for number, event in enumerate(chain):
        for field in ("at", "who", "what", "inputs", "outputs", "previous_hash", "hash"):
            text = getattr(event, field)
            for at in range(len(text)):
                flipped = text[:at] + chr(ord(text[at]) ^ 1) + text[at + 1 :]
                forged = [*chain]
                forged[number] = replace(event, **{field: flipped})
                assert f"entry {number + 1} " in chain_problem(forged), (number, field, at)
                tried += 1
    assert tried > 1000


def test_flipped_bytes_of_the_file_are_found(herd: Path, tmp_path: Path) -> None:
    """Single bytes of an entry's texts as they lie in the file."""
    with open_herd(herd) as db:
        db.backup(tmp_path / "whole.db")
    data = (tmp_path / "whole.db").read_bytes()
    last = entries(herd)[-1]
    copy = tmp_path / "flipped.db"
    for text in (last.who + last.what + last.inputs, last.outputs, last.hash, last.previous_hash):
        start = data.rindex(text.encode())
        for at in range(start, start + len(text), max(1, len(text) // 4)):
            copy.write_bytes(data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :])
            try:
                problems = verify_herd(copy).problems
            except StoreError:
                continue
            assert problems, at


SWAP = tuple(
    f"UPDATE events SET seq = {new} WHERE seq = {old}" for old, new in ((2, 99), (3, 2), (99, 3))
)
DOUBLE = (
    "INSERT INTO events SELECT 5, at, who, what, inputs, outputs, previous_hash, "
    "CASE substr(hash, 1, 1) WHEN 'f' THEN 'e' ELSE 'f' END || substr(hash, 2) "
    "FROM events WHERE seq = 4",
)


@pytest.mark.parametrize(
    ("statements", "said"),
    [
        (("UPDATE events SET who = 'Cy' WHERE seq = 2",), "entry 2 was changed"),
        (("UPDATE events SET at = at || ' ' WHERE seq = 4",), "entry 4 was changed"),
        (("DELETE FROM events WHERE seq = 1",), "entry 1 is missing"),
        (("DELETE FROM events WHERE seq = 3",), "entry 3 is missing"),
        (SWAP, "entry 2 does not follow"),
        (DOUBLE, "entry 5 does not follow"),
    ],
)
def test_forged_entries(herd: Path, statements: tuple[str, ...], said: str) -> None:
    tampered(herd, *statements)
    assert said in verify_herd(herd).problems[0]


def test_what_only_a_noted_head_shows(herd: Path) -> None:
    with open_herd(herd, read_only=True) as db:
        head = chain_head(db)
    tampered(herd, "DELETE FROM events WHERE seq = 4")
    assert verify_herd(herd).problems == ()
    assert "entries from 4 on were dropped" in verify_herd(herd, anchor=head).problems[0]
    chain = entries(herd)
    assert "has not the noted hash" in anchor_problem(chain, Anchor(3, "0" * 64))
    assert "another record" in anchor_problem(chain, Anchor(0, "0" * 64, herd="x"), herd="y")


def test_guards_that_were_removed(herd: Path) -> None:
    connection = sqlite3.connect(herd)
    connection.execute("DROP TRIGGER events_are_never_changed")
    connection.commit()
    connection.close()
    assert "events_are_never_changed" in verify_herd(herd).problems[0]


def test_photos_that_are_not_what_they_were(herd: Path, tmp_path: Path) -> None:
    data = (tmp_path / "1.jpg").read_bytes()
    for at in range(0, len(data), 7):
        (tmp_path / "1.jpg").write_bytes(data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :])
        (problem,) = verify_herd(herd).problems
        assert "1.jpg" in problem
        assert "changed since intake" in problem
    (tmp_path / "1.jpg").write_bytes(data)
    (tmp_path / "2.jpg").rename(tmp_path / "away.jpg")
    assert "2.jpg" in verify_herd(herd).problems[0]
    (tmp_path / "away.jpg").rename(tmp_path / "2.jpg")
    (tmp_path / "0.jpg").unlink()
    gone = verify_herd(herd)
    assert gone.problems == ()
    assert "only the copy" in gone.notices[0]
    (tmp_path / "0.jpg").write_bytes(b"other")
    assert "the copy was not" in verify_herd(herd).problems[0]


def test_entries_of_a_photo(herd: Path, tmp_path: Path) -> None:
    digest = digest_of(tmp_path / "1.jpg")
    with open_herd(herd, read_only=True) as db:
        (entry,) = entries_naming(db, [digest])
    assert (entry.seq, entry.who, entry.what) == (2, "Ada", "import photo")
