"""Programs that are really ended amid their work: nothing outlives them, nothing is half-written.

How a program ends by a signal, and what ends with it: ``signal(7)``, ``prctl(2)``; the processes
are counted by psutil, the record is judged by SQLite itself.
"""

from __future__ import annotations

import json
import signal
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.ended import KINDS, OUTLIVE_S, Running

pytestmark = pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="the system has no signals")

STATUS = {
    signal.SIGTERM: -signal.SIGTERM,
    signal.SIGHUP: -signal.SIGHUP,
    signal.SIGINT: 130,
    signal.SIGKILL: -signal.SIGKILL,
}
ENDS = [
    ("read", signal.SIGTERM),
    ("read", signal.SIGHUP),
    ("read", signal.SIGINT),
    ("read", signal.SIGKILL),
    ("import-photos", signal.SIGTERM),
    ("import-photos", signal.SIGKILL),
    ("risk", signal.SIGTERM),
    ("risk", signal.SIGKILL),
    ("evaluate", signal.SIGINT),
    ("evaluate", signal.SIGKILL),
]
"""The shorter half; tests marked long end every kind of work by every signal."""


@pytest.fixture
def started(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Running]:
    running = Running.start(KINDS[request.param](tmp_path), tmp_path / "temporary")
    try:
        running.wait_for_workers()
        yield running
    finally:
        running.kill()


def check(running: Running, how: signal.Signals) -> None:
    """End a program; nothing of it lives, its files are whole or absent."""
    status = running.end(how)
    left = running.left()
    assert left == [], f"{OUTLIVE_S} s after the end"
    is_study = running.work.arguments[0] != "legibility"
    assert status == (-how if is_study else STATUS[how])
    if how is not signal.SIGKILL:
        assert list(running.temporary.iterdir()) == []
    files = [path for path in running.work.files.rglob("*") if path.is_file()]
    for path in files:
        if path.suffix == ".part":
            _check_lines(path, killed=how is signal.SIGKILL)
        elif path.suffix == ".db":
            _check_record(path)
        elif path.parent == running.work.files:
            # Outputs get their names when they are whole, which none was yet.
            assert path.suffix not in {".jsonl", ".csv", ".json"}, path
    if how is not signal.SIGKILL:
        assert list(running.work.files.rglob(".tmp-*")) == []


def _check_lines(path: Path, *, killed: bool) -> None:
    text = path.read_text()
    lines = text.splitlines(keepends=True)
    whole = [line for line in lines if line.endswith("\n")]
    # Of a process that is killed within a write the system may keep a part: --resume drops it.
    assert len(lines) - len(whole) <= int(killed)
    assert all(isinstance(json.loads(line), dict) for line in whole)


def _check_record(path: Path) -> None:
    db = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    try:
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        photos, readings = (
            db.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
            for table in ("photos", "readings")
        )
        assert photos == readings >= 2
    finally:
        db.close()


@pytest.mark.parametrize(
    ("started", "how"), ENDS, indirect=["started"], ids=[f"{k}-{s.name}" for k, s in ENDS]
)
def test_nothing_outlives_a_program_that_is_ended(started: Running, how: signal.Signals) -> None:
    check(started, how)


OTHERS = [(kind, how) for kind in KINDS for how in STATUS if (kind, how) not in ENDS]


@pytest.mark.long
@pytest.mark.parametrize(
    ("started", "how"), OTHERS, indirect=["started"], ids=[f"{k}-{s.name}" for k, s in OTHERS]
)
def test_nothing_outlives_any_program_ended_by_any_signal(
    started: Running, how: signal.Signals
) -> None:
    check(started, how)
