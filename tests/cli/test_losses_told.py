"""What a manager is told of marks that photos did not show, and of a herd nobody photographed."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from legibility import __version__
from legibility.cli import cli
from legibility.containers import Flag, PhotoResult, Provenance, Status
from legibility.networks import models_sha256
from legibility.photo.load import load_photo
from legibility.pipeline.run import final_calibration
from legibility.settings import Settings
from tests.herd_records import reading

TODAY = ("--today", "2026-06-01")
Seen = tuple[str, str, str, str]
"""Animal, day, stage, and what the reader makes of the photo."""


def call(*arguments: str | Path) -> str:
    done = CliRunner().invoke(cli, [str(argument) for argument in arguments])
    assert done.exit_code == 0, done.output
    return done.stdout


@pytest.fixture(autouse=True)
def arranged_reader(monkeypatch: pytest.MonkeyPatch) -> None:
    """The reader says what the file's name says: ``Ewe 2 unread 3.png``."""

    def read(path: Path, *, registry: object, settings: Settings) -> PhotoResult:
        photo = load_photo(path, settings=settings)
        animal, what, _ = path.stem.rsplit(" ", 2)
        status = {"unread": Status.UNREADABLE, "blurred": Status.RETAKE}.get(what, Status.READ)
        first = what.removeprefix("as").replace("-", " ") if what.startswith("as") else animal
        found = reading(path.name, animal, status=status, first=first, risk=0.03)
        _, calibration = final_calibration(settings)
        return replace(
            found,
            photo=str(path),
            sha256=photo.sha256,
            flags=Flag.HAIR if what == "unread" else Flag.NONE,
            provenance=Provenance(__version__, models_sha256(), settings.sha256, calibration),
        )

    monkeypatch.setattr("legibility.pipeline.read", read)


@pytest.fixture
def herd(tmp_path: Path) -> Path:
    """Six ewes with marks far from one another, marked three years ago."""
    registry = tmp_path / "registry.csv"
    marks = ("K417", "B223", "X905", "TT61", "H38", "Z7Z7")
    rows = [
        f"Ewe {number},{mark},left,2023-06-01,breeding ewe" for number, mark in enumerate(marks)
    ]
    heading = "animal_id,mark,ear,applied_on,status"
    registry.write_text("\n".join([heading, *rows]) + "\n")
    path = tmp_path / "herd.db"
    call("herd", "new", path)
    call("herd", "import-registry", path, registry, "--who", "Ada")
    return path


@pytest.fixture
def photographed(herd: Path, tmp_path: Path) -> Callable[..., None]:
    """Photos of a day are imported, with a list of whom they show or without."""
    number = iter(range(1000))

    def add(*photos: Seen, named: bool = True) -> None:
        folder = tmp_path / f"photos {next(number)}"
        folder.mkdir()
        lines = []
        for animal, day, stage, what in photos:
            count = next(number)
            name = f"{animal} {what} {count}.png"
            pixels = np.full((64, 64, 3), count % 250, dtype=np.uint8)
            Image.fromarray(pixels).save(folder / name)
            whose = animal if named else ""
            lines.append(f"{name},{whose},left,{stage},{day}T10:00:00")
        manifest = folder / "manifest.csv"
        manifest.write_text("\n".join(["file,animal_id,ear,stage,taken_at", *lines]) + "\n")
        call("herd", "import-photos", herd, folder, "--manifest", manifest, "--jobs", "1")

    return add


