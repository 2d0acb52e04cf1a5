"""Text files against the csv module of the standard library and RFC 4180."""

from __future__ import annotations

import csv
import io
import string

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from legibility.errors import RegistryError
from legibility.tables.reader import read_table
from legibility.tables.sheet import MAX_COLUMNS, BrokenRow
from legibility.tables.text_file import DELIMITERS

HEADER = ["Tag", "Left tattoo", "Note"]
CELL = st.text(string.ascii_letters + string.digits + ' ,;|"\n\r\t-/é', max_size=12)


def rows_of(data: bytes) -> list[tuple[int, list[str]]]:
    return list(read_table(data, "herd.csv").sheets[0].rows())


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.tuples(CELL, CELL, CELL), min_size=2, max_size=8),
    st.sampled_from(list(DELIMITERS)),
    st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be"]),
    st.sampled_from(["\n", "\r\n"]),
)
def test_what_the_csv_module_writes_is_read_as_it_reads_it(
    cells: list[tuple[str, str, str]], delimiter: str, encoding: str, end: str
) -> None:
    out = io.StringIO()
    writer = csv.writer(out, delimiter=delimiter, lineterminator=end, quoting=csv.QUOTE_ALL)
    writer.writerows([HEADER, *cells])
    oracle = list(csv.reader(io.StringIO(out.getvalue(), newline=""), delimiter=delimiter))
    assert [cells for _, cells in rows_of(out.getvalue().encode(encoding))] == oracle


def test_the_examples_of_rfc_4180() -> None:
    # RFC 4180, section 2, rules 5 to 7, below a header.
    text = 'Tag,Left tattoo,Note\r\n"aaa","b\r\nbb","ccc"\r\nzzz,"b""bb",xxx\r\n'
    assert rows_of(text.encode()) == [
        (1, HEADER),
        (2, ["aaa", "b\r\nbb", "ccc"]),
        (4, ["zzz", 'b"bb', "xxx"]),
    ]


@pytest.mark.parametrize("delimiter", list(DELIMITERS))
def test_the_separator_is_found_beside_others_in_the_cells(delimiter: str) -> None:
    other = ";" if delimiter != ";" else ","
    lines = ["Tag", "Left tattoo", "Note"], ["1", "A1", f"a{other}b{other}c"], ["2", "B2", "x"]
    text = "\n".join(delimiter.join(line) for line in lines)
    assert [len(cells) for _, cells in rows_of(text.encode())] == [3, 3, 3]


def test_a_line_that_names_the_separator_is_no_row() -> None:
    assert rows_of(b"sep=;\nTag;Tattoo\n1;A,1\n") == [(2, ["Tag", "Tattoo"]), (3, ["1", "A,1"])]


def test_windows_1252_is_named_and_shown() -> None:
    table = read_table("Tag;Tattoo\nKüh;A1\n".encode("cp1252"), "herd.csv")
    assert table.form == "CSV, semicolon, Windows-1252"
    assert table.notices == ("read as Windows-1252; see whether line 2 is right: Küh;A1",)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        ("Tag;Tattoo\nKüh;A1\n".encode() + "Bär;A2\n".encode("cp1252"), "two encodings in one"),
        (b"Tag;Tattoo\n\x81;A1\n", "line 2: byte 0x81 is neither UTF-8 nor Windows-1252"),
        (b"\xef\xbb\xbfTag;Tattoo\nK\xfch;A1\n", "line 2: begins as UTF-8"),
        (b"", "is empty"),
        (b"\xff\xfe", "is empty"),
        (b"%PDF-1.7\n", "PDF"),
        (b"<!DOCTYPE html><table></table>", "web page"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 600, "old or an encrypted workbook"),
        ((",".join(["Tattoo"] * 1_000_000) + "\n").encode(), "1,000,000 columns"),
    ],
)
def test_files_that_are_no_such_table(data: bytes, words: str) -> None:
    with pytest.raises(RegistryError, match=words):
        read_table(data, "herd.csv")
    assert MAX_COLUMNS < 1_000_000


def test_an_open_quote_ends_at_its_line() -> None:
    found = read_table(b'Tag,Tattoo\n1,A1\n2,"A2\n3,A3\n', "herd.csv")
    rows = found.sheets[0].rows()
    assert [next(rows), next(rows)] == [(1, ["Tag", "Tattoo"]), (2, ["1", "A1"])]
    with pytest.raises(BrokenRow) as caught:
        next(rows)
    assert caught.value.line == 3
