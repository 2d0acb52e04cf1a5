"""Single columns, what people say of them, days, and tables that nobody meant well with."""

from __future__ import annotations

import random
from datetime import date, timedelta
from pathlib import Path

import pytest
from dateutil import parser
from hypothesis import given
from hypothesis import strategies as st

from legibility.errors import RegistryError, SettingsError
from legibility.identify.registry import check_registry, load_registry, read_registry
from legibility.tables.choice import choice_text, parse_choice
from legibility.tables.contents import is_chip
from legibility.tables.dates import read_birth, settle
from legibility.tables.headings import heading_of
from legibility.tables.reader import read_table
from legibility.tables.understanding import Understood, understand


def understood(text: str, **choice: str) -> Understood:
    return understand(read_table(text.encode(), "herd.csv"), choice)


def asked(text: str, **choice: str) -> str:
    return " / ".join(question.text for question in understood(text, **choice).questions)


def written(path: Path, content: str | bytes) -> Path:
    file = path / "herd.csv"
    file.write_bytes(content if isinstance(content, bytes) else content.encode())
    return file


@given(
    st.dictionaries(
        st.sampled_from(["animal_id", "mark", "sex"]),
        st.text(min_size=1, max_size=20).map(lambda t: t.strip() or "x"),
    )
)
def test_what_is_said_is_read_back(said: dict[str, str]) -> None:
    assert parse_choice(choice_text(said)) == said


@pytest.mark.parametrize(
    "text", ["mark", "mark=", "marc=A", "mark=A,mark=B", 'mark="A', "=A", ",,"]
)
def test_what_cannot_be_said(text: str) -> None:
    with pytest.raises(SettingsError):
        parse_choice(text)


@given(
    st.dates(date(1990, 1, 1), date(2029, 12, 31)),
    st.sampled_from(["%d/%m/%Y", "%d-%m-%Y", "%d.%m.%Y", "%Y-%m-%d", "%d %B %Y", "%d. %b %Y"]),
)
def test_days_are_those_of_dateutil(day: date, form: str) -> None:
    text = day.strftime(form)
    oracle = parser.parse(text, dayfirst=not form.startswith("%Y")).date()
    assert read_birth(text, "dmy", this_year=2026) == (oracle.isoformat(), "")
    assert oracle == day


@given(st.integers(0, 10_000), st.booleans())
def test_a_column_settles_day_and_month_or_says_that_it_does_not(seed: int, american: bool) -> None:
    rng = random.Random(seed)
    days = [date(2015, 1, 1) + timedelta(rng.randrange(3000)) for _ in range(rng.randint(1, 30))]
    found = settle([d.strftime("%m/%d/%Y" if american else "%d/%m/%Y") for d in days])
    if any(d.day > 12 for d in days):
        assert (found.order, found.open) == ("mdy" if american else "dmy", False)
    else:
        assert (found.order, found.open) == ("", True)


def test_days_of_two_orders_in_one_column_are_a_contradiction() -> None:
    found = settle(["13/02/2020", "02/25/2020"])
    assert found.problem == "13/02/2020 has the day first and 02/25/2020 the month"
    text = "Tag;Tattoo;DOB\n1;A1;13/02/2020\n2;A2;02/25/2020\n3;A3;1/1/2020\n"
    assert "has the day first" in asked(text)
    assert not asked(text, dates="dmy")


def test_a_row_that_cannot_be_read_does_not_change_the_days_before_it(tmp_path: Path) -> None:
    text = 'Tag;Tattoo;DOB\n1;A1;02/25/2020\n2;A2;03/04/2020\n3;"A3\n'
    found = read_registry(written(tmp_path, text))
    assert [str(p) for p in found.problems] == [
        "line 4: cannot be read as CSV (unexpected end of data); the rest was not looked at"
    ]
    assert found.extra[3] == {"birth_date": "2020-03-04"}


def test_a_day_count_of_a_spreadsheet_is_named() -> None:
    assert "count of days" in read_birth("43528", "", this_year=2026)[1]
    assert "is headed as birth, but its cells are no dates" in asked(
        "Tag;Tattoo;DOB\n1;A1;43528\n2;A2;43529\n"
    )


@pytest.mark.parametrize(
    ("number", "fits"),
    [
        # Examples of an ICAR list (Germany, United States); ISO 11784: 38 bits for the number.
        ("276000312312345", True), ("840003123456789", True), ("999274877906943", True),
        ("840274877906944", False), ("000123456789012", False), ("27600031231234", False),
    ],
)  # fmt: skip
def test_what_a_transponder_can_have(number: str, fits: bool) -> None:
    assert is_chip(number) is fits


@pytest.mark.parametrize(
    ("heading", "why"),
    [("Dam tattoo", "another animal"), ("Old tattoo", "earlier"), ("Date sold", "event"),
     ("Herd tattoo", "something else"), ("Lfd. Nr.", "running number")],
)  # fmt: skip
def test_headings_of_other_things_are_not_taken(heading: str, why: str) -> None:
    found = heading_of(heading)
    assert found.claims == ()
    assert why in found.excluded


