"""What can be wrong with a record's file, in words that say what to do."""

from __future__ import annotations

import os
import sqlite3
from pathlib import Path
from typing import Final

from legibility.errors import StoreError

MAGIC: Final = b"SQLite format 3\x00"
"""First 16 bytes of every SQLite file. https://www.sqlite.org/fileformat.html, section 1.3"""
_HEADER_BYTES: Final = 100


def printable_path(path: Path) -> str:
    """A path that any terminal can print."""
    text = str(path).encode("utf-8", "backslashreplace").decode("utf-8")
    return "".join(c if c.isprintable() else ascii(c)[1:-1] for c in text)


def look_at_file(path: Path, *, application_id: int, latest: int) -> None:
    """Refuse what is no herd's record before SQLite touches it.

    Offsets of the header (file format, section 1.3): page size at 16, size in pages at 28,
    user_version at 60, application_id at 68.

    Raises
    ------
    StoreError
        If the file is missing, cannot be read, is of another program, is cut short, or was written
        by a newer version of this one.
    """
    name = printable_path(path)
    try:
        with path.open("rb") as file:
            header = file.read(_HEADER_BYTES)
            log_bytes = bytes_in_log(path)
            # Last: another program may move pages from the log into the file meanwhile.
            size = os.fstat(file.fileno()).st_size
    except FileNotFoundError as error:
        raise StoreError(
            f"{name}: there is no such file; make a record with: legibility herd new {name}"
        ) from error
    except OSError as error:
        raise StoreError(f"{name}: cannot be read: {error.strerror or error}") from error
    if header[: len(MAGIC)] != MAGIC[: len(header)] or not header:
        raise StoreError(
            f"{name}: is no herd's record (found {header[:8]!r}, expected an SQLite file); give "
            "the file that `legibility herd new` made"
        )
    if len(header) < _HEADER_BYTES:
        raise StoreError(_cut_short(name, size, _HEADER_BYTES))

    def number(offset: int) -> int:
        return int.from_bytes(header[offset : offset + 4], "big")

    if number(68) != application_id:
        raise StoreError(
            f"{name}: is an SQLite file of another program (application id 0x{number(68):08X}, "
            f"expected 0x{application_id:08X}); nothing was changed"
        )
    if number(60) > latest:
        raise StoreError(
            f"{name}: was written by a newer version of this program (schema {number(60)}; this "
            f"one knows up to {latest}); install the newer version"
        )
    page_bytes = int.from_bytes(header[16:18], "big")
    page_bytes = 65536 if page_bytes == 1 else page_bytes
    # With a log beside it, the missing pages may still lie there.
    if size < number(28) * page_bytes and log_bytes == 0:
        raise StoreError(_cut_short(name, size, number(28) * page_bytes))


def bytes_in_log(path: Path) -> int:
    """Size of the write-ahead log beside a record; 0 without one.

    Asked for once: the last program that closes the record takes the log away.
    """
    try:
        return Path(f"{path}-wal").stat().st_size
    except FileNotFoundError:
        return 0


def explain(path: Path, error: sqlite3.Error) -> str:
    """One line for an error of SQLite."""
    name = printable_path(path)
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    detail = str(error)
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return (
            f"{name}: another program is writing to it and did not finish in time; nothing was "
            "changed: close the other program and try again"
        )
    if code in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM):
        return (
            f"{name}: may only be read ({detail}); nothing was changed: check the permissions of "
            "the file and of its folder"
        )
    if code == sqlite3.SQLITE_CANTOPEN:
        return (
            f"{name}: cannot be opened ({detail}); the file and its folder must be readable, and "
            "writable for everything but export and backup"
        )
    if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
        return (
            f"{name}: is damaged ({detail}); keep the file as it is, and go on with the last backup"
        )
    if code in (sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR):
        return f"{name}: cannot be written ({detail}); nothing was changed: make room on the disk"
    return f"{name}: {detail}; nothing was changed"


def _cut_short(name: str, size: int, wanted: int) -> str:
    return (
        f"{name}: is cut short: {size} bytes, its header says {wanted}; keep the file as it is, "
        "and go on with the last backup"
    )
