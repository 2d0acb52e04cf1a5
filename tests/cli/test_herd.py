"""``legibility herd``: every command as a user calls it."""

from __future__ import annotations

import json
import shutil
import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from legibility import __version__
from legibility.cli import cli
from legibility.containers import PhotoResult, Provenance
from legibility.networks import models_sha256
from legibility.photo.load import load_photo
from legibility.pipeline.run import final_calibration
from legibility.settings import Settings
from tests.example_results import ambiguous_result

ROOT = Path(__file__).parents[2]
REGISTRY = ROOT / "sample_images" / "registry.csv"
NUMBER = "276000312312345"


def call(*arguments: str | Path) -> Result:
    return CliRunner().invoke(cli, ["herd", *map(str, arguments)])


@pytest.fixture(autouse=True)
def arranged_reader(monkeypatch: pytest.MonkeyPatch) -> None:
    """In place of the reader of the other commands: only the call itself is replaced."""

    def read(path: Path, *, registry: object, settings: Settings) -> PhotoResult:
        photo = load_photo(path, settings=settings)
        _, calibration = final_calibration(settings)
        provenance = Provenance(__version__, models_sha256(), settings.sha256, calibration)
        return replace(ambiguous_result(str(path)), sha256=photo.sha256, provenance=provenance)

    monkeypatch.setattr("legibility.pipeline.read", read)


@pytest.fixture
def herd(tmp_path: Path) -> Path:
    path = tmp_path / "herd.db"
    assert call("new", path).exit_code == 0
    done = call("import-registry", path, REGISTRY, "--who", "Ada")
    assert done.exit_code == 0, done.output
    assert "60 rows: 60 new, 0 changed, 0 known already." in done.output
    assert "test number" in done.stderr
    return path


def checked(herd: Path) -> dict[str, object]:
    done = call("check", herd, "--json", "-")
    found: dict[str, object] = json.loads(done.stdout)
    return found


def test_a_registry_again(herd: Path) -> None:
    done = call("import-registry", herd, REGISTRY, "--test-numbers", "--json", "-")
    report = json.loads(done.stdout)
    assert (report["new"], report["changed"], report["same"]) == (0, 17, 43)
    assert checked(herd)["rows"]["chips"] == 17  # type: ignore[index]


def test_a_photo_is_read_and_stored(herd: Path, tmp_path: Path) -> None:
    (tmp_path / "photos").mkdir()
    photo = shutil.copy(ROOT / "sample_images" / "as-new.jpg", tmp_path / "photos")
    arguments = ("import-photos", herd, tmp_path / "photos", "--no-second-reader", "--copy")
    done = call(*arguments)
    assert done.exit_code == 0, done.output
    assert "1 photo looked at: 1 new" in done.output
    assert "skipped 1 that were read before" in call(*arguments).output
    (tmp_path / "photos" / "bad.jpg").write_bytes(b"no picture")
    done = call(*arguments)
    assert done.exit_code == 4
    assert "bad.jpg" in done.stderr
    assert call("look", herd, "--photo", photo, "--who", "Bo", "--read", "j342").exit_code == 0
    assert checked(herd)["rows"]["readings"] == 1  # type: ignore[index]
    assert "sound" in call("check", herd, "--files").output
    Path(photo).unlink()
    done = call("check", herd, "--files")
    assert done.exit_code == 10
    assert "only the copy is left" in " ".join(done.output.split())


