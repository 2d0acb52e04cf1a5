"""``legibility read --same-animal`` and ``--manifest``."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import Result

from legibility.errors import PhotoError
from legibility.pipeline import session as real_session
from legibility.pipeline import session_manifest as real_manifest
from legibility.report.session import FIELDS
from tests.batch_readers import read_by_name
from tests.example_results import ambiguous_result

Run = Callable[..., Result]
PIPELINE = sys.modules["legibility.pipeline"]
"""The real package, which the fixture of this folder replaces."""


@pytest.fixture(autouse=True)
def arranged_shots(monkeypatch: pytest.MonkeyPatch) -> None:
    """Shots are read by the file's name; everything behind the reading is real."""
    for module in (PIPELINE, real_session, real_manifest):
        monkeypatch.setitem(sys.modules, module.__name__, module)

    def read_shot(path: Path, **_: object) -> real_session.ReadShot:
        if "broken" in path.name:
            raise PhotoError(f"{path.name}: the file is cut off; copy it again")
        result = ambiguous_result(str(path)) if "doubt" in path.name else read_by_name(path)
        prints = np.random.default_rng(sum(map(ord, path.name))).random(256) < 0.5
        return real_session.ReadShot(replace(result, sha256=path.name), prints)

    monkeypatch.setattr(real_session, "read_shot", read_shot)


@pytest.fixture
def herd(tmp_path: Path) -> Path:
    path = tmp_path / "herd.csv"
    path.write_text("animal_id,mark\ngoat 0142,AB3/475\ngoat 0188,A83/475\ngoat 0009,X9\n")
    return path


def test_photos_of_one_animal_become_one_record(run: Run, herd: Path) -> None:
    result = run(
        "read", "--same-animal", "doubt-1.jpg", "doubt-2.jpg", "--stage", "as-found",
        "--stage", "cleaned", "--ear", "left", "--registry", herd, "--json", "-",
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    (record,) = [json.loads(line) for line in result.stdout.splitlines()]
    assert tuple(record) == FIELDS
    assert [photo["stage"] for photo in record["photos"]] == ["as_found", "cleaned"]
    assert {photo["ear"] for photo in record["photos"]} == {"left"}
    assert record["candidates"][0]["animal_id"] == "goat 0142"
    assert record["advice"]["minutes_spent"] == 2.5


def test_the_table_says_what_to_do_and_who_decides(run: Run, herd: Path) -> None:
    result = run("read", "--same-animal", "doubt-1.jpg", "--registry", herd)
    assert result.exit_code == 0, result.output
    assert "Advice" in result.stdout
    assert "attending veterinarian to decide" in " ".join(result.stdout.split())
    assert max(map(len, result.stdout.splitlines())) <= 100


def test_past_the_budget_the_advice_is_to_stop(run: Run, herd: Path) -> None:
    arguments = ["read", "--same-animal", "doubt-1.jpg", "--registry", herd]
    result = run(*arguments, "--minutes-spent", "7", "--budget", "6")
    assert "Stop handling." in result.stdout
    result = run(*arguments, "--minutes-spent", "7", "--budget", "6", "--json", "-")
    record = json.loads(result.stdout)
    assert record["advice"]["verdict"] == "stop"
    assert record["advice"]["next_step"] is None


def test_a_manifest_gives_one_record_an_animal(run: Run, tmp_path: Path, herd: Path) -> None:
    for name in ("doubt-1.jpg", "a.jpg", "broken.jpg"):
        (tmp_path / name).write_bytes(b"")
    (tmp_path / "list.csv").write_text(
        "photo,animal,ear,stage\ndoubt-1.jpg,one,left,\na.jpg,two,,clipped\nbroken.jpg,two,,\n"
    )
    result = run("read", "--manifest", "list.csv", "--registry", herd, "--json", "-", "--jobs", "1")
    records = [json.loads(line) for line in result.stdout.splitlines()]
    assert [record["session"] for record in records] == ["one", "two"]
    assert [photo["status"] for photo in records[1]["photos"]] == ["read", "error"]
    assert result.exit_code == 4
    assert "broken.jpg: the file is cut off" in result.stderr


def test_many_animals_are_shown_by_a_line_each(run: Run, tmp_path: Path, herd: Path) -> None:
    rows = []
    for index in range(6):
        (tmp_path / f"doubt{index}.jpg").write_bytes(b"")
        rows.append(f"doubt{index}.jpg,animal {index}\n")
    (tmp_path / "list.csv").write_text("photo,animal\n" + "".join(rows))
    result = run("read", "--manifest", "list.csv", "--registry", herd, "--jobs", "1")
    assert result.stdout.count("goat 0142") == 6
    assert "Candidates" not in result.stdout


def test_steps_are_recorded_and_used_again(run: Run, tmp_path: Path, herd: Path) -> None:
    arguments = [
        "read", "--same-animal", "doubt-1.jpg", "doubt-2.jpg", "--stage", "as found",
        "--stage", "cleaned", "--registry", herd,
    ]  # fmt: skip
    assert run(*arguments, "--save-step-records", "steps.csv").exit_code == 0
    assert run(*arguments, "--save-step-records", "steps.csv").exit_code == 0
    assert len((tmp_path / "steps.csv").read_text().splitlines()) == 3
    again = run(*arguments, "--step-records", "steps.csv")
    assert "fewer than 30" in again.stderr
    lines = (tmp_path / "steps.csv").read_text().splitlines()
    (tmp_path / "many.csv").write_text("\n".join([lines[0], *lines[1:2] * 30]) + "\n")
    assert (
        "30 of the herd's own records are used"
        in run(*arguments, "--step-records", "many.csv").stderr
    )


@pytest.mark.parametrize(
    ("arguments", "wanted"),
    [
        (["read"], "Missing argument 'PHOTO...'"),
        (["read", "a.jpg", "--stage", "cleaned"], "--stage needs --same-animal"),
        (["read", "a.jpg", "--budget", "3"], "--budget needs --same-animal"),
        (["read", "a.jpg", "--manifest", "list.csv"], "give no others"),
        (["read", "--manifest", "list.csv", "--ear", "left"], "columns of the manifest"),
        (["read", "--same-animal", "a.jpg", "--stage", "shaved"], "'shaved' is not one of"),
        (["read", "--same-animal", "a.jpg", "--csv", "x.csv"], "--csv is for photos one by one"),
        (["read", "--same-animal", "a.jpg", "--minutes-spent", "-1"], "minutes-spent"),
        (
            ["read", "--same-animal", "a.jpg", "--ear", "left", "--ear", "left"],
            "2 ears for 1 photos",
        ),
    ],
)
def test_what_does_not_fit_together_is_refused(run: Run, arguments: list[str], wanted: str) -> None:
    result = run(*arguments)
    assert result.exit_code == 2
    assert wanted in result.stderr


def test_bad_lists_are_reported_before_any_photo(run: Run, tmp_path: Path) -> None:
    (tmp_path / "list.csv").write_text("photo,animal\n../x.jpg,one\n")
    result = run("read", "--manifest", "list.csv", "--json", "out.jsonl")
    assert result.exit_code == 5
    assert "line 2: photo" in result.stderr
    assert not (tmp_path / "out.jsonl").exists()
    (tmp_path / "steps.csv").write_text("step,before,after\ncleaned,2,0\n")
    result = run("read", "--same-animal", "a.jpg", "--step-records", "steps.csv")
    assert result.exit_code == 5
    assert "line 2: before" in result.stderr