def listed(herd: Path, *options: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(call("worklist", herd, *TODAY, "--json", "-", *options))
    return found


def item(herd: Path, animal: str) -> dict[str, Any]:
    items = {each["animal_id"]: each for each in listed(herd)["items"]}
    found: dict[str, Any] = items[animal]
    return found


def planned(herd: Path) -> dict[str, str]:
    """What a day without end would do, by animal."""
    found = json.loads(
        call(*("plan", herd, "--minutes", "10000", "--transponders", "6"), *TODAY, "--json", "-")
    )
    return {act["item"]["animal_id"]: act["what"] for act in found["acts"]}


def test_hair_is_no_loss_and_the_clipped_ear_ends_the_doubt(
    herd: Path, photographed: Callable[..., None]
) -> None:
    photographed(
        ("Ewe 0", "2025-09-01", "as found", "good"),
        *(("Ewe 0", f"2026-05-{day:02d}", "as found", "unread") for day in (1, 2, 3)),
    )
    told = item(herd, "Ewe 0")
    assert told["act"] == "photograph again"
    assert told["p_lost"] < 1
    assert told["not_seen"] == "2026-05-03"
    assert "Last seen usable on 2025-09-01" in told["reason"]
    assert "clean and clip the ear and photograph it again" in told["reason"]
    assert told["grade"] == 3.0  # as it was last seen
    assert planned(herd)["Ewe 0"] in ("photograph again", "second reading")
    text = call("worklist", herd, *TODAY)
    assert "seen lost" not in text.partition("Taken: ")[0]
    assert "not seen" in call("herd", "history", herd, "Ewe 0")

    photographed(("Ewe 0", "2026-05-04", "clipped", "good"))
    told = item(herd, "Ewe 0")
    assert told["not_seen"] == ""
    assert "Last seen usable on 2026-05-04" in told["reason"]


def test_a_mark_that_is_gone_is_found_by_two_looks(
    herd: Path, photographed: Callable[..., None]
) -> None:
    photographed(("Ewe 1", "2026-05-01", "as found", "unread"))
    assert item(herd, "Ewe 1")["act"] == "photograph again"
    photographed(("Ewe 1", "2026-05-01", "clipped", "unread"))
    told = item(herd, "Ewe 1")
    assert told["p_lost"] == 1
    assert "seen lost on 2026-05-01" in told["reason"]
    assert told["act"] == "transponder"
    assert planned(herd)["Ewe 1"] == "transponder"


def test_a_person_who_looked_is_believed(herd: Path) -> None:
    call(
        "herd",
        "look",
        herd,
        "--animal",
        "Ewe 2",
        "--ear",
        "left",
        "--who",
        "Bo",
        "--not-usable",
        "--at",
        "2026-05-01",
    )
    assert "seen lost on 2026-05-01" in item(herd, "Ewe 2")["reason"]


def test_the_best_photo_of_the_day_judges(herd: Path, photographed: Callable[..., None]) -> None:
    photographed(
        ("Ewe 1", "2026-05-01", "as found", "unread"),
        ("Ewe 1", "2026-05-01", "cleaned", "blurred"),
        ("Ewe 1", "2026-05-01", "clipped", "good"),
        ("Ewe 1", "2026-05-01", "clipped", "unread"),
    )
    told = item(herd, "Ewe 1")
    assert told["not_seen"] == ""
    assert "Last seen usable on 2026-05-01" in told["reason"]


def test_a_photo_of_a_disputed_animal_judges_no_mark(
    herd: Path, photographed: Callable[..., None]
) -> None:
    photographed(
        ("Ewe 3", "2026-05-01", "as found", "asEwe-4"),
        ("Ewe 5", "2026-05-01", "clipped", "unread"),
        ("Ewe 5", "2026-05-02", "clipped", "asEwe-4"),
    )
    told = item(herd, "Ewe 3")
    assert told["sightings"] == 0
    assert told["grade"] is None
    assert told["act"] == "photograph again"
    # Neither the one look at Ewe 5 nor the photo that may be of another animal makes a loss.
    assert item(herd, "Ewe 5")["p_lost"] < 1


def test_readings_of_photos_that_nobody_named_count(
    herd: Path, photographed: Callable[..., None]
) -> None:
    photographed(("Ewe 4", "2026-05-01", "as found", "good"), named=False)
    found = listed(herd)
    told = {each["animal_id"]: each for each in found["items"]}
    assert (
        "Ewe 4" not in told or "last seen usable on 2026-05-01" in told["Ewe 4"]["reason"].lower()
    )
    assert sum("Never photographed" in each["reason"] for each in found["items"]) == 5
    # What such a photo does not show is nobody's loss.
    photographed(("Ewe 4", "2026-05-02", "clipped", "unread"), named=False)
    assert listed(herd)["items"] == found["items"]


def test_a_herd_that_nobody_photographed(tmp_path: Path) -> None:
    rows = ["animal_id,mark,ear,applied_on,status"]
    for number in range(400):
        status = "breeding" if number % 5 == 0 else ""
        rows.append(f"Doe {number:03d},Q{1000 + number},left,{2016 + number % 9}-05-01,{status}")
    (tmp_path / "registry.csv").write_text("\n".join(rows) + "\n")
    herd = tmp_path / "herd.db"
    call("herd", "new", herd)
    call("herd", "import-registry", herd, tmp_path / "registry.csv")
    found = listed(herd, "--limit", "400")
    # 240 minutes of a handling day, 2 minutes a photo.
    assert (found["animals"], found["listed"], len(found["items"])) == (400, 120, 120)
    assert found["basis"][0].startswith("No mark of these 400 animals was ever judged.")
    assert not any(each["overdue"] or each["last_date"] for each in found["items"])
    assert {each["act"] for each in found["items"]} == {"photograph again"}
    scores = [each["score"] for each in found["items"]]
    assert all(
        each["score"] == pytest.approx(each["value"] * (each["taken"] + each["unknown"]))
        for each in scores
    )
    assert [each["score"] for each in scores] == sorted((s["score"] for s in scores), reverse=True)
    # Value first: breeding animals count ten; among them the oldest marks.
    assert {each["value"] for each in scores[:80]} == {10.0}
    assert [each["years"] for each in scores[:8]] == [pytest.approx(10.08, abs=0.01)] * 8
    following = {
        a["animal_id"]: b for a, b in zip(found["items"], found["items"][1:], strict=False)
    }
    for each in found["items"][:-1]:
        assert following[each["animal_id"]]["animal_id"] in each["before"]
    step = next(a for a, b in zip(found["items"], found["items"][1:], strict=False)
                if a["score"]["value"] > b["score"]["value"])  # fmt: skip
    assert "a mistake with it costs 10 against 1" in step["before"]
    half = listed(herd, "--limit", "400", "--days", "0.5")
    assert half["listed"] == 60
    costs = tmp_path / "costs.toml"
    costs.write_text("day_minutes = 30\nlist_days = 2\n")
    assert listed(herd, "--limit", "400", "--costs", str(costs))["listed"] == 30

    page, table = tmp_path / "w.html", tmp_path / "w.csv"
    text = call("worklist", herd, *TODAY, "--html", page, "--csv", table, "--limit", "5")
    assert "120 on the list" in text
    assert "No mark of these 400 animals was ever judged." in text
    assert "Score " in text
    assert max(map(len, text.splitlines())) <= 100
    shown = page.read_text("utf-8")
    with table.open(newline="", encoding="utf-8") as file:
        cells = list(csv.DictReader(file))
    for each, row in zip(found["items"][:5], cells, strict=True):
        assert each["score_words"] in shown
        assert row["before"] == each["before"]


def test_a_plan_marks_nobody_anew_whose_mark_was_never_looked_at(herd: Path) -> None:
    done = json.loads(call("plan", herd, "--minutes", "10000", *TODAY, "--json", "-"))
    assert done["acts"]
    assert not [act["what"] for act in done["acts"] if "re-mark" in act["what"]]


def test_an_unread_photo_is_taken_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def read(path: Path, **_: object) -> PhotoResult:
        return reading(str(path), "Ewe 1", status=Status.UNREADABLE)

    monkeypatch.setattr("legibility.pipeline.read", read)
    photo = tmp_path / "ear.png"
    Image.fromarray(np.zeros((64, 64, 3), dtype=np.uint8)).save(photo)
    done = CliRunner().invoke(cli, ["read", str(photo), "--worklist", "--no-second-reader"])
    assert "photograph a" in done.output
    assert "clean the ear, then clip it" in " ".join(done.output.split())
    assert "re-mark" not in done.output
