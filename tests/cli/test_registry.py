"""``legibility registry`` and ``--columns`` as a user calls them."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

from legibility.store.animals import all_chips
from legibility.store.database import create_herd, open_herd
from legibility.store.marks import current_marks

Run = Callable[..., Result]

FARM = (
    "Bestandsliste\n"
    "Ohrmarke;Name;Tätowierung links;Tätowierung rechts;Geb.-Datum;Geschl.;Mutter\n"
    "DE 01 12345;Frieda;HD 782;;3.4.2019;w;Berta\n"
    "DE 01 12346;Anna;HD 783;K.17;13.4.2019;w;\n"
    "DE 01 12347;Bock 3;HD/784;;1.12.2020;m;Anna\n"
    "DE 01 12348;Kühne;hd784;;1.12.2020;w;Anna\n"
    "Summe;4;;;;;\n"
)
# Examples of an ICAR list of animal identifiers (Germany, United States).
CHIPS = ("276000312312345", "840003123456789")


@pytest.fixture(autouse=True)
def arranged_reader() -> None:
    """No photo is read here: the pipeline is the real one."""


def write(name: str, text: str, encoding: str = "utf-8") -> None:
    Path(name).write_text(text, encoding=encoding)


def test_a_farmers_list_is_shown_as_understood(run: Run) -> None:
    write("hof.csv", FARM, "cp1252")
    done = run("registry", "hof.csv")
    assert done.exit_code == 0, done.output
    text = " ".join(done.stdout.split())
    for words in (
        "CSV, semicolon, Windows-1252; headings in line 2, 4 rows",
        "animal A 'Ohrmarke' DE 01 12345 | DE 01 12346 | DE 01 12347",
        "mark, right ear D 'Tätowierung rechts' - | K.17 | -",
        "'Mutter': speaks of another animal",
        "line 7: 'Summe 4' is no animal",
        "DE 01 12347 (HD/784) and DE 01 12348 (hd784) cannot be told apart by characters alone",
        "4 animals can be used.",
    ):
        assert words in text, (words, done.stdout)


def test_the_answer_is_saved_and_used_by_other_commands(run: Run) -> None:
    write("two.csv", "Tag,Tattoo,Tattoo no\nUK 1,HD1,5\nUK 2,HD2,6\nUK 3,HD3,7\n")
    write("herd.toml", 'exclude = "O"   # mine\n')
    asked = run("risk", "two.csv", "--rules", "herd.toml")
    assert asked.exit_code == 5
    assert "several columns look like the mark" in asked.stderr
    assert "--columns 'mark=\"Tattoo no\"'" in asked.stderr
    refused = run("registry", "two.csv", "--save", "herd.toml")
    assert refused.exit_code == 5
    assert "nothing was saved" in refused.stderr
    saved = run(
        "registry", "two.csv", "--columns", "mark=Tattoo", "--rules", "herd.toml",
        "--save", "herd.toml",
    )  # fmt: skip
    assert saved.exit_code == 0, saved.output
    assert Path("herd.toml").read_text("utf-8") == (
        'exclude = "O"   # mine\n\n[columns]\nanimal_id = "Tag"\nmark = "Tattoo"\n'
    )
    used = run("risk", "two.csv", "--rules", "herd.toml", "--json", "-")
    assert [json.loads(line)["mark"] for line in used.stdout.splitlines()] == ["HD1", "HD2", "HD3"]
    other = run(
        "registry", "two.csv", "--columns", 'mark="Tattoo no"', "--rules", "herd.toml",
        "--save", "herd.toml",
    )  # fmt: skip
    assert other.exit_code == 0
    assert 'mark = "Tattoo no"' in Path("herd.toml").read_text("utf-8")
    assert Path("herd.toml").read_text("utf-8").count("[columns]") == 1


def test_columns_said_wrongly_end_in_one_line(run: Run) -> None:
    write("herd.csv", "Tag,Tattoo\nUK 1,HD1\n")
    for said, words, code in (
        ("mark", "cannot be understood", 6),
        ("marke=Tattoo", "unknown column 'marke'; known: animal_id, mark", 6),
        (
            "mark=Mark",
            "mark is said to be 'Mark', which no column has; the columns: Tag, Tattoo",
            5,
        ),
        ("dates=my", "expected one of dmy, mdy, ymd", 6),
    ):
        done = run("risk", "herd.csv", "--columns", said)
        assert (done.exit_code, words in done.stderr) == (code, True), done.stderr


def test_json_says_all_of_it(run: Run) -> None:
    write("herd.csv", "Tag;Tattoo;Chip;X\nUK 1;HD 1;9.85E+14;\nUK 2;H!;;\nUK 3;HD3;;\n")
    done = run("registry", "herd.csv", "--json", "-")
    assert done.exit_code == 5
    found = json.loads(done.stdout)
    assert [(c["role"], c["heading"]) for c in found["columns"]] == [
        ("animal_id", "Tag"), ("mark", "Tattoo"), ("chip", "Chip"),
    ]  # fmt: skip
    assert [(p["where"], p["field"]) for p in found["refused"]] == [
        ("line 2, column Chip", "chip"), ("line 3, column Tattoo", "mark"),
    ]  # fmt: skip
    assert "a spreadsheet has shortened" in found["refused"][0]["problem"]
    assert found["choice"] == "animal_id=Tag,mark=Tattoo,chip=Chip"
    assert (found["rows"], found["animals"]) == (3, 2)


def registry_of_400() -> str:
    lines = ["Tag;Tattoo;Chip"]
    for n in range(400):
        chip = CHIPS[n] if n < 2 else ""
        lines.append(f"UK {n};HD{n};{chip}")
    lines[11] = "UK 10;HD10;9.85E+14"
    lines[21] = "UK 20;HD20;84000312345678"
    return "\n".join(lines) + "\n"


def test_two_bad_chips_of_400_hold_nothing_up_and_are_not_silent(run: Run) -> None:
    write("herd.csv", registry_of_400())
    create_herd(Path("herd.db")).close()
    refused = run("herd", "import-registry", "herd.db", "herd.csv")
    assert refused.exit_code == 5
    for words in (
        "2 problems; nothing was imported",
        "line 12, column Chip: chip: 9.85E+14: a spreadsheet has shortened",
        "line 22, column Chip: chip: 84000312345678 has 14 digits",
        "import the rest with --accept-good (no row would be left out whole)",
    ):
        assert words in refused.stderr, refused.stderr
    with open_herd(Path("herd.db")) as db:
        assert db.count("animals") == 0
    done = run("herd", "import-registry", "herd.db", "herd.csv", "--accept-good")
    assert done.exit_code == 0, done.output
    assert "line 12, column Chip" in done.stderr
    assert "400 rows: 400 new" in done.stdout
    with open_herd(Path("herd.db")) as db:
        assert {c.number for c in all_chips(db)} == set(CHIPS)
        assert len(list(current_marks(db))) == 400


def test_a_kid_not_marked_yet_does_not_keep_the_list_from_being_used(run: Run) -> None:
    write("herd.csv", "Tag;Tattoo;Chip\nUK 1;HD1;9.85E+14\nUK 2;;\nUK 3;HD31;\nUK 4;HD72;\n")
    refused = run("risk", "herd.csv")
    assert refused.exit_code == 5
    assert "line 3, column Tattoo: mark is empty" in refused.stderr
    assert "go on without them: --columns rows=usable" in refused.stderr
    done = run("risk", "herd.csv", "--columns", "rows=usable", "--json", "risk.json")
    assert done.exit_code == 0, done.output
    assert "3 animals" in done.stdout
    flat = " ".join(done.output.split())
    assert "left out, line 3, column Tattoo: mark is empty" in flat
    wrong = run("risk", "herd.csv", "--columns", "rows=some")
    assert "rows is 'some'; expected usable" in wrong.stderr


def test_rows_without_a_mark_are_left_out_whole(run: Run) -> None:
    write("herd.csv", "Tag,Tattoo,Born\nUK 1,HD1,2020\nUK 2,??,2020\nUK 1,HD9,2020\nUK 4,HD4,2\n")
    create_herd(Path("herd.db")).close()
    done = run("herd", "import-registry", "herd.db", "herd.csv", "--accept-good")
    assert done.exit_code == 0, done.output
    assert "2 of 4 rows as a whole" in done.stderr
    assert "line 4, column Tag: animal_id 'UK 1' was already on line 2" in done.stderr
    with open_herd(Path("herd.db")) as db:
        assert [(m.animal_id, m.text) for m in current_marks(db)] == [
            ("UK 1", "HD1"),
            ("UK 4", "HD4"),
        ]


def test_forms_of_the_marks_are_shown_and_saved_as_rules(run: Run) -> None:
    lines = [f"A{n},HD {n:03d}" for n in range(1, 90)]
    write("herd.csv", "\n".join(["Tag,Tattoo", *lines, "A90,HDO12"]) + "\n")
    done = run("registry", "herd.csv", "--save", "herd.toml", "--json", "look.json")
    assert done.exit_code == 0, done.output
    text = " ".join(done.stdout.split())
    for words in (
        "Forms learned from 90 marks (used where no --rules are given): 89 marks: HD, 3 figures",
        "1 mark keeps to none of these",
        "HDO12: the letter O where HD012 has the figure 0",
        '[[forms]] rows = ["{prefix}#{3}"]',
        "1 mark of another form is refused with these rules",
    ):
        assert words in text, (words, done.stdout)
    forms = json.loads(Path("look.json").read_text())["forms"]
    assert forms["title"] == "forms learned from 90 marks"
    assert [form["marks"] for form in forms["forms"]] == [89]
    assert [odd["animal_id"] for odd in forms["exceptions"]] == ["A90"]
    # The file does what it says: the slip is refused, and the rest is of its one form.
    refused = run("rules", "--check", "herd.csv", "--rules", "herd.toml")
    assert "mark 'HDO12' has 'O' at place 3; the rules allow 0-9" in refused.output
    assert "1 of 90 rows cannot be used" in refused.output
    assert run("registry", "herd.csv", "--rules", "herd.toml").exit_code == 5


def test_a_rules_file_that_is_there_keeps_its_own_forms(run: Run) -> None:
    write("herd.csv", "animal_id,mark\n" + "".join(f"A{n},HD{n}\n" for n in range(10, 60)))
    write("herd.toml", 'exclude = "O"   # mine\n')
    done = run("registry", "herd.csv", "--rules", "herd.toml", "--save", "herd.toml")
    assert done.exit_code == 0, done.output
    assert "Forms learned" not in done.stdout
    assert "# mine" in Path("herd.toml").read_text()
    assert "[[forms]]" not in Path("herd.toml").read_text()
