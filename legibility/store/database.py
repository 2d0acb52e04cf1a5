"""The herd's record as a file: making, opening, migrating, checking and backing it up.

One SQLite file in write-ahead mode: readers never wait for a writer, two processes may write at
once (each waits for the other), and what was committed survives the death of the process.
https://www.sqlite.org/wal.html
"""

from __future__ import annotations

import os
import sqlite3
import tempfile
import uuid
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, TypeAlias

from legibility.errors import StoreError
from legibility.store.fileproblems import bytes_in_log, explain, look_at_file, printable_path
from legibility.store.migrations import LATEST, MIGRATIONS
from legibility.store.packing import packed

APPLICATION_ID: Final = 0x4C474248
"""Choice: "LGBH" in the header of the file says whose it is (PRAGMA application_id)."""
BUSY_TIMEOUT_S: Final = 30.0
"""Choice: how long a writer waits for another one."""
PAGE_BYTES: Final = 16384
"""Measured: a reading's block of about 2 kB leaves a quarter of a page of 4096 bytes empty, and a
fortieth of one of 16384. Files made before keep the size they have."""

Value: TypeAlias = str | int | float | bytes | None
Parameters: TypeAlias = Sequence[Value]


def now_utc() -> str:
    """The time as the record keeps it: ``2024-05-01T12:00:00.123Z``."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


class HerdDatabase:
    """An open record. Reading needs nothing; writing needs :meth:`transaction`."""

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        self.path = path
        self._connection = connection

    def rows(self, sql: str, parameters: Parameters = ()) -> Iterator[tuple[Any, ...]]:
        """Rows of a query, one at a time.

        Raises
        ------
        StoreError
            If the file is damaged or locked.
        """
        with translated(self.path):
            yield from self._connection.execute(sql, parameters)

    def first(self, sql: str, parameters: Parameters = ()) -> tuple[Any, ...] | None:
        """First row of a query, or None."""
        with translated(self.path):
            found: tuple[Any, ...] | None = self._connection.execute(sql, parameters).fetchone()
            return found

    def count(self, table: str) -> int:
        """Rows of a table."""
        found = self.first(f'SELECT count(*) FROM "{table}"')
        return int(found[0]) if found else 0

    def write(self, sql: str, parameters: Parameters = ()) -> int:
        """Run one writing statement inside a transaction; gives how many rows it changed.

        Raises
        ------
        StoreError
            If no transaction is open, or the file cannot be written.
        """
        if not self._connection.in_transaction:
            raise StoreError("a change of the herd's record needs an open transaction")
        with translated(self.path):
            return self._connection.execute(sql, parameters).rowcount

    def insert(self, table: str, values: Mapping[str, Value]) -> bool:
        """Add a row inside a transaction; False when a row that must be the only one is there.

        Parameters
        ----------
        table : str
            Never from outside, as little as the names of the columns.
        values : mapping of str to value
            By column.
        """
        names, marks = ", ".join(values), ", ".join("?" * len(values))
        sql = f"INSERT INTO {table} ({names}) VALUES ({marks}) ON CONFLICT DO NOTHING"
        return self.write(sql, tuple(values.values())) > 0

    def update(self, table: str, values: Mapping[str, Value], *, key: str, value: Value) -> None:
        """Change columns of the row whose column ``key`` has a value, inside a transaction."""
        names = ", ".join(f"{name} = ?" for name in values)
        self.write(f"UPDATE {table} SET {names} WHERE {key} = ?", (*values.values(), value))

    def write_many(self, sql: str, parameters: Iterable[Parameters]) -> int:
        """Run one writing statement for many rows; gives how many rows it changed."""
        if not self._connection.in_transaction:
            raise StoreError("a change of the herd's record needs an open transaction")
        with translated(self.path):
            return self._connection.executemany(sql, parameters).rowcount

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """All or nothing: committed at the end, rolled back on any error.

        The lock for writing is taken at the start, so that what was read inside stays true.

        Raises
        ------
        StoreError
            If another program keeps the file locked for ``BUSY_TIMEOUT_S``, the file may not be
            written, or a transaction is open already.
        """
        if self._connection.in_transaction:
            raise StoreError("a transaction on the herd's record is open already")
        with translated(self.path):
            self._connection.execute("BEGIN IMMEDIATE")
        try:
            yield
            with translated(self.path):
                self._connection.execute("COMMIT")
        except BaseException:
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")
            raise

    @contextmanager
    def snapshot(self) -> Iterator[None]:
        """All that is read inside is of one moment, whatever others write meanwhile."""
        with translated(self.path):
            self._connection.execute("BEGIN")
        try:
            yield
        finally:
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")

    @property
    def version(self) -> int:
        """Number of the schema."""
        found = self.first("PRAGMA user_version")
        return int(found[0]) if found else 0

    def problems(self) -> tuple[str, ...]:
        """What SQLite's ``integrity_check`` and ``foreign_key_check`` find; empty when sound."""
        found = [str(row[0]) for row in self.rows("PRAGMA integrity_check") if row[0] != "ok"]
        for table, row, parent, _ in self.rows("PRAGMA foreign_key_check"):
            found.append(f"table {table}, row {row}: names a row of {parent} that is not there")
        return tuple(found)

    def backup(self, target: Path) -> None:
        """Copy the record as it is now, also while others write (SQLite online backup).

        Raises
        ------
        StoreError
            If the target exists or cannot be written; nothing is left half-written.
        """
        with _new_file(target) as temporary, translated(target):
            copy = sqlite3.connect(temporary, isolation_level=None)
            try:
                self._connection.backup(copy)
                copy.execute("PRAGMA journal_mode = DELETE")
            finally:
                copy.close()

    def close(self) -> None:
        """Close the file; SQLite then folds the write-ahead log into it."""
        self._connection.close()

    def __enter__(self) -> HerdDatabase:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def create_herd(
    path: Path,
    *,
    fill: Callable[[HerdDatabase], None] = lambda _: None,
    busy_timeout_s: float = BUSY_TIMEOUT_S,
) -> HerdDatabase:
    """Make a record; the file appears whole or not at all.

    Parameters
    ----------
    fill : callable
        Puts the first rows into it; without it the record is empty.

    Raises
    ------
    StoreError
        If the file exists already or cannot be written.
    """
    with _new_file(path) as temporary, translated(path):
        connection = sqlite3.connect(temporary, isolation_level=None)
        try:
            connection.execute(f"PRAGMA page_size = {PAGE_BYTES}")
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            migrate(connection)
            connection.executemany(
                "INSERT INTO herd_info (name, value) VALUES (?, ?)",
                [("created_at", now_utc()), ("herd_uuid", str(uuid.uuid4()))],
            )
            fill(HerdDatabase(path, connection))
        finally:
            connection.close()
    return open_herd(path, busy_timeout_s=busy_timeout_s)


