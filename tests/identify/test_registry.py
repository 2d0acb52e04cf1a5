from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from legibility.containers import Animal
from legibility.errors import RegistryError
from legibility.identify.registry import check_registry, load_registry, registry_of
from legibility.marks.rules import Form, Rules
from legibility.tables import reader


def written(path: Path, content: str | bytes) -> Path:
    file = path / "herd.csv"
    file.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8"))
    return file


def failure(path: Path, content: str | bytes, rules: Rules | None = None) -> str:
    with pytest.raises(RegistryError) as caught:
        load_registry(written(path, content), rules=rules)
    assert caught.value.exit_code == 5
    assert "herd.csv" in str(caught.value)
    return str(caught.value)


def test_all_fields(tmp_path: Path) -> None:
    got = load_registry(
        written(
            tmp_path,
            "animal_id,mark,ear,birth_date,sex,chip,status\n"
            " G-1 , ab/12 ,L,2019-03-04,f,999000000112233,alive\n"
            "G-2,7x9,,,,,\n",
        )
    )
    assert list(got) == [
        Animal("G-1", "AB/12", "left", 2019, "f", "999000000112233", "alive", 2),
        Animal("G-2", "7X9", line=3),
    ]
    assert got.find("AB/12") == (0,)
    assert got.notices == ()


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("bom", ["", "\ufeff"])
def test_separators_line_ends_and_bom_change_nothing(
    tmp_path: Path, delimiter: str, end: str, bom: str
) -> None:
    rows = [["mark", "animal_id", "birth_year"], ["A1", "1", "2020"], ["B2", "zwei", ""]]
    got = load_registry(written(tmp_path, bom + end.join(delimiter.join(r) for r in rows) + end))
    plain = load_registry(written(tmp_path, "animal_id,mark,birth_year\n1,A1,2020\nzwei,B2,\n"))
    assert got.digest == plain.digest
    assert [animal.line for animal in got] == [2, 3]


def test_digest_tells_contents_apart(tmp_path: Path) -> None:
    texts = [
        "1,A1\n2,B2\n",
        "1,A1\n2,B3\n",
        "2,A1\n1,B2\n",
        "1,A1\n",
        "1,A/1\n2,B2\n",
    ]
    digests = {load_registry(written(tmp_path, "animal_id,mark\n" + t)).digest for t in texts}
    assert len(digests) == len(texts)


def test_every_bad_row_is_named_and_nothing_imported(tmp_path: Path) -> None:
    message = failure(
        tmp_path,
        "animal_id,mark,ear,birth_date,birth_year\n"
        "1,A!,,,\n"
        "2,A1,top,,\n"
        "3,A1,,31.02.2019,\n"
        "4,A1,,,19\n"
        "5,A1,,2019-03-04,2018\n"
        "6,,,,\n"
        ",A1,,,\n"
        "8,A/B/C,,,\n"
        "9,A1\n"
        "10,A1,,,2019\n"
        "10,A2,,,2019\n"
        "11,ABCDEFGHIJKLM,,,\n"
        "12,A1,,,1492\n",
    )
    for line, word in {
        2: "'!'",
        3: "ear is 'top'",
        4: "birth_date is '31.02.2019'",
        5: "birth_year is '19'",
        6: "birth_year is 2018",
        7: "mark is empty",
        8: "animal_id is empty",
        9: "3 rows",
        10: "has 2 fields; the header has 5",
        12: "'10' was already on line 11",
        13: "13 characters",
        14: "1492",
    }.items():
        assert any(f"line {line}:" in part and word in part for part in message.split("\n")), (
            line,
            message,
        )
    assert "12 problems; nothing was imported" in message


def test_many_bad_rows_are_counted(tmp_path: Path) -> None:
    rows = "".join(f"{number},?\n" for number in range(1000))
    message = failure(tmp_path, "animal_id,mark\n" + rows)
    assert "1000 problems" in message
    assert "and 980 more" in message
    assert message.count("\n") == 21


