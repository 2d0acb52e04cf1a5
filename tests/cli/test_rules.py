from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from legibility.cli import cli


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(cli, ["rules", *map(str, arguments)])


@pytest.fixture
def herd(tmp_path: Path) -> Path:
    path = tmp_path / "herd.toml"
    path.write_text('name = "Hill herd"\nprofile = "ca-simmental"\n')
    return path


def test_list_has_source_and_date_in_a_hundred_columns() -> None:
    done = run("--list")
    assert done.exit_code == 0
    assert "American Angus Association, newsletter (January 2003)" in done.stdout
    assert max(map(len, done.stdout.splitlines())) <= 100
    assert run().stdout == done.stdout
    records = [json.loads(line) for line in run("--list", "--json", "-").stdout.splitlines()]
    assert {record["kind"] for record in records} == {"rules", "year_letters"}
    assert all(record["source"] and record["dated"] for record in records)


def test_show_prints_a_rules_file(tmp_path: Path) -> None:
    (record,) = [
        json.loads(x) for x in run("--show", "us-swine", "--json", "-").stdout.splitlines()
    ]
    assert record["marks"] == 36**6
    path = tmp_path / "own.toml"
    path.write_text(record["toml"])
    assert run("--rules", path, "--mark", "A1B2C3").exit_code == 0
    assert "9 CFR 71.1" in run("--show", "us-swine").stdout
    unknown = run("--show", "nobody")
    assert unknown.exit_code == 2
    assert "adga-goats" in unknown.stderr


def test_check_of_a_registry(herd: Path, tmp_path: Path) -> None:
    registry = tmp_path / "animals.csv"
    registry.write_text("animal_id,mark,birth_year\n1,ABC1M,2024\n2,ABC2M,2023\n3,A1,\n")
    bad = run("--check", registry, "--rules", herd)
    assert bad.exit_code == 5
    assert "2 of 3 rows cannot be used" in bad.stdout
    assert max(map(len, bad.stdout.splitlines()[:-1])) <= 100
    (record,) = map(
        json.loads, run("--check", registry, "--rules", herd, "--json", "-").stdout.splitlines()
    )
    assert [(p["line"], p["field"]) for p in record["problems"]] == [(3, "birth_year"), (4, "mark")]
    assert run("--check", registry).exit_code == 0
    assert "3 rows, all keep to the rules" in run("--check", registry).stdout
    assert run("--check", tmp_path / "none.csv").exit_code == 5
    assert run("--check", registry, "--rules", tmp_path / "none.toml").exit_code == 6


def test_rules_say_how_many_marks_they_allow(herd: Path) -> None:
    done = run("--rules", herd)
    # Arithmetic: letters, number without leading 0, 22 year letters; in one row or in two.
    assert f"{2 * (26**3 + 26**4) * 9999 * 22:,} marks are allowed" in done.stdout


def test_a_mark_and_its_years(herd: Path) -> None:
    done = run("--rules", herd, "--mark", "abc1a")
    assert "year of birth by its letter: 2013" in done.stdout
    refused = run("--rules", herd, "--mark", "\u0410BC1M")
    assert refused.exit_code == 5
    assert "CYRILLIC CAPITAL LETTER A" in refused.stdout
    assert run("--mark", "A1").exit_code == 2


def test_letters_need_the_name_of_their_table() -> None:
    done = run("--letter", "M")
    assert done.exit_code == 2
    assert "a year letter means other years in other registries" in done.stderr
    (record,) = map(
        json.loads, run("--letter", "a", "--table", "bif", "--json", "-").stdout.splitlines()
    )
    assert 2013 in record["years"]
    assert "no year" in run("--letter", "V", "--table", "bif").stdout
    assert run("--letter", "M", "--table", "x").exit_code == 2
