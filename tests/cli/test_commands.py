"""The other commands, help, and what all commands have in common."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

from legibility import __version__
from legibility.cli import cli
from legibility.photo.flags import FLAGS

Run = Callable[..., Result]


@pytest.mark.parametrize("name", list(cli.commands))
def test_every_command_has_help_that_fits_a_terminal(run: Run, name: str) -> None:
    result = run(name, "--help")
    assert result.exit_code == 0
    assert max(map(len, result.stdout.splitlines())) <= 80
    assert cli.commands[name].get_short_help_str()
    for parameter in cli.commands[name].params:
        assert parameter.param_type_name == "argument" or parameter.to_info_dict()["help"]


def test_version_and_overview(run: Run) -> None:
    assert run("--version").stdout == f"legibility, version {__version__}\n"
    overview = run("--help").stdout
    assert all(name in overview for name in cli.commands)


def test_an_unknown_command(run: Run) -> None:
    result = run("raed")
    assert result.exit_code == 2
    assert "No such command" in result.stderr


def test_flags_are_listed_for_people_and_programs(run: Run) -> None:
    assert "Clip the hair" in run("flags").stdout
    records = [json.loads(line) for line in run("flags", "--json", "-").stdout.splitlines()]
    assert [record["name"] for record in records] == [flag.name for flag in FLAGS]
    assert [record["bit"] for record in records] == [2**index for index in range(len(FLAGS))]


def test_check_says_what_it_found(run: Run, photo: Path) -> None:
    result = run("check", photo)
    assert result.exit_code == 0
    assert result.stdout.startswith(f"{photo}: ".splitlines()[0][:20])
    (record,) = [
        json.loads(line) for line in run("check", photo, "--json", "-").stdout.splitlines()
    ]
    assert record["status"] in {"good", "retake"}
    assert len(record["sha256"]) == 64
    assert record["measures"]


def test_check_goes_on_after_a_bad_file(run: Run, photo: Path, tmp_path: Path) -> None:
    (tmp_path / "notes.jpg").write_text("no picture")
    result = run("check", tmp_path / "notes.jpg", photo, tmp_path / "gone.jpg", "--json", "-")
    assert result.exit_code == 4
    records = [json.loads(line) for line in result.stdout.splitlines()]
    assert [record["status"] == "error" for record in records] == [True, False, True]
    assert "notes.jpg" in records[0]["reasons"][0]
    assert result.stderr.count("Error: ") == 2


def test_enhance_writes_pictures(run: Run, photo: Path, tmp_path: Path) -> None:
    result = run("enhance", photo, tmp_path / "gone.jpg", "--out", tmp_path / "out")
    assert result.exit_code == 4
    assert "gone.jpg" in result.stderr
    assert len(list((tmp_path / "out").glob("*.png"))) > 3


def test_enhance_without_an_unknown_step(run: Run, photo: Path, tmp_path: Path) -> None:
    result = run("enhance", photo, "--out", tmp_path / "out", "--without", "magic")
    assert result.exit_code == 2
    assert "magic" in result.stderr
    assert "hair" in result.stderr


def test_enhance_into_a_place_that_cannot_be_written(run: Run, photo: Path) -> None:
    result = run("enhance", photo, "--out", photo)
    assert result.exit_code == 7
    assert result.stderr.count("\n") == 1


def test_models_are_listed_with_their_digests(run: Run) -> None:
    records = [json.loads(line) for line in run("models", "--json", "-").stdout.splitlines()]
    assert records
    assert all(len(record["sha256"]) == 64 for record in records)
    assert records[0]["name"] in run("models").stdout


def test_a_closed_pipe_ends_the_program_quietly() -> None:
    reading, writing = os.pipe()
    os.close(reading)
    done = subprocess.run(
        [sys.executable, "-m", "legibility", "flags"],
        stdout=writing,
        stderr=subprocess.PIPE,
        timeout=300,
        check=False,
    )
    os.close(writing)
    assert done.stderr == b""


def test_a_terminal_that_knows_only_ascii(tmp_path: Path) -> None:
    name = tmp_path / "Öhr-耳.jpg"
    done = subprocess.run(
        [sys.executable, "-m", "legibility", "check", str(name)],
        env={**os.environ, "PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"},
        capture_output=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 4
    assert b"there is no such file" in done.stderr
    assert b"Traceback" not in done.stderr


def test_a_name_that_is_not_utf8(tmp_path: Path) -> None:
    name = os.fsencode(tmp_path) + b"/ear\xe9.jpg"
    done = subprocess.run(
        [sys.executable, "-m", "legibility", "check", name, "--json", "-"],
        capture_output=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 4
    assert json.loads(done.stdout)["photo"].endswith("ear\\xe9.jpg")


def test_an_output_that_is_full_is_one_line() -> None:
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "legibility", "flags"],
            stdout=full,
            stderr=subprocess.PIPE,
            timeout=300,
            check=False,
        )
    assert done.returncode == 7
    assert done.stderr.count(b"\n") == 1
    assert b"No space left" in done.stderr
