"""Workbooks against openpyxl, which writes them here."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from legibility.errors import MissingExtraError, RegistryError
from legibility.identify.registry import check_registry, load_registry, understood
from legibility.tables import workbook
from legibility.tables.reader import read_table

HEADER = ["Ear tag", "Tattoo", "Date of birth", "Chip"]


@pytest.fixture
def saved(tmp_path: Path) -> Callable[[Any], Path]:
    def save(book: Any) -> Path:
        path = tmp_path / "herd.xlsx"
        book.save(path)
        return path

    return save


def book_of(*rows: list[Any], title: str = "Animals") -> Any:
    book = openpyxl.Workbook()
    book.active.title = title
    for row in rows:
        book.active.append(row)
    return book


def test_values_are_what_openpyxl_reads(saved: Callable[[Any], Path]) -> None:
    book = book_of(
        ["A herd"], [], HEADER,
        ["UK 1", "HD 782", date(2019, 3, 4), 985000012345678],
        ["UK 2", 783, datetime(2020, 5, 6), "985 000012345679"],
        ["UK 3", "KT/7H", "7.8.2021", None],
    )  # fmt: skip
    path = saved(book)
    got = load_registry(path)
    oracle = list(openpyxl.load_workbook(path)["Animals"].iter_rows(min_row=4, values_only=True))
    assert [a.animal_id for a in got] == [row[0] for row in oracle]
    assert [a.mark for a in got] == ["HD782", "783", "KT/7H"]
    assert [a.birth_year for a in got] == [2019, 2020, 2021]
    assert [a.chip for a in got] == ["985000012345678", "985000012345679", ""]
    assert [a.line for a in got] == [4, 5, 6]
    assert [got.written_mark(n) for n in range(3)] == ["HD 782", "783", "KT/7H"]
    assert "line above the headings, not used: A herd" in got.notices


def test_zeros_that_the_sheet_shows_are_kept(saved: Callable[[Any], Path]) -> None:
    book = book_of(HEADER, ["UK 1", 82, None, None], ["UK 2", 7, None, None])
    for row in (2, 3):
        book.active.cell(row, 2).number_format = "0000"
    assert [a.mark for a in load_registry(saved(book))] == ["0082", "0007"]


def test_each_bad_cell_is_named_by_sheet_and_cell(saved: Callable[[Any], Path]) -> None:
    book = book_of(
        HEADER,
        ["UK 1", "HD782", None, None],
        ["UK 2", date(2024, 3, 1), None, None],
        ["UK 3", "=A2", None, None],
        ["UK 4", "#REF!", None, None],
        ["UK 5", "B\u0412", None, None],
        ["UK 6", "HD7", "31.2.2020", None],
        [9.85e14 * 1000, "HD8", None, None],
        *([f"UK {n}", f"HD{n}", None, None] for n in range(20, 60)),
    )
    book.active["B5"].data_type = "e"
    problems = {str(p) for p in check_registry(saved(book)).problems}
    for words in (
        "sheet Animals, cell B3: mark '2024-03-01' is a day",
        "sheet Animals, cell B4: mark holds a formula without a computed value",
        "sheet Animals, cell B5: mark holds the error #REF!",
        "sheet Animals, cell B6: mark 'B\u0412' has",
        "sheet Animals, cell C7: birth_date is '31.2.2020': there is no such day",
        "sheet Animals, cell A8: animal_id is the number 9.85E+17: a spreadsheet keeps 15 digits",
    ):
        assert any(problem.startswith(words) for problem in problems), (words, problems)
    assert len(problems) == 6


def test_a_column_of_which_no_cell_can_be_used_says_why(saved: Callable[[Any], Path]) -> None:
    book = book_of(["Animal ID", "Tattoo"], *([9850001234567890 + n, f"A{n}"] for n in range(5)))
    _, found = understood(saved(book))
    assert found.questions
    ((heading, why),) = found.unused
    assert heading == "Animal ID"
    assert why.startswith("cell A2 is the number 9.85E+15: a spreadsheet keeps 15 digits")


def test_computed_values_of_formulas_are_taken(saved: Callable[[Any], Path]) -> None:
    path = saved(book_of(HEADER, ["UK 1", "HD1", None, None], ["UK 2", "=1+1", None, None]))
    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    name = "xl/worksheets/sheet1.xml"
    assert b"<v></v>" in parts[name] or b"<v />" in parts[name] or b"<v/>" in parts[name]
    for empty in (b"<v></v>", b"<v />", b"<v/>"):
        parts[name] = parts[name].replace(empty, b"<v>2</v>")
    with zipfile.ZipFile(path, "w") as archive:
        for part, data in parts.items():
            archive.writestr(part, data)
    got = load_registry(path)
    assert [a.mark for a in got] == ["HD1", "2"]
    assert any("1 cell holds a formula" in notice for notice in got.notices)


def test_merged_cells_of_animals_are_refused_and_those_of_titles_not(
    saved: Callable[[Any], Path],
) -> None:
    book = book_of(["A herd", None, None], HEADER, ["UK 1", "HD1"], ["UK 2", "HD2"])
    book.active.merge_cells("A1:D1")
    assert len(load_registry(saved(book))) == 2
    book.active.merge_cells("B3:B4")
    with pytest.raises(RegistryError, match=r"sheet Animals, cell B3: mark is merged \(B3:B4\)"):
        load_registry(saved(book))


def test_one_sheet_is_taken_and_several_are_asked_about(saved: Callable[[Any], Path]) -> None:
    book = book_of(HEADER, ["UK 1", "HD1", None, None])
    prices = book.create_sheet("Prices")
    prices.append(["Goat", 80])
    hidden = book.create_sheet("Old list")
    hidden.sheet_state = "hidden"
    for row in (HEADER, ["UK 9", "HD9", None, None]):
        hidden.append(row)
    got = load_registry(saved(book))
    assert [a.animal_id for a in got] == ["UK 1"]
    assert "sheet 'Prices' is not used" in got.notices
    assert "hidden sheet 'Old list' is not used" in got.notices
    hidden.sheet_state = "visible"
    path = saved(book)
    with pytest.raises(RegistryError, match="several sheets look like a list of animals: Animals,"):
        load_registry(path)
    assert load_registry(path, columns={"sheet": "Old list"}).animal_id(0) == "UK 9"
    for sheet in (book.active, hidden):
        sheet.sheet_state = "hidden"
    prices.sheet_state = "visible"
    with pytest.raises(RegistryError, match="only hidden sheets look like"):
        load_registry(saved(book))


def test_sums_at_the_end_are_named(saved: Callable[[Any], Path]) -> None:
    book = book_of(HEADER, ["UK 1", "HD1", None, None], ["UK 2", "HD2"], ["Total", 2])
    got = load_registry(saved(book))
    assert len(got) == 2
    assert "sheet Animals, row 4: 'Total 2' is no animal (a sum or a footer)" in got.notices


def archive_of(**parts: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in parts.items():
            archive.writestr(name, data)
    return out.getvalue()


def test_a_bomb_is_refused_before_it_is_unpacked(
    saved: Callable[[Any], Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    bomb = archive_of(**{"xl/workbook.xml": b"<workbook/>", "xl/x.xml": b"0" * (40 * 2**20)})
    assert len(bomb) < 2**20
    monkeypatch.setattr(workbook, "MAX_UNZIPPED_MIB", 30)
    with pytest.raises(RegistryError, match="is 40 MiB when unpacked; expected at most 30 MiB"):
        read_table(bomb, "bomb.xlsx")


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (archive_of(**{"content.xml": b"<x/>"}), "is an OpenDocument file"),
        (archive_of(**{"a.txt": b"x"}), "is an archive"),
        (archive_of(**{"xl/workbook.xml": b"<x"}), "cannot be read as a workbook"),
        (b"PK\x03\x04" + b"\0" * 50, "cannot be read as a workbook"),
    ],
)
def test_other_archives_are_refused_in_words(data: bytes, words: str) -> None:
    with pytest.raises(RegistryError, match=words):
        read_table(data, "herd.xlsx")


def test_a_bomb_of_entities_is_refused(saved: Callable[[Any], Path]) -> None:
    entities = '<!ENTITY a0 "ha">' + "".join(
        f'<!ENTITY a{n} "{f"&a{n - 1};" * 10}">' for n in range(1, 12)
    )
    text = f'<?xml version="1.0"?><!DOCTYPE x [{entities}]><workbook>&a11;</workbook>'
    parts = {"xl/workbook.xml": text.encode(), "xl/_rels/workbook.xml.rels": b"<Relationships/>"}
    with pytest.raises(RegistryError, match="cannot be read as a workbook"):
        read_table(archive_of(**parts), "bomb.xlsx")


def test_too_many_columns_and_cells(
    saved: Callable[[Any], Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    book = book_of(HEADER, ["UK 1", "HD1"])
    book.active.cell(3, 16384).value = "x"
    with pytest.raises(RegistryError, match="row 3: has 16,384 columns; expected at most 1,000"):
        load_registry(saved(book))
    monkeypatch.setattr(workbook, "MAX_CELLS", 5)
    with pytest.raises(RegistryError, match="more than 5 cells"):
        load_registry(saved(book_of(HEADER, ["UK 1", "HD1"])))


def test_without_the_extra_the_error_names_it(
    saved: Callable[[Any], Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = saved(book_of(HEADER, ["UK 1", "HD1"]))
    monkeypatch.setitem(__import__("sys").modules, "openpyxl", None)
    with pytest.raises(MissingExtraError, match=r"legibility\[xlsx\]"):
        understood(path)
