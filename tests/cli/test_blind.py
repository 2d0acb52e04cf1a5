"""``legibility blind`` from the photos to the score."""

from __future__ import annotations

import base64
import csv
import hashlib
import io
import json
import re
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from PIL import Image

from legibility.cli import cli

SAMPLES = Path(__file__).parent.parent.parent / "sample_images"
PHOTOS = [str(SAMPLES / name) for name in ("as-new.jpg", "upside-down.jpg")]
MARKS = {"as-new.jpg": "J342", "upside-down.jpg": "C497"}


@pytest.fixture(autouse=True)
def arranged_reader() -> None:
    """These tests read photos as they are, with the pipeline itself."""


def run(*arguments: object) -> Result:
    return CliRunner().invoke(cli, ["blind", *map(str, arguments)])


def fill(sheet: Path, key: Path, *, wrong: str = "") -> None:
    values = json.loads(key.read_text("utf-8"))
    with sheet.open(newline="") as file:
        rows = list(csv.DictReader(file))
    (items,) = [s["items"] for s in values["sheets"] if s["sheet"] == rows[0]["sheet"]]
    for row, item in zip(rows, items, strict=True):
        name = Path(values["photos"][item["photo"]]["photo"]).name
        row["reading"], row["legibility"] = wrong or MARKS[name], "3"
    with sheet.open("w", newline="") as file:
        writer = csv.DictWriter(file, fieldnames=list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)


@pytest.fixture(scope="module")
def blank(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("blind")
    sheets, key = folder / "sheets", folder / "key.json"
    done = run("make", *PHOTOS, "--out", sheets, "--key", key, "--repeats", 0.5, "--seed", 3)
    assert done.exit_code == 0, done.output
    return folder


@pytest.fixture
def made(blank: Path, tmp_path: Path) -> tuple[Path, Path]:
    """Sheets of the test's own, which it may fill in, and their key."""
    folder = shutil.copytree(blank, tmp_path / "blind")
    return folder / "sheets", folder / "key.json"


def test_a_sheet_opens_offline_and_gives_nothing_away(made: tuple[Path, Path]) -> None:
    sheets, key = made
    page = (sheets / "sheet-reader-1.html").read_text("utf-8")
    bare = re.sub(r"data:[^\"]*", "", page)
    assert page.count("<img") == 3
    assert not re.search(r"""(src|href)=["'](?!data:|#)""", page)
    for told in (*MARKS, *MARKS.values(), "as-new", "sample_images"):
        assert told not in bare
    assert hashlib.sha256(key.read_bytes()).hexdigest() in page
    assert not (set(sheets.iterdir()) & {key})


def test_pictures_say_how_they_were_made_and_only_the_key_of_what(made: tuple[Path, Path]) -> None:
    sheets, key = made
    photos = json.loads(key.read_text("utf-8"))["photos"]
    page = (sheets / "sheet-reader-1.html").read_text("utf-8")
    shown = {base64.b64decode(a) for a in re.findall(r'src="data:image/jpeg;base64,([^"]+)"', page)}
    assert {hashlib.sha256(data).hexdigest() for data in shown} == {
        photo["picture_sha256"] for photo in photos
    }
    for data in shown:
        with Image.open(io.BytesIO(data)) as picture:
            said = picture.info["comment"].decode("ascii")
        assert said.startswith("Parent-SHA-256: in the key of this set; Steps: decoded")
        assert not any(photo["sha256"].encode("ascii") in data for photo in photos)
    for photo in photos:
        assert photo["sha256"] == hashlib.sha256(Path(photo["photo"]).read_bytes()).hexdigest()
        assert photo["steps"][-1] == "mark cut out, turned upright"


def test_score_reliability_and_claims_in_order(made: tuple[Path, Path], tmp_path: Path) -> None:
    sheets, key = made
    first, second = sheets / "sheet-reader-1.csv", sheets / "sheet-reader-2.csv"
    early = run(
        "make", PHOTOS[0], "--out", tmp_path / "late", "--key", tmp_path / "late.json",
        "--reader", "reader 1", "--claim", "J342", "--claim", "J341",
        "--after", first, "--first-key", key,
    )  # fmt: skip
    assert early.exit_code == 11
    assert "no answer" in early.output
    fill(first, key)
    fill(second, key, wrong="J34?")
    reliability, lines = tmp_path / "reliability.json", tmp_path / "score.json"
    done = run("score", first, second, "--key", key, "--reliability", reliability, "--json", lines)
    assert done.exit_code == 0, done.output
    assert max(map(len, done.output.splitlines())) <= 100
    record = json.loads(lines.read_text("utf-8"))
    assert record["between"][0]["marks"]["count"] == 0
    assert len(record["adjudicate"]) == 2
    assert record["order"][1]["sha256"] == hashlib.sha256(first.read_bytes()).hexdigest()
    assert set(json.loads(reliability.read_text("utf-8"))["readers"]) == {"reader 1", "reader 2"}
    late = run(
        "make", PHOTOS[0], "--out", tmp_path / "late", "--key", tmp_path / "late.json",
        "--reader", "reader 1", "--claim", "<b>J342", "--claim", "J341",
        "--after", first, "--first-key", key,
    )  # fmt: skip
    assert late.exit_code == 0, late.output
    page = (tmp_path / "late" / "sheet-reader-1.html").read_text("utf-8")
    assert "&lt;b&gt;J342" in page
    order = [s["what"] for s in json.loads((tmp_path / "late.json").read_text("utf-8"))["order"]]
    assert order[0] == "sheets for first readings made"
    assert order[-2:] == ["first sheet of reader 1 received", "sheets with claims made"]


def test_known_marks_are_counted(made: tuple[Path, Path], tmp_path: Path) -> None:
    sheets, key = made
    sheet = sheets / "sheet-reader-1.csv"
    fill(sheet, key)
    truth = tmp_path / "truth.csv"
    truth.write_text("photo,mark\nas-new.jpg,J342\n", "utf-8")
    done = run("score", sheet, "--key", key, "--truth", truth)
    assert done.exit_code == 0, done.output
    assert "4 of 4" in done.output
    truth.write_text("photo,mark\nas-new.jpg,J3?2\n", "utf-8")
    assert run("score", sheet, "--key", key, "--truth", truth).exit_code == 5


def test_claims_before_readings_and_keys_among_sheets_are_refused(tmp_path: Path) -> None:
    common = ["make", PHOTOS[0], "--out", tmp_path / "sheets"]
    done = run(*common, "--key", tmp_path / "sheets" / "key.json")
    assert (done.exit_code, "keep it apart" in done.output) == (11, True)
    key = tmp_path / "key.json"
    key.write_text("old", "utf-8")
    done = run(*common, "--key", key)
    assert (done.exit_code, key.read_text("utf-8")) == (11, "old")
    done = run(*common, "--key", tmp_path / "new.json", "--claim", "J342")
    assert (done.exit_code, "first readings" in done.output) == (11, True)
    assert not (tmp_path / "sheets").exists()