def test_scans_records_cases_and_decisions(herd: Path, tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text(f"{NUMBER},2024-05-01 10:00:00\n")
    assert "1 rows: 1 new" in call("import-scans", herd, log).output
    for animal, cases in (
        ("Amsel 001", ""),
        ("Bibbin 002", "1 new case to settle: see `legibility herd check`.\n"),
    ):
        done = call(
            *("record", herd, "chipped", "--animal", animal, "--text", NUMBER, "--who", "Ada"),
            *("--at", "2024-05-01"),
        )
        assert done.output == "Recorded.\n" + cases
    done = call("check", herd)
    assert done.exit_code == 0
    assert "Amsel 001, Bibbin 002" in " ".join(done.output.split())
    assert max(map(len, done.output.splitlines())) <= 100
    assert "  - 1: Transponder" in done.output
    done = call("decide", herd, "--case", "1", "--what", "chip is Amsel's", "--who", "Cy")
    assert done.output == "Recorded.\n"
    assert "nothing to settle" in call("check", herd).output


def test_confirmed_photos(herd: Path, tmp_path: Path) -> None:
    photo = tmp_path / "ear.jpg"
    shutil.copy(ROOT / "sample_images" / "as-new.jpg", photo)
    manifest = tmp_path / "manifest.csv"
    manifest.write_text(f"file,chip\near.jpg,{NUMBER}\n")
    call("record", herd, "chipped", "--animal", "Amsel 001", "--text", NUMBER, "--who", "Ada")
    call("import-photos", herd, photo, "--manifest", manifest)
    done = call("confirmed", herd, tmp_path / "known.csv")
    assert done.output.endswith("known.csv: 1 photos confirmed by transponder\n")
    assert f"{photo},Amsel 001,BXL684," in (tmp_path / "known.csv").read_text()


@pytest.mark.parametrize("command", ["record", "look", "decide"])
def test_nobody_is_no_name(command: str, herd: Path) -> None:
    given = {"record": ("note",), "look": (), "decide": ("--what", "keep")}[command]
    done = call(command, herd, *given, "--who", " ")
    assert done.exit_code == 2
    assert "--who" in done.output
    assert "is empty" in done.output


def test_a_look_recorded_twice(herd: Path) -> None:
    arguments = ("look", herd, "--animal", "Amsel 001", "--who", "Ada", "--at", "2024-05-01")
    more = ("--read", "BX/L6?4", "--usable", "--blind", "--ear", "left", "--grade", "3")
    assert call(*arguments, *more).output == "Recorded.\n"
    assert "Recorded before" in call(*arguments, *more).output


@pytest.mark.parametrize("form", ["csv", "json"])
def test_export_new_and_backup(form: str, herd: Path, tmp_path: Path) -> None:
    out, again, copy = tmp_path / "out", tmp_path / "again.db", tmp_path / "copy.db"
    assert call("export", herd, out, "--as", form).exit_code == 0
    assert "rows from" in call("new", again, "--from", out).output
    assert call("backup", herd, copy).exit_code == 0
    assert checked(again)["rows"] == checked(herd)["rows"] == checked(copy)["rows"]


@pytest.mark.parametrize(
    ("arguments", "code", "reason"),
    [
        (("check", "{tmp}/gone.db"), 10, "there is no such file"),
        (("new", "{herd}"), 10, "is there already"),
        (("import-registry", "{herd}", "{tmp}/gone.csv"), 5, "cannot be read"),
        (("import-scans", "{herd}", "{tmp}/bad.csv"), 5, "spreadsheet"),
        (("record", "{herd}", "handled", "--animal", "x", "--who", "A"), 10, "not in this record"),
        (("record", "{herd}", "handled", "--who", "A", "--at", "soon"), 2, "expected a day"),
        (("look", "{herd}", "--photo", "{tmp}/gone.jpg", "--who", "A"), 7, "gone.jpg"),
        (("decide", "{herd}", "--case", "7", "--what", "x", "--who", "A"), 10, "no case 7"),
        (("check", "{tmp}/other.db"), 10, "another program"),
    ],
)
def test_errors_are_one_clear_line(
    arguments: tuple[str, ...], code: int, reason: str, herd: Path, tmp_path: Path
) -> None:
    (tmp_path / "bad.csv").write_text("number,time\n9.85E+14,2024-05-01 10:00:00\n")
    connection = sqlite3.connect(tmp_path / "other.db")
    connection.execute("CREATE TABLE t (a)")
    connection.close()
    done = call(*(a.format(tmp=tmp_path, herd=herd) for a in arguments))
    assert done.exit_code == code
    assert reason in done.stderr
    assert "Traceback" not in done.output
