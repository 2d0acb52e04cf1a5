from __future__ import annotations

from pathlib import Path

import pytest

from legibility.errors import SettingsError
from legibility.identify.rules import Rules, load_rules


def test_rules_from_file(tmp_path: Path) -> None:
    path = tmp_path / "rules.toml"
    # 9 CFR 79.1: flock numbers have at most 9 characters and leave out I, O and Q.
    path.write_text(
        'characters = "ABCDEFGHJKLMNPRSTUVWXYZ0123456789"\nlongest_row = 9\nmax_rows = 1'
    )
    rules = load_rules(path)
    assert rules == Rules("ABCDEFGHJKLMNPRSTUVWXYZ0123456789", 1, 9, 1)
    assert rules.problem("TX1234567") == ""
    assert "'O'" in rules.problem("TXO1")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("letters = 3", "unknown rule 'letters'"),
        ("max_rows = true", "expected int"),
        ("max_rows = 3", "expected 1 or 2"),
        ("characters = 'ab'", "'a'"),
        ("characters = ''", "is empty"),
        ("characters = 'AA'", "names one twice"),
        ("shortest_row = 5\nlongest_row = 4", "shortest_row is 5"),
        ("longest_row = 13", "longest_row 13"),
        ("x =", "cannot be read as rules"),
    ],
)
def test_bad_rules(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "rules.toml"
    path.write_text(text)
    with pytest.raises(SettingsError, match=r"rules\.toml") as caught:
        load_rules(path)
    assert words in str(caught.value)