def test_many_repeated_identifiers(tmp_path: Path) -> None:
    message = failure(tmp_path, "animal_id,mark\n" + "same,A1\n" * 5000)
    assert "4999 problems" in message
    assert "line 3: animal_id 'same' was already on line 2" in message


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "is empty"),
        (b"\xef\xbb\xbf\r\n", "is empty"),
        (b"animal_id,mark\n", "no rows"),
        (b"animal_id,mark\n1,A1\nK\x81hn,A2\n", "line 3: byte 0x81 is neither UTF-8 nor"),
        ("animal_id,mark\n1,A1\n".encode("utf-16")[:-1], "begins as UTF-16"),
        (b"herd,weight\n1,80\n", "no line looks like headings of a list of animals"),
        (b"animal_id,mark,mark\n1,A1,A2\n", "column 'mark' is there twice"),
        (b'animal_id,mark\n1,"A1\n2,A2\n', "line 2: cannot be read as CSV"),
        (b'animal_id,mark\n1,A1\n2,"A2"x\n', "line 3: cannot be read as CSV"),
        (b"animal_id,mark\n1\x00,A1\n", "control character"),
        (b"animal_id,mark\n" + b"x" * 201 + b",A1\n", "201 characters; expected at most 200"),
        (b"animal_id,mark\n" + b"x" * 200_000 + b",A1\n", "line 2"),
        ("animal_id,mark\n1,A\u0131\n".encode(), "'\u0131'"),
        ("animal_id,mark\n1,stra\u00dfe\n".encode(), "'\u00df'"),
        ("animal_id,mark\n1,\uff21\uff11\n".encode(), "'\uff21'"),
    ],
)
def test_hostile_files(tmp_path: Path, content: bytes, words: str) -> None:
    assert words in failure(tmp_path, content)


