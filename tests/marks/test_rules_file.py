from __future__ import annotations

from pathlib import Path

import pytest

from legibility.errors import SettingsError
from legibility.marks.rules import Form, Rules
from legibility.marks.rules_file import load_rules


def loaded(tmp_path: Path, text: str) -> Rules:
    path = tmp_path / "herd.toml"
    path.write_text(text, encoding="utf-8")
    return load_rules(path)


def test_all_keys(tmp_path: Path) -> None:
    text = """\ufeff
name = "Hill herd"
characters = "ABCDEFGHJKLMNPQRSTUVWXYZ0123456789"
exclude = "Q"
prefix = "KT"
year_letters = "bif"
[[forms]]
ear = "left"
rows = ["{prefix}", "#{1,3}{year}"]
[[forms]]
rows = ["{prefix}#{3}{check}"]
check = "mod-37-2"
check_covers = "all"
"""
    assert loaded(tmp_path, text) == Rules(
        characters="ABCDEFGHJKLMNPQRSTUVWXYZ0123456789",
        exclude="Q",
        prefix="KT",
        year_letters="bif",
        name="Hill herd",
        forms=(
            Form(("{prefix}", "#{1,3}{year}"), ear="left"),
            Form(("{prefix}#{3}{check}",), check="mod-37-2"),
        ),
    )


def test_a_profile_with_own_keys(tmp_path: Path) -> None:
    # Canadian Simmental Association by the ready-made profile; "I" left out by the herd itself.
    rules = loaded(tmp_path, 'profile = "ca-simmental"\nexclude = "I"')
    assert rules.year_letters == "bif"
    assert rules.problem("ABC12M") == ""
    assert rules.problem("ABI12M") != ""
    own = loaded(tmp_path, 'profile = "us-angus"\n[[forms]]\nrows = ["KT#{1,4}"]')
    assert own.problem("KT1234") == ""


FORM = '[[forms]]\nrows = ["#"]\n'


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("forms = 3", "forms is 3; expected list"),
        ("forms = [3]", "form 1: is 3"),
        ("[[forms]]", "form 1: rows is None"),
        ("[[forms]]\nrows = []", "form 1: rows is []"),
        ("[[forms]]\nrows = ['#', '#', '#']", "expected one or two patterns"),
        ("[[forms]]\nrows = [1]", "expected one or two patterns"),
        (FORM + "row = '#'", "form 1: unknown key 'row'"),
        (FORM + "ear = 'both'", "form 1: ear is 'both'"),
        (FORM + "ear = 1", "form 1: ear is 1; expected text"),
        (FORM + FORM + "check = 'luhn-9'", "form 2: check is 'luhn-9'; known: mod-11-2"),
        (FORM + "check_covers = 'x'", "form 1: check_covers is 'x'"),
        (FORM + "check = 'damm'", "form 1: check is 'damm', but no row has {check}"),
        ("max_rows = 1\n" + FORM, "max_rows has no meaning beside [[forms]]"),
        ("prefix = 'KT'\n" + FORM, "no row of [[forms]] has {prefix}"),
        ("prefix = 'Kt'", "prefix: 't'"),
        ("prefix = 'KTKT'\nlongest_row = 3", "longer than longest_row = 3"),
        ("exclude = 'AA'", "names one twice"),
        ("characters = 'AB'\nexclude = 'AB'", "leaves no character in use"),
        ("year_letters = 'bif'", "no row of [[forms]] has {year}"),
        ("year_letters = 'x'\n" + FORM, "year_letters is 'x'; known: bif, adga"),
        ("[[forms]]\nrows = ['#{year}']", "other years in other registries"),
        ("[[forms]]\nrows = ['#', '(']", "forms: form 1: rows: '(' cannot be understood"),
        ("profile = 'x'", "profile is 'x'; known: adga-goats"),
        ("profile = 3", "profile is 3; known"),
    ],
)
def test_errors_name_file_and_key(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(SettingsError, match=r"herd\.toml: ") as caught:
        loaded(tmp_path, text)
    assert words in str(caught.value)


def test_not_text(tmp_path: Path) -> None:
    path = tmp_path / "herd.toml"
    path.write_bytes(b"name = '\xff'")
    with pytest.raises(SettingsError, match="cannot be read as rules"):
        load_rules(path)
