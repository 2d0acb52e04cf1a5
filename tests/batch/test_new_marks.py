"""New marks from files: what counts as registered, advice, and what cannot be done."""

from __future__ import annotations

from pathlib import Path

import pytest

from legibility.batch.new_marks import new_marks
from legibility.errors import RegistryError, SettingsError

RULES = 'characters = "ABCDEFGH0123"\nshortest_row = 2\nlongest_row = 2\nmax_rows = 1\n'
HERD = "animal_id,mark,birth_year,status\nN1,A1,2010,dead\nN2,B2,2024,\nN3,C3,2023,dead\n"


def files(tmp_path: Path, *, rules: str = RULES, herd: str = HERD) -> tuple[Path, Path]:
    registry, rules_file = tmp_path / "herd.csv", tmp_path / "rules.toml"
    registry.write_text(herd)
    rules_file.write_text(rules)
    return registry, rules_file


def test_marks_of_the_dead_count_until_the_window_is_over(tmp_path: Path) -> None:
    registry, rules = files(tmp_path)
    always = new_marks(registry, rules=rules, count=3, year=2025)
    assert (always.registered, always.released) == (3, 0)
    window = new_marks(registry, rules=rules, count=3, reuse_window=10, year=2025)
    assert (window.registered, window.released) == (2, 1)
    # N2 lives and N3 was born two years ago: their marks stay taken.
    marks = {mark.mark for mark in window.proposal.marks}
    assert not marks & {"B2", "C3"}


def test_summary_holds_what_the_table_needs(tmp_path: Path) -> None:
    registry, rules = files(tmp_path)
    found = new_marks(registry, rules=rules, count=4, condition="mild")
    summary = found.summary()
    assert summary["condition"] == "mild (grade 3.0 of 4)"
    assert summary["space"]["allowed"] == 144
    assert summary["alphabet"][0]["left_out"] == ""
    assert set(summary["advised_out"]) <= set("ABCDEFGH0123")
    # (12, 2): 144 marks, 144/23 = 6.3 of them differ in both places, at most 12 do.
    assert summary["codes"] == [[1, 144, 144, 144], [2, 7, 144, 12]]
    assert summary["check"]["scheme"] == "mod-37-36"
    assert summary["check"]["with_check"] > summary["check"]["without"]


def test_more_than_there_are_says_how_many_exist(tmp_path: Path) -> None:
    registry, rules = files(tmp_path)
    with pytest.raises(SettingsError, match="allows 144 in all"):
        new_marks(registry, rules=rules, count=145)
    with pytest.raises(SettingsError, match=r"100 marks are asked for, \d+ exist .* allow 144"):
        new_marks(registry, rules=rules, count=100)


def test_rules_that_allow_nothing_and_bad_numbers(tmp_path: Path) -> None:
    nothing = 'exclude = "A"\n[[form]]\nrows = ["@"]\n'
    registry, rules = files(tmp_path, rules=nothing.replace('"A"', '"ABCDEFGHIJKLMNOPQRSTUVWXYZ"'))
    with pytest.raises(SettingsError):
        new_marks(registry, rules=rules, count=1)
    registry, rules = files(tmp_path)
    with pytest.raises(SettingsError, match="bound"):
        new_marks(registry, rules=rules, count=1, bound=1.0)
    with pytest.raises(SettingsError, match="condition"):
        new_marks(registry, rules=rules, count=1, condition="shiny")
    registry.write_text("animal_id,mark\n")
    with pytest.raises(RegistryError):
        new_marks(registry, rules=rules, count=1)


def test_needles_of_learned_dies_count(tmp_path: Path) -> None:
    registry, rules = files(tmp_path)
    dies = tmp_path / "dies.toml"
    points = ", ".join(f"[{0.05 * k:.2f}, 0.0]" for k in range(20))
    dies.write_text(
        "format = 1\n"
        + "".join(f'\n[[die]]\ncharacter = "{c}"\nneedles = [{points}]\n' for c in "ABCDEFGH0123")
    )
    found = new_marks(registry, rules=rules, count=3, dies=dies, needles_max=39)
    assert all(mark.needles == 40 and mark.too_many_needles for mark in found.proposal.marks)


HD = "animal_id,mark,birth_year\n" + "".join(
    f"A{k},HD{k:03d},{2018 + k // 20}\n" for k in range(1, 100)
)


def test_without_rules_the_herds_numbers_go_on(tmp_path: Path) -> None:
    registry, _ = files(tmp_path, herd=HD + "B1,HDO12,2019\n")
    found = new_marks(registry, count=3, condition="new", year=2025)
    assert found.forms.title == "forms learned from 100 marks"
    assert any("numbers go on from HD100" in line for line in found.forms.said)
    assert any("HDO12" in line for line in found.forms.said)
    numbers = [int(mark.mark.removeprefix("HD")) for mark in found.proposal.marks]
    assert all(number >= 100 for number in numbers)
    assert {record["forms"] for record in found.records()} == {found.forms.title}


def test_rules_given_win_over_learned_ones(tmp_path: Path) -> None:
    registry, rules = files(tmp_path, herd=HD)
    found = new_marks(registry, rules=rules, count=3)
    assert found.forms.said == ()
    assert all(len(mark.mark) == 2 for mark in found.proposal.marks)


def test_a_dense_herd_gets_the_safest_marks_there_are(tmp_path: Path) -> None:
    herd = "animal_id,mark\n" + "".join(f"A{k},HD{k:03d}\n" for k in range(500))
    registry, _ = files(tmp_path, herd=herd)
    found = new_marks(registry, count=20, year=2025)
    assert found.bound > found.bound_wanted == 1e-3
    assert all(mark.probability < found.bound for mark in found.proposal.marks)
    with pytest.raises(SettingsError, match="20 marks are asked for"):
        new_marks(registry, count=20, bound=1e-3, year=2025)


@pytest.mark.parametrize("slash", ["", "/"])
def test_a_registered_mark_is_not_proposed_in_other_rows(tmp_path: Path, slash: str) -> None:
    herd = "animal_id,mark\n" + "".join(
        f"A{k},{a}{slash if k % 2 else ''}{k % 10}\n" for k, a in enumerate("ABCDEFGH" * 8)
    )
    registry, rules = files(
        tmp_path,
        herd=herd,
        rules='[[forms]]\nrows = ["[A-HX]#"]\n[[forms]]\nrows = ["[A-HX]", "#"]\n',
    )
    taken = {line.split(",")[1].replace("/", "") for line in herd.splitlines()[1:]}
    found = new_marks(registry, rules=rules, count=3, bound=0.2, condition="new")
    proposed = [mark.mark.replace("/", "") for mark in found.proposal.marks]
    assert not taken & set(proposed)
    assert len(set(proposed)) == len(proposed)
