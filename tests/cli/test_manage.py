"""``legibility worklist``, ``plan`` and ``retention`` as a user calls them."""

from __future__ import annotations

import csv
import json
import re
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from PIL import Image

from legibility.cli import cli, manage_screen
from legibility.store.animals import put_animal
from legibility.store.database import open_herd
from legibility.store.events import append_event
from legibility.store.marks import put_mark
from legibility.store.photo_folder import digest_of
from legibility.store.records import AnimalRow, MarkRow
from tests.example_steps import example_pixels
from tests.herd_records import TODAY, add_photo, fading_herd, reading

HOSTILE = "=<script>alert(1)</script>"
DAY = ("--today", TODAY.isoformat())


@pytest.fixture(autouse=True)
def arranged_reader() -> None:
    """Nothing is read by these commands."""


@pytest.fixture(scope="module")
def herd(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A fading herd; one animal has a hostile name, another one a photo whose file is there."""
    folder = tmp_path_factory.mktemp("herd")
    path = folder / "herd.db"
    photo = folder / "ear.png"
    Image.fromarray(example_pixels()).save(photo)
    with fading_herd(path, animals=40) as db, db.transaction():
        put_animal(db, AnimalRow(HOSTILE, status="breeding", skin="<b>"))
        put_mark(db, MarkRow(HOSTILE, "K101"))
        found = replace(reading("ear.png", "Ewe 003", grade=1.5), sha256=digest_of(photo))
        add_photo(db, found, "Ewe 003", TODAY)
        db.write("UPDATE photos SET path = ? WHERE sha256 = ?", (str(photo), found.sha256))
        append_event(db, what="test")
    return path


def call(*arguments: str | Path) -> Result:
    return CliRunner().invoke(cli, [str(argument) for argument in arguments])


def offline(page: Path) -> str:
    """A page's text, after checking that it needs nothing else and holds no live words."""
    text = page.read_text("utf-8")
    assert "<script" not in text
    assert not re.search(r"""(?:src|href)=["']?https?:""", text)
    return text


def test_worklist(herd: Path, tmp_path: Path) -> None:
    page, table = tmp_path / "w.html", tmp_path / "w.csv"
    done = call("worklist", herd, "--limit", "41", *DAY, "--html", page, "--csv", table)
    assert done.exit_code == 0, done.output
    assert "Fitted to 40 marks" in done.output
    assert "authority" in done.output
    assert max(map(len, done.output.splitlines())) <= 100
    assert "&lt;script&gt;" in offline(page)
    with table.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert "'" + HOSTILE in {row["animal_id"] for row in rows}
    assert rows[0]["rank"] == "1"
    losses = [float(row["loss"]) for row in rows]
    assert losses == sorted(losses, reverse=True)
    assert "seen lost" in done.output
    assert "Loss" in done.output


def test_a_word_before_long_work(
    herd: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(manage_screen, "LONG", 10)
    with open_herd(herd) as db:
        manage_screen.say_if_long(db)
        assert capsys.readouterr().err == ""
        monkeypatch.setattr("sys.stderr.isatty", lambda: True)
        manage_screen.say_if_long(db)
        assert "Looking through " in capsys.readouterr().err


def test_worklist_as_json_and_with_costs(herd: Path, tmp_path: Path) -> None:
    costs = tmp_path / "costs.toml"
    costs.write_text("cost = 3\n[costs]\nbreeding = 100\n")
    done = call("worklist", herd, *DAY, "--json", "-", "--costs", costs)
    found = json.loads(done.stdout)
    assert found["items"][0]["cost"] == 100
    assert found["animals"] == 41
    assert {"p_taken", "p_lost", "act", "last_date", "reason", "rivals"} <= set(found["items"][0])


def test_plan_with_sheets(herd: Path, tmp_path: Path) -> None:
    page = tmp_path / "plan.html"
    done = call(
        *("plan", herd, "--minutes", "60", "--hands", "2", "--transponders", "3"),
        *("--sedations", "1", "--must", HOSTILE, "--sedated", "Ewe 003", *DAY, "--html", page),
    )
    assert done.exit_code == 0, done.output
    assert "optimality gap" in done.output
    assert "Working down the ranked list" in done.output
    assert max(map(len, done.output.splitlines())) <= 100
    text = offline(page)
    acts = len(re.findall(r'class="card sheet"', text))
    assert f"{acts} acts of" in done.output
    assert text.count("data:image/jpeg;base64,") == 1
    assert "sedated anyway" in text
    assert "Rule out" in text
    assert "scan the transponder" in text
    # Ewe 003 is in the plan: 276 and its number on record, and what tells it at the chute.
    assert "<strong>Transponder:</strong> 276000000000003" in text
    assert re.search(r"born \d{4}-\d\d-\d\d, pale skin, breeding ewe", text)
    assert "none on record" in text


def test_plan_as_json(herd: Path) -> None:
    found = json.loads(call("plan", herd, "--minutes", "30", *DAY, "--json", "-").stdout)
    assert found["gap"] <= 0.01
    assert found["minutes"] <= 30
    assert found["gain"] >= found["ranked_gain"]


def test_retention(herd: Path, tmp_path: Path) -> None:
    page, target = tmp_path / "r.html", tmp_path / "r.json"
    arguments = ("retention", herd, "--bootstrap", "10", "--html", page, "--json", target)
    done = call(*arguments)
    assert done.exit_code == 0, done.output
    assert "Weibull shape" in done.output
    assert "none recorded" in done.output
    assert max(map(len, done.output.splitlines())) <= 100
    text = offline(page)
    assert "<svg" in text
    assert "polyline" in text
    found = json.loads(target.read_text())
    assert found["marks_followed"] == 40
    assert all(share["low"] <= share["high"] for _, share in found["usable_by_age"])


def test_history(herd: Path) -> None:
    done = call("herd", "history", herd, "Ewe 003")
    assert done.exit_code == 0, done.output
    assert "mark K109, left ear, since " in done.output
    assert re.search(r"photo +- +A1 +usable +1\.5 +88 %", done.output)
    assert max(map(len, done.output.splitlines())) <= 100
    found = json.loads(call("herd", "history", herd, "Ewe 003", "--json", "-").stdout)
    days = [sighting["day"] for sighting in found["sightings"]]
    assert days == sorted(days)
    assert "never seen" in call("herd", "history", herd, HOSTILE).output
    assert call("herd", "history", herd, "nobody").exit_code == 10


def test_a_herd_without_sightings_says_assumption(tmp_path: Path) -> None:
    path, page = tmp_path / "herd.db", tmp_path / "r.html"
    with fading_herd(path, animals=2):
        pass
    done = call("retention", path, "--html", page, "--no-cache")
    assert "ASSUMPTION, no measurement" in done.output
    assert "ASSUMPTION, no measurement" in offline(page)
    done = call("worklist", path, "--no-cache")
    assert "assumption, not a measurement" in " ".join(done.output.split())
    assert not list(tmp_path.glob("*.npz"))


@pytest.mark.parametrize(
    ("arguments", "code", "reason"),
    [
        (("worklist", "{tmp}/gone.db"), 10, "there is no such file"),
        (("worklist", "{herd}", "--today", "soon"), 2, "soon"),
        (("worklist", "{herd}", "--costs", "{tmp}/gone.toml"), 6, "cannot be read"),
        (("plan", "{herd}", "--minutes", "1", "--must", "Ewe 001"), 6, "the day has 1"),
        (("plan", "{herd}", "--minutes", "9", "--must", "nobody"), 6, "'nobody'"),
        (("plan", "{herd}"), 2, "--minutes"),
        (("retention", "{herd}", "--html", "{tmp}"), 7, "cannot be written"),
    ],
)
def test_errors_are_one_clear_line(
    arguments: tuple[str, ...], code: int, reason: str, herd: Path, tmp_path: Path
) -> None:
    done = call(*(a.format(tmp=tmp_path, herd=herd) for a in arguments))
    assert done.exit_code == code, done.output
    assert reason in done.stderr
    assert "Traceback" not in done.output
