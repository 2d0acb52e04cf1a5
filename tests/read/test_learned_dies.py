"""The file of a herd's dies: round trip, merging, and what is refused."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest

from legibility.errors import OutputError, SettingsError
from legibility.read.learned_dies import LearnedDies, load_dies, merge, save_dies, unit_box

L_DIE = np.array([[0.0, 0.0], [0.0, 0.33], [0.0, 0.66], [0.0, 1.0], [0.3, 1.0], [0.6, 1.0]])
OTHER_L = np.array([[0.0, 0.0], [0.0, 0.5], [0.0, 1.0], [0.5, 1.0]])


def test_file_is_toml_and_comes_back(tmp_path: Path) -> None:
    known = merge(LearnedDies(), [("L", L_DIE), ("7", OTHER_L)])
    save_dies(known, tmp_path / "dies.toml")
    values = tomllib.loads((tmp_path / "dies.toml").read_text())
    assert values["format"] == 1
    assert [die["character"] for die in values["die"]] == ["L", "7"]
    again = load_dies(tmp_path / "dies.toml")
    assert again.characters == "L7"
    for before, after in zip(known.dies, again.dies, strict=True):
        assert np.allclose(before.needles, after.needles, atol=1e-4)


def test_seen_again_is_averaged_and_another_die_is_kept_beside() -> None:
    first = merge(LearnedDies(), [("L", L_DIE)])
    shaken = L_DIE + np.array([[0.01, 0.0]] * 3 + [[-0.01, 0.0]] * 3)
    second = merge(first, [("L", shaken + 5.0)])
    assert [die.seen for die in second.dies] == [2]
    middle = (L_DIE + shaken) / 2
    apart = second.dies[0].needles - middle
    assert np.allclose(apart, apart[0], atol=0.005)
    both = merge(second, [("L", OTHER_L)])
    assert [(len(die.needles), die.seen) for die in both.of("L")] == [(6, 2), (4, 1)]


def test_a_needle_that_the_first_card_lacked_is_known_from_the_second_on() -> None:
    first = merge(LearnedDies(), [("L", L_DIE[[0, 1, 3, 4, 5]])])
    second = merge(first, [("L", L_DIE)])
    assert [(len(die.needles), die.seen) for die in second.dies] == [(6, 1)]
    # Two cards agree: one dot more on a third is a stain or another die.
    third = merge(merge(first, [("L", L_DIE[[0, 1, 3, 4, 5]])]), [("L", L_DIE)])
    assert [(len(die.needles), die.seen) for die in third.dies] == [(5, 2), (6, 1)]


def test_unit_box_begins_at_the_left_edge_and_the_top() -> None:
    box = unit_box(merge(LearnedDies(), [("L", L_DIE)]).dies[0].needles)
    assert np.allclose(box, L_DIE)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("format = 2\n", "format is 2; expected 1"),
        ("not toml", "cannot be read"),
        ("format = 1\ndie = 3\n", "no list"),
        (
            'format = 1\n[[die]]\ncharacter = "k"\nneedles = [[0,0],[0,1],[1,1]]\n',
            "die 1: character",
        ),
        ('format = 1\n[[die]]\ncharacter = "K"\nneedles = [[0,0],[0,9],[1,1]]\n', "die 1: needles"),
        ('format = 1\n[[die]]\ncharacter = "K"\nseen = 0\nneedles = [[0,0]]\n', "die 1: seen"),
        ('format = 1\n[[die]]\ncharacter = "K"\nneedles = [[0,0],[0,nan],[1,1]]\n', "needles"),
    ],
)
def test_bad_files_name_die_and_field(tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / "dies.toml").write_text(text)
    with pytest.raises(SettingsError, match=words):
        load_dies(tmp_path / "dies.toml")


def test_missing_file_and_folder(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="cannot be read"):
        load_dies(tmp_path / "none.toml")
    with pytest.raises(OutputError, match="cannot be written"):
        save_dies(LearnedDies(), tmp_path / "no folder" / "dies.toml")