def test_the_header_may_be_in_row_three_or_nowhere(tmp_path: Path) -> None:
    text = "Our goats;;\n;;\nTag;Tattoo;DOB\nUK 1;A1;2020\nUK 2;A2;2021\n"
    assert [a.line for a in load_registry(written(tmp_path, text))] == [4, 5]
    bare = "UK 1;A1;2020\nUK 2;A2;2021\n"
    with pytest.raises(RegistryError, match="no line looks like headings"):
        load_registry(written(tmp_path, bare))
    got = load_registry(
        written(tmp_path, bare), columns={"header": "0", "animal_id": "A", "mark": "B"}
    )
    assert [(a.animal_id, a.mark, a.line) for a in got] == [("UK 1", "A1", 1), ("UK 2", "A2", 2)]


def test_sums_and_footers_are_named_and_a_row_between_is_no_sum(tmp_path: Path) -> None:
    text = "Tag;Tattoo;DOB\nUK 1;A1;2020\nTotal;;\nUK 2;A2;2021\nGesamt;2;\nStand 1.5.2026;;\n"
    found = check_registry(written(tmp_path, text))
    assert [str(p) for p in found.problems] == ["line 3, column Tattoo: mark is empty"]
    text = text.replace("Total;;\n", "")
    got = load_registry(written(tmp_path, text))
    assert [n for n in got.notices if "no animal" in n] == [
        "line 4: 'Gesamt 2' is no animal (a sum or a footer)",
        "line 5: 'Stand 1.5.2026' is no animal (a sum or a footer)",
    ]
    # An animal called Total with a mark is an animal.
    assert len(load_registry(written(tmp_path, "Name;Tattoo\nAda;A1\nTotal;A2\n"))) == 2


def test_spellings_of_one_mark(tmp_path: Path) -> None:
    text = "Tag;Tattoo\n1;HD782\n2;hd 783\n3;HD-784\n4;hd.785\n5;HD/782\n6;HD 786\u00a0\n"
    got = load_registry(written(tmp_path, text))
    assert [a.mark for a in got] == ["HD782", "HD783", "HD784", "HD785", "HD/782", "HD786"]
    assert [got.written_mark(n) for n in range(4)] == ["HD782", "hd 783", "HD-784", "hd.785"]
    assert "5 (HD/782) and 1 (HD782) cannot be told apart by characters alone" in got.notices


@pytest.mark.parametrize(
    ("mark", "words"),
    [("9.85E+14", "what a spreadsheet leaves"), ("3.00E+10", "what a spreadsheet leaves"),
     ("2024-03-01", "is a day"), ("01.03.2024", "is a day"), ("782.0", "decimals; expected 782"),
     ("...", "has no character"), ("HD_782", "'_'"), ("=A1", "'='")],
)  # fmt: skip
def test_what_a_spreadsheet_made_of_a_mark_is_named(tmp_path: Path, mark: str, words: str) -> None:
    text = f"Tag;Tattoo\n1;A1\n2;A2\n3;A3\n4;{mark}\n"
    (problem,) = check_registry(written(tmp_path, text)).problems
    assert str(problem).startswith("line 5, column Tattoo: mark")
    assert words in problem.problem


def test_the_same_animal_twice_with_two_marks(tmp_path: Path) -> None:
    text = "Tag;Tattoo\nUK 1;A1\nUK 2;A2\nUK 1;A3\n"
    (problem,) = check_registry(written(tmp_path, text)).problems
    assert str(problem) == (
        "line 4, column Tag: animal_id 'UK 1' was already on line 2, with the mark A1; here A3"
    )


@pytest.mark.parametrize(
    ("heading", "left", "right"),
    [("Ohr", "L", "R"), ("Oreille", "G", "D"), ("Oreja", "I", "D"), ("Orecchio", "S", "D"),
     ("Orelha", "E", "D"), ("Ucho", "L", "P"), ("Øre", "V", "H"), ("Korva", "V", "O")],
)  # fmt: skip
def test_letters_stand_for_ears(heading: str, left: str, right: str, tmp_path: Path) -> None:
    # Common practice, no source: first letters of left and right in the list's language.
    text = f"Tag;Tattoo;{heading}\n1;A1;{left}\n2;A2;{right}\n3;A3;{left}\n"
    assert [a.ear for a in load_registry(written(tmp_path, text))] == ["left", "right", "left"]


def test_days_and_names_are_not_offered_as_marks() -> None:
    text = "Lp.;Numer kolczyka;Nr w uchu;Data ur.;Nazwa\n" + "".join(
        f"{n};PL 0052{n:04d};M{n};{n}.13.2017;Koza {n}\n" for n in range(300, 312)
    )
    found = understood(text)
    mark, birth = found.questions
    assert mark.text.startswith("no column is surely the mark; it may be 'Nr w uchu' (")
    assert mark.answers == ({"mark": "Nr w uchu"},)
    assert "is headed as birth, but its cells are no dates: '300.13.2017' is no day" in birth.text


