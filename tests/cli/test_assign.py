"""``legibility assign``: what it prints, writes and refuses."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

from click.testing import Result

RULES = 'characters = "ABCDEFGH0123"\nshortest_row = 2\nlongest_row = 2\nmax_rows = 1\n'


def prepared() -> list[str]:
    Path("herd.csv").write_text("animal_id,mark\nN1,A1\nN2,B2\n")
    Path("rules.toml").write_text(RULES)
    return ["assign", "herd.csv", "--rules", "rules.toml"]


def test_same_seed_same_json_and_csv(run: Callable[..., Result]) -> None:
    command = prepared()
    first = run(*command, "--count", "4", "--json", "-", "--csv", "marks.csv")
    assert first.exit_code == 0
    assert first.stdout == run(*command, "--count", "4", "--json", "-").stdout
    records = [json.loads(line) for line in first.stdout.splitlines()]
    assert len({record["mark"] for record in records}) == 4
    assert all(record["probability"] < 1e-3 for record in records)
    assert len(Path("marks.csv").read_text().splitlines()) == 5


def test_table_names_marks_room_characters_and_check(run: Callable[..., Result]) -> None:
    result = run(*prepared(), "--count", "3")
    assert result.exit_code == 0
    for words in ("3 new marks", "How many such marks exist", "Characters:", "Check character:"):
        assert words in result.stdout


def test_too_many_is_one_clear_line(run: Callable[..., Result]) -> None:
    result = run(*prepared(), "--count", "500")
    assert result.exit_code == 6
    assert "allows 144 in all" in result.stderr


def test_no_rules_are_needed(run: Callable[..., Result]) -> None:
    lines = [f"A{k},K{k},{2015 + k // 10}" for k in range(1, 90)]
    Path("herd.csv").write_text("\n".join(["animal_id,mark,birth_year", *lines]) + "\n")
    result = run("assign", "herd.csv", "--count", "50")
    assert result.exit_code == 0
    assert "Marks keep to forms learned from 89 marks:" in result.stdout
    records = run("assign", "herd.csv", "--count", "50", "--json", "-").stdout.splitlines()
    marks = [json.loads(line) for line in records]
    assert {mark["forms"] for mark in marks} == {"forms learned from 89 marks"}
    assert not {mark["mark"] for mark in marks} & {f"K{k}" for k in range(1, 90)}
