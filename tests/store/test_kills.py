"""A writing process is really killed, at random moments: no commit is lost, no import is halved.

The judge is SQLite's own ``integrity_check``, and what the killed process said it had committed.
``LEGIBILITY_KILLS=200 pytest -m long tests/store/test_kills.py`` is the full run.
"""

from __future__ import annotations

import os
import random
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

import pytest

from legibility.store.animals import all_animals
from legibility.store.corrections import all_corrections, corrections_problems
from legibility.store.database import HerdDatabase, create_herd, open_herd
from legibility.store.events import all_events, chain_problem
from legibility.store.human_readings import all_human_readings
from legibility.store.readings import readings_of, whole_reading
from tests.example_results import ambiguous_result
from tests.store.herds import digest
from tests.store.writer import BATCH, KINDS, ROWS, SCANS

ROOT = Path(__file__).parents[2]
LONGEST_LIFE_S = 0.4
"""Of a writer after it has opened the record: enough for some tens of commits."""


def start(path: Path, name: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "tests.store.writer", str(path), name],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def kill_after(
    writer: subprocess.Popen[str], seconds: float, *, at_least: int = 0
) -> list[tuple[str, str]]:
    """What a writer said it committed before it was killed; ``at_least`` so many commits."""
    assert writer.stdout is not None
    assert writer.stderr is not None
    assert writer.stdout.readline() == "open\n", writer.stderr.read()
    lines = [writer.stdout.readline() for _ in range(at_least)]
    time.sleep(seconds)
    writer.kill()
    lines += [line for line in writer.stdout if line.endswith("\n")]
    writer.wait()
    writer.stdout.close()
    writer.stderr.close()
    return [(line.split()[0], line.split()[1]) for line in lines]


def check(db: HerdDatabase, committed: set[tuple[str, str]], *, killed: int) -> None:
    """Everything committed is there, and at most one commit a kill more than was said."""
    assert db.problems() == ()
    assert chain_problem(all_events(db)) == ""
    imports = Counter(animal.animal_id.rsplit("-", 1)[0] for animal in all_animals(db))
    assert set(imports.values()) <= {ROWS}
    looks = {reading.reader for reading in all_human_readings(db)}
    events = Counter(event.what for event in all_events(db))
    stored = Counter(
        str(row[0])[1:].removesuffix(".jpg")
        for row in db.rows(
            "SELECT p.path FROM photos AS p JOIN readings AS r ON r.photo = p.id "
            "JOIN reading_contents AS c ON c.reading = r.id"
        )
    )
    photos = {key for key in stored if key.count("-") == 1}
    batches = Counter(key.rsplit("-", 1)[0] for key in stored if key.count("-") == 2)
    logs = Counter(str(row[0]) for row in db.rows("SELECT reader FROM scans"))
    assert set(stored.values()) <= {1}
    assert set(batches.values()) <= {BATCH}
    assert set(logs.values()) <= {SCANS}
    found = {("import", key) for key in imports}
    found |= {("look", key) for key in looks}
    found |= {("photo", key) for key in photos}
    corrected = {row.who: row for row in all_corrections(db)}
    cleaned = {str(row[0]) for row in db.rows("SELECT path FROM photos WHERE stage = 'cleaned'")}
    assert cleaned == {f"/{key}.jpg" for key in corrected}
    assert corrections_problems(db) == ()
    found |= {("correction", key) for key in corrected}
    found |= {("batch", key) for key in batches}
    found |= {("log", key) for key in logs}
    assert committed <= found
    assert len(found - committed) <= killed
    # Work and its entry in the chain stand or fall together.
    assert events["import registry"] == len(imports)
    assert events["record reading"] == len(looks)
    assert events["read photo"] == len(photos)
    assert events["correct photo"] == db.count("corrections") == len(corrected)
    assert events["import readings"] == len(batches)
    assert events["import scans"] == len(logs)
    assert db.count("photos") == db.count("readings") == len(stored)


def kill_many(path: Path, kills: int, seed: int) -> int:
    rng = random.Random(seed)
    create_herd(path).close()
    committed: set[tuple[str, str]] = set()
    for number in range(kills):
        writer, life_s = start(path, f"w{number}"), LONGEST_LIFE_S * rng.random()
        # Every other one lives through a round at least, so that there is enough to lose.
        at_least = KINDS if number % 2 else 0
        committed |= set(kill_after(writer, life_s, at_least=at_least))
        with open_herd(path) as db:
            check(db, committed, killed=number + 1)
    return len(committed)


@pytest.mark.long
def test_killed_writers_lose_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    kills = int(os.environ.get("LEGIBILITY_KILLS", "8"))
    committed = kill_many(tmp_path / "herd.db", kills=kills, seed=1)
    with capsys.disabled():
        print(f"\n{kills} kills, {committed} commits, none lost")
    assert committed > kills
    with open_herd(tmp_path / "herd.db") as db:
        (key,) = list(db.rows("SELECT path FROM photos ORDER BY id LIMIT 1"))
        summary = readings_of(db, digest(key[0][1:].removesuffix(".jpg")))[0]
        stored = whole_reading(db, summary.reading_id)
        assert stored.identification == ambiguous_result().identification


def test_two_processes_write_at_once_and_both_are_killed(tmp_path: Path) -> None:
    path = tmp_path / "herd.db"
    create_herd(path).close()
    writers = [start(path, name) for name in ("first", "second")]
    committed = [set(kill_after(writer, 0.1, at_least=1)) for writer in writers]
    with open_herd(path) as db:
        check(db, committed[0] | committed[1], killed=2)


def test_a_process_killed_while_it_makes_a_record_leaves_all_or_nothing(tmp_path: Path) -> None:
    code = (
        "import sys; from pathlib import Path\n"
        "from legibility.store.database import create_herd\n"
        "for i in range(10000):\n"
        "    create_herd(Path(sys.argv[1]) / f'{i}.db').close()\n"
        "    print('made', i, flush=True)\n"
    )
    maker = subprocess.Popen(
        [sys.executable, "-c", code, str(tmp_path)], cwd=ROOT, stdout=subprocess.PIPE, text=True
    )
    assert maker.stdout is not None
    assert maker.stdout.readline() == "made 0\n"
    time.sleep(0.3)
    maker.kill()
    maker.wait()
    maker.stdout.close()
    made = sorted(tmp_path.glob("[0-9]*.db"))
    assert made
    for path in made:
        with open_herd(path) as db:
            assert db.problems() == ()
            assert db.count("herd_info") == 2