def test_polish_days_may_end_with_the_word_for_year() -> None:
    assert read_birth("1.2.2017 r.", "", this_year=2026) == ("2017-02-01", "")
    assert read_birth("1 lutego 2017r.", "", this_year=2026) == ("2017-02-01", "")


def test_ears_in_two_letters_are_the_marks_of_both_ears() -> None:
    # One ear has the herd's letters and the other the animal's own: common practice, no source.
    text = "Name,Reg. No.,RE,LE\n" + "".join(f"Ada {n},PD{n},ZZX,B{n}\n" for n in range(10, 20))
    (question,) = understood(text).questions
    assert "'RE' (ZZX) is headed like a mark, but all its cells are the same" in question.text
    assert question.answers == ({"right_mark": "RE"}, {"right_mark": "none"})
    found = understood(text, right_mark="RE")
    assert {c.role: c.heading for c in found.columns} == {
        "animal_id": "Reg. No.", "left_mark": "LE", "right_mark": "RE",
    }  # fmt: skip
    assert not found.questions


@pytest.mark.parametrize(
    ("heading", "role"), [("Transp. électronique", "chip"), ("Geslacht", "sex")]
)
def test_words_that_lists_use(heading: str, role: str) -> None:
    cells = [f"25026910000000{n}" if role == "chip" else "mv"[n % 2] for n in range(8)]
    text = f"Tag;Tattoo;{heading}\n" + "".join(f"T{n};A{n};{c}\n" for n, c in enumerate(cells))
    column = understood(text).column(role)
    assert column is not None
    assert column.confidence == "heading and cells agree"


@pytest.mark.parametrize("header", ["Tag;Tattoo", "animal_id;mark"])
def test_headings_that_come_again_are_no_animal(header: str, tmp_path: Path) -> None:
    got = load_registry(written(tmp_path, f"{header}\nUK 1;A1\n{header}\nUK 2;A2\n"))
    assert [animal.mark for animal in got] == ["A1", "A2"]
    assert "line 3: the headings again, no animal" in got.notices


@pytest.mark.parametrize("header", ["Tag;Tattoo", "animal_id;mark"])
@pytest.mark.parametrize("word", ["none", "N/A", "unreadable", "unbekannt", "illisible"])
def test_words_for_no_mark_are_no_marks(header: str, word: str, tmp_path: Path) -> None:
    text = f"{header}\n1;A1\n2;A2\n3;{word}\n4;A4\n5;NA\n"
    (problem,) = check_registry(written(tmp_path, text)).problems
    assert (problem.line, problem.field) == (4, "mark")
    assert problem.problem == f"mark {word!r} is a word, no mark; leave the cell empty"


def test_rows_without_enough_cells_are_rows_too(tmp_path: Path) -> None:
    found = check_registry(written(tmp_path, "Tag;Tattoo\nUK 1;A1\nUK 2\nUK 3;A3;;x\nUK 4;\n"))
    assert (found.rows, [problem.line for problem in found.problems]) == (4, [3, 4, 5])


def test_cells_with_zero_bytes_are_refused(tmp_path: Path) -> None:
    text = b"Tag;Tattoo\nUK 1;A1\nUK\x00 2;A2\nUK 3;A3\x00\n"
    assert [str(p) for p in check_registry(written(tmp_path, text)).problems] == [
        "line 3, column Tag: animal_id 'UK\\x00 2' has a control character",
        "line 4, column Tattoo: mark 'A3\\x00' has '\\x00'; expected A-Z, 0-9 and one / "
        "between rows",
    ]


@given(st.integers(0, 100_000))
def test_no_table_makes_it_stumble(seed: int) -> None:
    """Random headings over random cells: something is taken or asked, no column for two things."""
    rng = random.Random(seed)
    headings = [
        "Tag",
        "Tattoo",
        "L",
        "R",
        "links",
        "Ohr",
        "Born",
        "Year",
        "Chip",
        "Sex",
        "",
        "No",
        "Name",
        "x" * 500,
        "Status",
        "=1+1",
        "\u0000",
        "mark",
        "animal_id",
        "ear",
    ]
    pool = [
        "",
        "-",
        "A1",
        "HD 782",
        "left",
        "2020",
        "1.2.2020",
        "m",
        "985000012345678",
        "9.85E+14",
        "Total",
        "Bella",
        "#REF!",
        "\u0412",
        "1/2/2020",
        "x" * 5000,
    ]
    columns = rng.randint(1, 8)
    rows = [[rng.choice(headings) for _ in range(columns)]]
    rows += [[rng.choice(pool) for _ in range(columns)] for _ in range(rng.randint(0, 20))]
    found = understood("\n".join(";".join(row) for row in rows))
    places = [column.place for column in found.columns]
    assert len(set(places)) == len(places)
    roles = [column.role for column in found.columns]
    assert len(set(roles)) == len(roles)
    assert found.questions or {"animal_id"} <= set(roles)
