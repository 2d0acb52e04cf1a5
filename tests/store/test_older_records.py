"""A record and its exports as version 4 of the schema wrote them are opened, whole.

``data/version-4.zip`` was written by the program before there were corrections, with the functions
of ``tests.store.herds``: the record, its export as CSV files and as JSON lines.
"""

from __future__ import annotations

import zipfile
from pathlib import Path

import pytest
from click.testing import CliRunner

from legibility.cli import cli
from legibility.pipeline.herd_corrections import correct_photos
from legibility.pipeline.herd_mistaken import take_back
from legibility.pipeline.herd_undo import undo
from legibility.store.corrections import corrections_problems
from legibility.store.database import HerdDatabase, open_herd
from legibility.store.events import all_events, chain_problem
from legibility.store.exporting import restored_herd
from legibility.store.human_readings import all_human_readings
from legibility.store.migrations import LATEST
from legibility.store.scans import all_scans
from tests.store.herds import content

OLD = Path(__file__).parent / "data" / "version-4.zip"


@pytest.fixture
def old(tmp_path: Path) -> Path:
    with zipfile.ZipFile(OLD) as archive:
        archive.extractall(tmp_path / "old")
    return tmp_path / "old"


def _is_used_as_any(db: HerdDatabase) -> None:
    assert db.version == LATEST
    assert db.problems() == corrections_problems(db) == ()
    readings, scans = list(all_human_readings(db)), list(all_scans(db))
    assert [(r.reader, r.text) for r in readings] == [("Ada", "A00?00"), ("Bo", "")]
    assert [scan.scanned_at for scan in scans] == ["2024-05-01T10:00:00"]
    before = content(db)
    said = {"who": "Ada", "reason": "so"}
    done = [
        correct_photos(db, ["a" * 64], ear="left", animal_id="animal 1", **said),
        take_back(db, "reading", readings[0].number, **said),
        take_back(db, "scan", scans[0].scan_id, **said),
    ]
    assert list(all_scans(db)) == []
    for each in reversed(done):
        undo(db, each.entry, who="Bo")
    after = content(db)
    assert [after[table] for table in ("photos", "human_readings", "scans")] == [
        before[table] for table in ("photos", "human_readings", "scans")
    ]
    assert chain_problem(all_events(db)) == ""


def test_what_only_reads_says_how_an_old_record_is_brought_up_to_date(old: Path) -> None:
    herd = [str(old / "herd.db")]
    export = ["herd", "export", *herd, str(old / "out")]
    done = CliRunner().invoke(cli, export)
    assert done.exit_code == 10
    assert "`legibility herd check` brings it up to date" in done.output
    CliRunner().invoke(cli, ["herd", "check", *herd])
    assert CliRunner().invoke(cli, export).exit_code == 0


def test_an_old_record(old: Path) -> None:
    with open_herd(old / "herd.db") as db:
        _is_used_as_any(db)


@pytest.mark.parametrize("form", ["csv", "json"])
def test_an_old_export(old: Path, tmp_path: Path, form: str) -> None:
    restored_herd(tmp_path / "new.db", old / form)
    with open_herd(old / "herd.db") as there, open_herd(tmp_path / "new.db") as here:
        assert content(here) == content(there)
        _is_used_as_any(here)
