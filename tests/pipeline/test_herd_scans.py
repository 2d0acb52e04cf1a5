"""Logs of transponder readers in the forms that readers write."""

from __future__ import annotations

from pathlib import Path

import pytest

from legibility.errors import RowsError
from legibility.pipeline.herd_scans import read_scan_file

NUMBER = "276000312312345"
"""Example of an ICAR list of animal identifiers (Germany)."""


def file_of(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "log.csv"
    path.write_bytes(text.encode())
    return path


def test_forms_of_a_number(tmp_path: Path) -> None:
    # Vector A and C: see tests/herd/test_chip.py.
    text = (
        "number,time,reader\n"
        f"{NUMBER},2024-05-01 10:00:00,\n"
        "999 123456789012,2024-05-01 10:00:01,gate\n"
        "8000F9DCBE991A14,2024-05-01 10:00:02,gate\n"
        "2858997D3B9F0001,2024-05-01 10:00:03,gate\n"
        "3E7.1CBE991A14,2024-05-01 10:00:04,gate\n"
        "69B60100C0F90080,2024-05-01 10:00:05,gate\n"
        "0032D6DC 0402079F 80406253 B8040201,2024-05-01 10:00:06,gate\n"
    )
    scans = read_scan_file(file_of(tmp_path, text), reader="hand", allow_test=True).scans
    assert [s.number for s in scans] == [
        NUMBER,
        *["999123456789012"] * 4,
        *["999000000112233"] * 2,
    ]
    assert [s.form for s in scans] == [
        "decimal",
        "decimal",
        "hex animal-first",
        "hex animal-last",
        "dot-hex",
        "hex bytes-reversed",
        "telegram, checksum right",
    ]
    assert (scans[0].reader, scans[1].reader) == ("hand", "gate")
    assert scans[0].scanned_at == "2024-05-01T10:00:00"
    assert scans[2].raw == "8000F9DCBE991A14"
    assert {s.outcome for s in scans} == {"read"}


@pytest.mark.parametrize(
    "line", [f"{NUMBER};01.05.2024 10:00:00;x", f"x;2024-05-01T10:00:00;{NUMBER}"]
)
def test_a_log_without_a_header(line: str, tmp_path: Path) -> None:
    (scan,) = read_scan_file(file_of(tmp_path, line + "\n")).scans
    assert (scan.number, scan.scanned_at) == (NUMBER, "2024-05-01T10:00:00")


def test_a_header_of_another_program_is_passed_over(tmp_path: Path) -> None:
    """As some reader may write it; the names of the columns are invented."""
    path = tmp_path / "log.csv"
    path.write_text(
        "Nr;Tag;Uhr;Gewicht\n276 000312312345;20.11.2024;10:05;41\n\n"
        "840003123456789;20.11.2024;10:06:07;\n"
    )
    found = read_scan_file(path).scans
    assert [(s.number, s.scanned_at) for s in found] == [
        ("276000312312345", "2024-11-20T10:05:00"),
        ("840003123456789", "2024-11-20T10:06:07"),
    ]
    path.write_text("Nr;Tag\n276000312312345;20.11.2024\n9.85E+14;21.11.2024\n")
    with pytest.raises(RowsError, match=r"line 3: number: 9\.85E\+14: a spreadsheet"):
        read_scan_file(path)


def test_date_and_time_in_two_columns(tmp_path: Path) -> None:
    path = file_of(tmp_path, f"date,time,number\n2024-05-01,10:00,{NUMBER}\n")
    assert read_scan_file(path).scans[0].scanned_at == "2024-05-01T10:00:00"


def test_a_try_without_an_answer_and_a_test_number(tmp_path: Path) -> None:
    path = file_of(
        tmp_path,
        "number,time,animal_id,seconds\n"
        ",2024-05-01 10:00,goat 7,12.5\n"
        "999000000112233,2024-05-01 10:01,,\n",
    )
    found = read_scan_file(path)
    assert [s.outcome for s in found.scans] == ["nothing", "refused"]
    assert (found.scans[0].animal_id, found.scans[0].seconds) == ("goat 7", 12.5)
    assert "test number" in found.scans[1].note
    assert "1 scans are kept as refused" in found.notices[0]


def test_a_clock_that_goes_backwards_is_named(tmp_path: Path) -> None:
    path = file_of(
        tmp_path,
        f"number,time\n{NUMBER},2024-05-01 10:00:00\n{NUMBER},2001-01-01 00:00:00\n",
    )
    assert "line 3: 2001-01-01T00:00:00 is before the line above" in read_scan_file(path).notices[0]


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("9.85E+14,2024-05-01 10:00:00,", "line 2: number: 9.85E.14: a spreadsheet"),
        (f"{NUMBER},1/2/2024 10:00:00,", "line 2: time: found '1/2/2024"),
        (f"{NUMBER},,", "line 2: time is empty"),
        (",2024-05-01 10:00:00,", "line 2: number is empty"),
        (f"{NUMBER},2024-05-01 10:00:00,long", "line 2: seconds: found 'long'"),
        (f"{NUMBER},2024-05-01", "line 2: has 2 fields"),
    ],
)
def test_bad_lines(line: str, reason: str, tmp_path: Path) -> None:
    with pytest.raises(RowsError, match=reason):
        read_scan_file(file_of(tmp_path, f"number,time,seconds\n{line}\n"))


@pytest.mark.parametrize("text", ["", "hello\n", "a,b\n1,2\n", "\xff\xfe"])
def test_files_that_are_no_log(text: str, tmp_path: Path) -> None:
    with pytest.raises(RowsError):
        read_scan_file(file_of(tmp_path, text))


def test_a_missing_file_and_one_that_is_not_utf8(tmp_path: Path) -> None:
    with pytest.raises(RowsError, match="cannot be read"):
        read_scan_file(tmp_path / "gone.csv")
    (tmp_path / "log.csv").write_bytes(b"number,time\n\xe9,2024\n")
    with pytest.raises(RowsError, match="line 2: byte 0xe9 is not UTF-8"):
        read_scan_file(tmp_path / "log.csv")
