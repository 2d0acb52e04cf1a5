"""A herd's own figures from TOML."""

from __future__ import annotations

from pathlib import Path

import pytest

from legibility.errors import SettingsError
from legibility.herd.handling import DEFAULT_ACTS, Handling, load_handling


def test_values_replace_defaults(tmp_path: Path) -> None:
    path = tmp_path / "costs.toml"
    path.write_text(
        "days_to_next = 30\n[costs]\nbreeding = 40\nSale = 8\n[acts.transponder]\nminutes = 2.5\n"
        'hands = 1\nsedation = true\n[acts."second reading"]\nleaves = 0.5\n'
    )
    found = load_handling(path)
    assert found.days_to_next == 30
    assert found.cost_of("For sale, breeding ewe") == 40
    assert found.cost_of("for SALE") == 8
    assert found.cost_of("") == 1
    assert found.acts["transponder"].minutes == 2.5
    assert found.acts["transponder"].sedation
    assert found.acts["second reading"].leaves == 0.5
    assert found.acts["re-mark in line"] == DEFAULT_ACTS["re-mark in line"]
    assert load_handling(None) == Handling()


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("days = 3", "unknown key 'days'"),
        ("lost_limit = 2", "lost_limit is 2; expected a number from 0 to 1"),
        ("cost = 'x'", "cost is 'x'"),
        ("costs = 3", "costs is 3; expected a table"),
        ("[acts.dance]\nminutes = 1", "unknown act 'dance'"),
        ("[acts.transponder]\npeople = 1", r"unknown key acts\.transponder\.people"),
        ("[acts.transponder]\nhands = 1.5", "expected a whole number"),
        ("[acts.transponder]\nsedation = 1", "expected true or false"),
        ("[acts.transponder]\nleaves = 1.5", "expected a number from 0 to 1"),
        ("= 3", "cannot be read"),
    ],
)
def test_bad_files(text: str, reason: str, tmp_path: Path) -> None:
    path = tmp_path / "costs.toml"
    path.write_text(text)
    with pytest.raises(SettingsError, match=reason):
        load_handling(path)
