"""What earlier versions wrote opens: records, exports, dossiers, calibrations, dies, rules, ...

``old/VERSION`` was written once by ``python -m tests.golden.old`` at that version and is never
written again; a new format adds a folder. That the contents are used as they were is compared in
``test_golden``, whose commands take these files.
"""

from __future__ import annotations

import gzip
import json
import shutil
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest

import legibility

from .frozen import frozen
from .running import ROOT, run

FOLDERS = sorted(path for path in (Path(__file__).parent / "old").iterdir() if path.is_dir())


@pytest.fixture(params=FOLDERS, ids=lambda path: path.name)
def old(request: pytest.FixtureRequest) -> Iterator[Path]:
    """A folder of old files, unpacked into the working directory."""
    with frozen() as folder:
        for file in request.param.iterdir():
            if file.suffix == ".gz":
                (folder / file.stem).write_bytes(gzip.decompress(file.read_bytes()))
            else:
                shutil.copy(file, folder / file.name)
        yield folder


def good(*arguments: object) -> str:
    done = run(*(str(argument) for argument in arguments))
    assert done.exit_code == 0, done.output
    return done.stdout


@pytest.mark.parametrize("name", ["herd", "confirmed"])
def test_a_record_opens_is_whole_and_takes_more(old: Path, name: str) -> None:
    herd = old / f"{name}.db"
    assert "problem" not in good("herd", "check", herd).lower()
    counted = sqlite3.connect(herd)
    before = counted.execute("SELECT count(*) FROM animals").fetchone()[0]
    (old / "more.csv").write_text("animal_id,mark\nnew one,Z987\n")
    good("herd", "import-registry", herd, "more.csv", "--who", "Ada")
    assert counted.execute("SELECT count(*) FROM animals").fetchone()[0] == before + 1
    counted.close()
    assert "Z987" in good("herd", "history", herd, "new one")


def test_an_old_export_becomes_the_record_it_came_from(old: Path) -> None:
    exported = old / "exported"
    exported.mkdir()
    for file in old.glob("exported-*"):
        file.rename(exported / file.name.removeprefix("exported-"))
    good("herd", "new", "again.db", "--from", exported)
    good("herd", "export", "again.db", "twice", "--as", "json")
    lines = [(p / "herd.jsonl").read_text("utf-8").splitlines() for p in (exported, old / "twice")]
    assert lines[0][1:] == lines[1][1:]
    assert json.loads(lines[0][0])["format"] == json.loads(lines[1][0])["format"]


def test_the_chain_still_begins_as_it_was_noted(old: Path) -> None:
    done = run("verify", "herd.db", "--anchor", "head.json", "--json", "-")
    record = json.loads(done.stdout.splitlines()[0])
    assert record["entries"] == json.loads((old / "head.json").read_text())["entries"]
    # Invented photos are in it that were never taken in and lie nowhere.
    invented = ("no entry says that it was taken in", "not there, so nothing can be said of it")
    assert [text for text in record["problems"] if not text.endswith(invented)] == []


def test_settings_rules_dies_counts_calibration_are_taken(old: Path) -> None:
    assert legibility.load_settings(old / "settings.toml").identified_probability == 0.95
    good("rules", "--rules", "rules.toml", "--mark", "KT/101")
    good("registry", ROOT / "sample_images" / "registry.csv", "--rules", "learned.toml",
         "--test-numbers")  # fmt: skip
    for counts in ("counts.csv", "own-counts.csv"):
        good("risk", ROOT / "sample_images" / "registry.csv", "--counts", counts, "--jobs", 1)
    good("worklist", "herd.db", "--costs", "costs.toml", "--no-cache")
    given = ("--calibration", "calibration.json", "--dies", "dies.toml", "--settings",
             "settings.toml", "--reading", "J34?", "--reader", "Ada", "--reliability",
             "reliability.json", "--registry", ROOT / "sample_images" / "registry.csv")  # fmt: skip
    assert "J342" in good("read", "small.jpg", *given, "--json", "-")


def test_blind_sheets_are_scored_with_their_key(old: Path) -> None:
    assert "Ada" in good("blind", "score", "sheet-ada.csv", "sheet-bo.csv", "--key", "key.json")


def test_a_dossier_is_computed_again(old: Path) -> None:
    done = run("rerun", "case.zip", "--json", "-")
    # Fitted ratios may be others by now, which it then names; nothing else keeps it from opening.
    assert done.exit_code in (0, 11), done.output
    assert json.loads(done.stdout.splitlines()[0])["figures"] > 1000
