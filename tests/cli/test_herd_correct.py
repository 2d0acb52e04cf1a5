"""Corrections as a person makes them in the terminal, told as stories."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from PIL import Image

from legibility.cli import cli
from legibility.pipeline.herd_cases import open_cases as open_now
from legibility.store.database import open_herd
from legibility.store.importing import import_photo
from legibility.store.photo_folder import digest_of
from legibility.store.records import PhotoRow
from tests.example_steps import example_pixels
from tests.herd_records import fading_herd, reading

SHEEP, OTHER = "Ewe 003", "Ewe 004"


def call(*arguments: str | Path) -> Result:
    return CliRunner().invoke(cli, ["herd", *map(str, arguments)])


def said(*arguments: str | Path) -> str:
    done = call(*arguments)
    assert done.exit_code == 0, done.output
    return " ".join(done.output.split())


def open_cases(herd: Path) -> list[str]:
    found = json.loads(call("check", herd, "--json", "-").stdout)
    assert [f for f in found["findings"] if f["kind"] in ("chain", "file")] == []
    return [case["kind"] for case in found["cases"]]


@pytest.fixture(autouse=True)
def arranged_reader() -> None:
    """No photo is read here; the pipeline stays as it is."""


@pytest.fixture
def herd(tmp_path: Path) -> Path:
    fading_herd(tmp_path / "herd.db", animals=8).close()
    return tmp_path / "herd.db"


@pytest.fixture
def photo(herd: Path) -> Path:
    """A photo of a file, that was read as Ewe 004 and that nobody gave to an animal."""
    path = herd.parent / "ear.png"
    Image.fromarray(example_pixels()).save(path)
    _read(herd, path, animal="", first=OTHER)
    return path


def _read(herd: Path, path: Path, *, animal: str, first: str) -> None:
    result = replace(reading("ear.png", first, risk=0.03), sha256=digest_of(path))
    row = PhotoRow(
        result.sha256, str(path), animal_id=animal, claimed_by="manifest" if animal else ""
    )
    with open_herd(herd) as db:
        import_photo(db, row, result=result, then=lambda db: open_now(db, photos=[result.sha256]))


def test_a_photo_given_as_advised_then_to_another_then_undone(herd: Path, photo: Path) -> None:
    text = said("give", herd, photo)
    assert f"most likely {OTHER} (97 %; identified). Nothing was changed" in text
    assert call("give", herd, photo, "--to", SHEEP, "--who", "Ada").exit_code == 10
    text = said("give", herd, photo, "--to", OTHER, "--who", "Ada")
    entry = re.search(r"Entry (\d+); to take it back: legibility herd undo", text)
    assert entry is not None
    assert f"ear.png: animal nobody before, now {OTHER}." in text
    # Ada saw the wrong animal: the correction contradicts the mark, and a case opens at once.
    text = said(
        "correct", "photo", herd, photo, "--animal", SHEEP, "--ear", "left",
        "--stage", "lit-from-behind", "--who", "Ada", "--why", "it was the other ewe",
    )  # fmt: skip
    assert "is opened by it" in text
    assert open_cases(herd) == ["mark against list"]
    text = said("undo", herd, "--who", "Bo")
    assert f"animal {SHEEP} (by a person) before, now {OTHER}" in text
    assert "is closed by it" in text
    assert open_cases(herd) == []
    assert "now nobody" in said("undo", herd, entry[1], "--who", "Bo")
    listed = said("corrections", herd)
    assert "it was the other ewe" in listed
    assert "a person's decision on the program's advice" in listed
    lines = call("corrections", herd, "--animal", SHEEP, "--json", "-").stdout.splitlines()
    assert [json.loads(line)["what"] for line in lines] == ["undo", "correct photo"]


def test_a_misread_ear_is_taken_back_by_its_number(herd: Path) -> None:
    said("look", herd, "--animal", SHEEP, "--read", "K112", "--who", "Bo", "--not-usable")
    assert open_cases(herd) == ["reading by eye against list"]
    history = said("history", herd, SHEEP)
    number = re.search(r"reading (\d+) by Bo \(K112\)", history)
    assert number is not None
    why = ("--who", "Bo", "--why", "a 1 taken for a 2")
    assert call("correct", "reading", herd, number[1], *why).exit_code == 2
    text = said("correct", "reading", herd, number[1], "--read", "k109", "--usable", *why)
    assert "counts no more; in its place reading 2 by Bo (K109)" in text
    assert "is closed by it" in text
    history = said("history", herd, SHEEP)
    assert "reading 2 by Bo (K109)" in history
    assert "K112" not in history
    assert "K112" in said("corrections", herd)
    said("correct", "reading", herd, "2", "--take-back", *why)
    assert "Bo" not in said("history", herd, SHEEP)
    again = call("correct", "reading", herd, "2", "--take-back", *why)
    assert again.exit_code == 10
    assert "taken back before" in again.output


def test_a_scan_of_the_wrong_animal_is_corrected(herd: Path) -> None:
    log = herd.parent / "scans.csv"
    log.write_text(f"number,time,animal_id\n276000000000003,2025-06-01 10:00,{OTHER}\n")
    assert "1 new case" in said("import-scans", herd, log)
    text = said("correct", "scan", herd, "1", "--animal", SHEEP, "--who", "Ada", "--why", "pen 3")
    assert "counts no more; in its place scan 2" in text
    assert open_cases(herd) == []
    text = said("undo", herd, "--who", "Ada", "--why", "no, pen 4")
    assert open_cases(herd) == ["transponder against list"]
    said("correct", "scan", herd, "1", "--take-back", "--who", "Ada", "--why", "pen 5")
    assert open_cases(herd) == []


def test_a_photo_may_be_called_by_the_digits_of_its_digest(herd: Path, photo: Path) -> None:
    digits = digest_of(photo)[:8].upper()
    text = said("correct", "photo", herd, digits, "--nobody", "--who", "Ada", "--why", "unsure")
    assert "now nobody" in text
    for name in ("0" * 8, "no.jpg", digits[:7]):
        done = call("correct", "photo", herd, name, "--nobody", "--who", "Ada", "--why", "x")
        assert done.exit_code == 10
        assert "no photo of this record" in done.output
    both = call(
        "correct", "photo", herd, photo, "--nobody", "--animal", SHEEP, "--who", "A", "--why", "x"
    )
    assert both.exit_code == 2


def test_nothing_to_undo_is_said(herd: Path) -> None:
    done = call("undo", herd, "--who", "Ada")
    assert done.exit_code == 10
    assert "nothing to take back" in done.output
    assert "cannot be taken back" in call("undo", herd, "1", "--who", "Ada").output
    assert "no entry 99" in call("undo", herd, "99", "--who", "Ada").output
    assert "Nothing was corrected." in said("corrections", herd)
