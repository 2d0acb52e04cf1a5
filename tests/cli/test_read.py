"""``legibility read``: output, files and exit codes."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

from legibility.report.record import FIELDS

Run = Callable[..., Result]


def lines_of(text: str) -> list[dict[str, object]]:
    return [json.loads(line) for line in text.splitlines()]


def photos(folder: Path, *names: str) -> Path:
    folder.mkdir(exist_ok=True)
    for name in names:
        (folder / name).write_bytes(b"")
    return folder


def test_one_photo_is_shown_with_all_details(run: Run) -> None:
    result = run("read", "doubt.jpg")
    assert result.exit_code == 0
    assert "Candidates" in result.stdout
    assert "goat 0142" in result.stdout
    assert "attending veterinarian" in result.stdout
    assert result.stderr == ""


def test_a_folder_is_shown_by_a_line_a_photo(run: Run, tmp_path: Path) -> None:
    folder = photos(tmp_path / "pen", *(f"{index}.jpg" for index in range(6)))
    result = run("read", folder, "--jobs", "1")
    assert result.exit_code == 0
    assert result.stdout.count("identified") == 6
    assert "6 photos looked at." in result.stdout
    assert "Candidates" not in result.stdout
    assert "Candidates" in run("read", folder, "--jobs", "1", "--details").stdout


def test_json_lines_follow_the_contract_in_input_order(run: Run) -> None:
    result = run("read", "b.jpg", "broken.jpg", "a.jpg", "--json", "-")
    records = lines_of(result.stdout)
    assert [list(record) for record in records] == [list(FIELDS)] * 3
    assert [record["photo"] for record in records] == ["b.jpg", "broken.jpg", "a.jpg"]
    assert [record["status"] for record in records] == ["read", "error", "read"]
    assert records[1]["reasons"] == ["broken.jpg: the file is cut off; copy it again"]
    assert result.exit_code == 4
    assert result.stderr == "Error: broken.jpg: the file is cut off; copy it again\n"


def test_a_failed_photo_in_the_table_and_the_exit_code(run: Run) -> None:
    result = run("read", "broken.jpg")
    assert result.exit_code == 4
    assert "could not be used" in result.stdout
    assert "copy it again" in result.stdout


def test_json_file_appears_whole_and_can_be_gone_on_with(run: Run, tmp_path: Path) -> None:
    target = tmp_path / "out.jsonl"
    first = run("read", "a.jpg", "--json", target)
    assert first.exit_code == 0
    assert "1 photo looked at." in first.stdout
    with target.open("a") as file:
        file.write('{"photo": "b.jp')
    again = run("read", "a.jpg", "b.jpg", "--json", target, "--resume")
    assert again.exit_code == 0
    assert [record["photo"] for record in lines_of(target.read_text())] == ["a.jpg", "b.jpg"]
    assert "1 skipped" in again.stdout
    assert not (tmp_path / "out.jsonl.part").exists()


@pytest.mark.parametrize("arguments", [["--resume"], ["--resume", "--json", "-"]])
def test_resume_needs_a_file(run: Run, arguments: list[str]) -> None:
    result = run("read", "a.jpg", *arguments)
    assert result.exit_code == 2
    assert "--json FILE" in result.stderr


def test_csv_is_written_and_harmless(run: Run, tmp_path: Path) -> None:
    result = run("read", "--csv", "out.csv", "--", "=doubt.jpg", "-b.jpg")
    assert result.exit_code == 0
    with (tmp_path / "out.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["photo"] for row in rows] == ["'=doubt.jpg", "'-b.jpg"]


def test_pictures_of_the_steps_and_their_page(run: Run, tmp_path: Path) -> None:
    name = "<script>doubt.jpg"
    result = run("read", name, "--save-steps", "steps")
    assert result.exit_code == 0
    assert "index.html" in result.stdout
    page = (tmp_path / "steps" / "index.html").read_text()
    assert "<script" not in page
    assert "&lt;script&gt;doubt.jpg" in page
    assert len(list((tmp_path / "steps").glob("*/*.png"))) > 6


@pytest.mark.parametrize(
    "arguments",
    [
        ["--json", "blocked/out.jsonl"],
        ["--csv", "blocked/out.csv"],
        ["--save-steps", "blocked/steps"],
        ["--json", "."],
    ],
)
def test_output_that_cannot_be_written(run: Run, tmp_path: Path, arguments: list[str]) -> None:
    (tmp_path / "blocked").write_text("a file, no folder")
    result = run("read", "a.jpg", *arguments)
    assert result.exit_code == 7
    assert result.stderr.count("\n") == 1
    assert result.stderr.startswith("Error: ")
    assert "cannot be written" in result.stderr


def test_an_empty_folder(run: Run, tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    result = run("read", "empty", "--json", "out.jsonl")
    assert result.exit_code == 4
    assert "empty: no photo found" in result.stderr
    assert not (tmp_path / "out.jsonl").exists()


def test_photos_given_twice_are_read_twice(run: Run) -> None:
    result = run("read", "a.jpg", "a.jpg", "--json", "-")
    assert len(lines_of(result.stdout)) == 2


def test_a_name_that_is_no_text(run: Run) -> None:
    result = run("read", "ear\udce9.jpg", "--json", "-")
    assert result.exit_code == 0
    assert result.stdout.isascii()
    assert len(lines_of(result.stdout)) == 1


def test_a_bad_registry_is_reported_before_any_photo(run: Run, tmp_path: Path) -> None:
    (tmp_path / "herd.csv").write_text("animal_id,mark\n1,A/B/C\n")
    result = run("read", "a.jpg", "--registry", "herd.csv", "--json", "-")
    assert result.exit_code == 5
    assert result.stdout == ""
    assert "herd.csv" in result.stderr
    assert "2" in result.stderr


@pytest.mark.parametrize("option", ["--settings", "--rules"])
def test_a_bad_settings_or_rules_file(run: Run, tmp_path: Path, option: str) -> None:
    (tmp_path / "a.toml").write_text("colour = 1\n")
    result = run("read", "a.jpg", option, "a.toml")
    assert result.exit_code == 6
    assert "a.toml" in result.stderr
    assert run("read", "a.jpg", option, "missing.toml").exit_code == 6


def test_a_missing_model_is_reported_once(run: Run) -> None:
    result = run("read", "nomodel.jpg", "b.jpg", "--json", "out.jsonl")
    assert result.exit_code == 8
    assert result.stderr.count("\n") == 1


def test_an_unexpected_error_is_one_line_and_the_others_go_on(run: Run) -> None:
    result = run("read", "bug.jpg", "b.jpg", "--json", "-")
    assert result.exit_code == 4
    assert [record["status"] for record in lines_of(result.stdout)] == ["error", "read"]
    assert "Traceback" not in result.stderr
    assert result.stderr.count("\n") == 1


def test_a_worklist_names_whom_to_look_at_first(run: Run, tmp_path: Path) -> None:
    (tmp_path / "herd.csv").write_text(
        "animal_id,mark\ngoat 0142,AB3/475\ngoat 0188,A83/475\ngoat 0009,X9\ntwin,X9\n"
    )
    arguments = ["read", "a.jpg", "doubt.jpg", "--registry", "herd.csv", "--worklist"]
    result = run(*arguments)
    assert result.exit_code == 0
    listed = result.stdout.split("Whom to look at first")[1]
    assert listed.index("goat 0142") < listed.index("goat 0009")
    assert "goat 0188" in listed
    assert "Note: " in result.stderr
    aside = run(*arguments, "--json", "-")
    assert len(lines_of(aside.stdout)) == 2
    assert "Whom to look at first" in aside.stderr