def test_missing_folder_and_size(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(RegistryError, match="cannot be read"):
        load_registry(tmp_path / "none.csv")
    with pytest.raises(RegistryError, match="cannot be read"):
        load_registry(tmp_path)
    monkeypatch.setattr(reader, "MAX_FILE_MIB", 0)
    assert "expected at most 0 MiB" in failure(tmp_path, "animal_id,mark\n1,A1\n")


def test_undecodable_name_is_printable(tmp_path: Path) -> None:
    path = tmp_path / "k\udcfchn\n.csv"
    with pytest.raises(RegistryError) as caught:
        load_registry(path)
    str(caught.value).encode("utf-8")
    assert "\n" not in str(caught.value)


def test_quoted_line_ends_keep_line_numbers(tmp_path: Path) -> None:
    text = 'animal_id,mark,note\n1,A1,"two\nlines"\n2,B2,x\n\n3,C3,y\n'
    got = load_registry(written(tmp_path, text))
    assert [animal.line for animal in got] == [2, 4, 6]
    assert got.notices == ("columns not used: note",)
    bad = failure(tmp_path, text + "4,D!,z\n")
    assert "line 7" in bad


def test_blank_rows_are_no_animals(tmp_path: Path) -> None:
    got = load_registry(written(tmp_path, "animal_id,mark\n\n1,A1\n,\n \n2,B2\n"))
    assert [(animal.animal_id, animal.line) for animal in got] == [("1", 3), ("2", 6)]


def test_animals_that_share_a_mark_are_a_notice(tmp_path: Path) -> None:
    got = load_registry(written(tmp_path, "animal_id,mark\nx,A1\ny,B2\nz,a1\n"))
    assert got.notices == ("mark A1 is carried by 2 animals: x, z",)
    assert got.find("A1") == (0, 2)
    many = "".join(f"{n},A{n // 2}\n" for n in range(60))
    got = load_registry(written(tmp_path, "animal_id,mark\n" + many))
    assert len(got.notices) == 21
    assert got.notices[-1] == "10 more marks are carried by several animals"


def test_rules_of_the_herd(tmp_path: Path) -> None:
    rules = Rules(characters="ABC123", shortest_row=2, longest_row=3, max_rows=1)
    message = failure(tmp_path, "animal_id,mark\n1,AB1\n2,A\n3,AO1\n4,AB/12\n", rules)
    assert "3 problems" in message
    for words in ("row of 1 characters", "has 'O'", "has 2 rows"):
        assert words in message


SOCIETY = Rules(year_letters="bif", forms=(Form(("@{2}", "#{1,3}{year}"), ear="left"),))


def test_every_row_that_breaks_the_rules_is_named_by_line_and_field(tmp_path: Path) -> None:
    # Year letters: Beef Improvement Federation, 2024 M, 2021 J; V is none.
    text = (
        "animal_id,mark,ear,birth_date\n1,AB/12M,left,2024-05-01\n2,AB/12M,left,2021-05-01\n"
        "3,AB/12V,,\n4,AB/12M,right,\n5,AB/12M,both,\n6,,x,\n7,ab/7m,l,2002-01-31\n7,AB/9M,,\n8\n"
    )
    message = failure(tmp_path, text, SOCIETY)
    assert "8 problems; nothing was imported" in message
    assert "line 3: birth_year is 2021" in message
    assert "2024 or 2002 (bif); 2021 has 'J'" in message
    found = check_registry(tmp_path / "herd.csv", rules=SOCIETY)
    assert [(p.line, p.field) for p in found.problems] == [
        (3, "birth_year"),
        (4, "mark"),
        (5, "mark"),
        (6, "mark"),
        (7, "ear"),
        (7, "mark"),
        (9, "animal_id"),
        (10, ""),
    ]
    assert found.rows == 9
    assert found.notices == ()


def test_a_check_names_all_problems_and_an_error_the_first(tmp_path: Path) -> None:
    path = written(tmp_path, "animal_id,mark\n" + "".join(f"{n},A!\n" for n in range(100)))
    assert len(check_registry(path).problems) == 100
    with pytest.raises(RegistryError, match="and 80 more"):
        load_registry(path)
    clean = check_registry(written(tmp_path, "animal_id,mark,x\n1,A1,\n2,A1,\n"))
    assert clean.problems == ()
    assert clean.notices == ("columns not used: x", "mark A1 is carried by 2 animals: 1, 2")
    with pytest.raises(RegistryError, match="no rows"):
        check_registry(written(tmp_path, "animal_id,mark\n"))


@pytest.mark.parametrize(
    ("character", "words"),
    [
        # Names of the Unicode database.
        ("\u0412", "CYRILLIC CAPITAL LETTER VE, U+0412), which looks like B but is not"),
        ("\uff18", "FULLWIDTH DIGIT EIGHT, U+FF18), which looks like 8 but is not"),
        ("\u0391", "GREEK CAPITAL LETTER ALPHA, U+0391), which looks like A but is not"),
        ("\u200b", "'\\u200b' (ZERO WIDTH SPACE, U+200B)"),
    ],
)
def test_foreign_lookalikes_are_named(tmp_path: Path, character: str, words: str) -> None:
    message = failure(tmp_path, f"animal_id,mark\n1,A1\n2,A{character}1\n")
    assert "line 3: mark" in message
    assert words in message
    with pytest.raises(RegistryError, match=r"looks like|ZERO WIDTH"):
        registry_of([Animal("1", f"A{character}1")])


def test_rows_of_two_hundred_columns(tmp_path: Path) -> None:
    header = ["animal_id", "mark", *(f"c{n}" for n in range(198))]
    row = ["1", "A1", *["x"] * 198]
    got = load_registry(written(tmp_path, ",".join(header) + "\n" + ",".join(row) + "\n"))
    assert len(got) == 1
    assert got.notices[0].startswith("columns not used: c0, c1")
    assert got.notices[0].endswith("c9 and 188 more")
    message = failure(tmp_path, "animal_id,mark\n" + ",".join(row) + "\n2,B2\n")
    assert "line 2: has 200 fields; the header has 2" in message


def test_a_million_rows_with_one_bad_at_the_end(tmp_path: Path) -> None:
    rows = "".join(f"{n};{n % 999:03d}/AB\r\n" for n in range(1_000_000))
    path = written(tmp_path, "animal_id;mark\r\n" + rows + "last;A\u04121\r\n")
    del rows
    with pytest.raises(RegistryError) as caught:
        load_registry(path, rules=Rules(max_rows=2, longest_row=4))
    assert "1 problem; nothing was imported" in str(caught.value)
    assert "line 1000002: mark 'A\u04121' has '\u0412' (CYRILLIC" in str(caught.value)


def test_animals_at_hand_keep_to_the_rules_too() -> None:
    assert len(registry_of([Animal("1", "AB/12M", "left", 2024)], rules=SOCIETY)) == 1
    for animal in (Animal("1", "AB/12M", "right"), Animal("1", "AB/12M", "left", 2023)):
        with pytest.raises(RegistryError, match="animal 1: "):
            registry_of([animal], rules=SOCIETY)


def test_registry_of_animals() -> None:
    animals = [Animal("1", "A1", "left", 2019, "f", "c", "s", 7), Animal("2", "b/2")]
    got = registry_of(animals)
    assert list(got) == [animals[0], Animal("2", "B/2")]
    with pytest.raises(RegistryError, match="used twice"):
        registry_of([Animal("1", "A1"), Animal("1", "A2")])
    assert len(registry_of([])) == 0


def test_chunks_fit_together(tmp_path: Path) -> None:
    rows = [f"k\u00fch{n},{n % 977:03d}A,{1990 + n % 30}" for n in range(2000)]
    text = "animal_id,mark,birth_year\n" + "\n".join(rows)
    got = load_registry(written(tmp_path, text))
    assert [(a.animal_id, a.mark, a.birth_year, a.line) for a in got] == [
        (f"k\u00fch{n}", f"{n % 977:03d}A", 1990 + n % 30, n + 2) for n in range(2000)
    ]
    assert got.birth_years.dtype == np.int16


def test_a_mark_in_each_ear(tmp_path: Path) -> None:
    content = (
        "animal_id,left_mark,right_mark,birth_year,sex\n"
        "1,a12,b34,2019,f\n2,,C5,2020,m\n3,D7,,,\n4,E9,e9,,\n5,A12,B34,,\n"
    )
    got = load_registry(written(tmp_path, content))
    assert list(got) == [
        Animal("1", "A12", "left", 2019, "f", line=2, right_mark="B34"),
        Animal("2", "C5", "right", 2020, "m", line=3),
        Animal("3", "D7", "left", line=4),
        Animal("4", "E9", "both", line=5),
        Animal("5", "A12", "left", line=6, right_mark="B34"),
    ]
    assert got.ears().tolist() == [1, 2, 1, 3, 1]
    assert got.find("B34") == (0, 4)
    assert (got.shown_mark(0), got.shown_mark(0, "right"), got.shown_mark(1)) == (
        "A12 + B34", "B34", "C5",
    )  # fmt: skip
    assert got.notices == (
        "mark A12 is carried by 2 animals: 1, 5",
        "mark B34 is carried in the right ear by 2 animals: 1, 5",
    )
    assert registry_of(list(got)).digest == got.digest
    other = load_registry(written(tmp_path, content.replace("b34", "b35")))
    assert other.digest != got.digest


def test_bad_marks_of_each_ear_are_named_by_their_column(tmp_path: Path) -> None:
    rules = Rules(forms=(Form(("L##",), "left"), Form(("R##",), "right")))
    message = failure(
        tmp_path,
        "animal_id,left_mark,right_mark\n1,L12,R12\n2,,\n3,R12,\n4,,K\u041217\n",
        rules,
    )
    assert "line 3: left_mark and right_mark are empty" in message
    assert "line 4: mark 'R12'" in message
    assert "CYRILLIC CAPITAL LETTER VE" in message
    check = check_registry(tmp_path / "herd.csv", rules=rules)
    assert [(p.line, p.field) for p in check.problems] == [
        (3, "left_mark"), (4, "left_mark"), (5, "right_mark"),
    ]  # fmt: skip


@pytest.mark.parametrize("header", ["animal_id,mark,left_mark", "animal_id,right_mark,ear"])
def test_columns_that_contradict_each_other_are_refused(tmp_path: Path, header: str) -> None:
    assert "found the columns" in failure(tmp_path, header + "\n1,A1,left\n")


@pytest.mark.parametrize("mark", ["7", "ABCDEFGH1234", "A/1", "ABCDEFGH1234/ABCDEFGH1234"])
def test_marks_of_one_to_twelve_characters(tmp_path: Path, mark: str) -> None:
    got = load_registry(written(tmp_path, f"animal_id,mark\n1,{mark}\n"))
    assert got.mark(0) == mark
    assert "at most 12" in failure(tmp_path, "animal_id,mark\n1,ABCDEFGH12345\n")


def test_identifiers_are_found_whole() -> None:
    registry = registry_of([Animal("goat 12", "A1"), Animal("goat 1", "A2"), Animal("é", "A3")])
    assert [registry.index_of(name) for name in ("goat 1", "é", "goat 12", "goat", "at 1")] == [
        1, 2, 0, -1, -1,
    ]  # fmt: skip