def open_herd(
    path: Path, *, read_only: bool = False, busy_timeout_s: float = BUSY_TIMEOUT_S
) -> HerdDatabase:
    """Open a record; one of an older version is brought up to date first.

    Parameters
    ----------
    read_only : bool
        Never write, not even to migrate; works on a medium that cannot be written.
    busy_timeout_s : float
        How long to wait for another program that writes.

    Raises
    ------
    StoreError
        If there is no such file, it is not a herd's record, it is cut short or damaged, it was
        written by a newer version of this program, it is locked, or it may not be written.
    """
    look_at_file(path, application_id=APPLICATION_ID, latest=LATEST)
    with translated(path):
        connection = _connect(path, read_only=read_only, timeout_s=busy_timeout_s)
        try:
            connection.execute("PRAGMA foreign_keys = ON")
            version = int(connection.execute("PRAGMA user_version").fetchone()[0])
            if version < LATEST and read_only:
                raise StoreError(
                    f"{printable_path(path)}: has schema {version}, this program works with "
                    f"{LATEST}; `legibility herd check` brings it up to date, or a copy of it "
                    "where the file may not be written"
                )
            if not read_only:
                connection.execute("PRAGMA journal_mode = WAL")
                connection.execute("PRAGMA synchronous = FULL")
                migrate(connection)
        except BaseException:
            connection.close()
            raise
    return HerdDatabase(path, connection)


def migrate(connection: sqlite3.Connection, *, to: int = LATEST) -> None:
    """Bring the schema up to date, each step in one transaction."""
    connection.create_function("packed_reading", 2, packed, deterministic=True)
    version = int(connection.execute("PRAGMA user_version").fetchone()[0])
    for number in range(version + 1, to + 1):
        connection.execute("BEGIN IMMEDIATE")
        try:
            # Another process may have been faster.
            if int(connection.execute("PRAGMA user_version").fetchone()[0]) < number:
                for statement in MIGRATIONS[number]:
                    connection.execute(statement)
                connection.execute(f"PRAGMA user_version = {number}")
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise


@contextmanager
def translated(path: Path) -> Iterator[None]:
    """SQLite's errors as errors of this package, in words that say what to do."""
    try:
        yield
    except sqlite3.Error as error:
        raise StoreError(explain(path, error)) from error


def _connect(path: Path, *, read_only: bool, timeout_s: float) -> sqlite3.Connection:
    address = path.absolute().as_uri()
    if not read_only:
        return sqlite3.connect(
            f"{address}?mode=rw", uri=True, timeout=timeout_s, isolation_level=None
        )
    # Without a log to be read, a medium that cannot be written needs no shared memory either.
    settled = bytes_in_log(path) == 0
    still = "&immutable=1" if settled and not os.access(path.absolute().parent, os.W_OK) else ""
    return sqlite3.connect(
        f"{address}?mode=ro{still}", uri=True, timeout=timeout_s, isolation_level=None
    )


@contextmanager
def _new_file(path: Path) -> Iterator[str]:
    """Temporary name beside ``path`` that becomes it at the end, unless it is there by then."""
    name = printable_path(path)
    try:
        handle, temporary = tempfile.mkstemp(dir=path.absolute().parent, prefix=".tmp-herd-")
    except OSError as error:
        raise StoreError(
            f"{name}: cannot be made: {error.strerror or error}; choose another folder"
        ) from error
    os.close(handle)
    try:
        if os.path.lexists(path):
            raise StoreError(f"{name}: is there already; nothing was changed")
        yield temporary
        os.chmod(temporary, 0o666 & ~_umask())
        try:
            # Unlike a renaming, a link never replaces a file that appeared meanwhile.
            os.link(temporary, path)
        except FileExistsError as error:
            raise StoreError(f"{name}: is there already; nothing was changed") from error
        except OSError:
            os.rename(temporary, path)
    finally:
        for suffix in ("", "-journal", "-wal", "-shm"):
            Path(temporary + suffix).unlink(missing_ok=True)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
