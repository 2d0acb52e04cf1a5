"""Whole files or none."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from legibility.errors import OutputError
from legibility.report.writing import printable, write_bytes, write_text


def test_writes_into_a_folder_that_does_not_exist_yet(tmp_path: Path) -> None:
    target = tmp_path / "a" / "b.txt"
    write_text(target, "ear\n")
    assert target.read_bytes() == b"ear\n"
    assert [path.name for path in target.parent.iterdir()] == ["b.txt"]


def test_permissions_follow_the_umask(tmp_path: Path) -> None:
    before = os.umask(0o027)
    try:
        write_bytes(tmp_path / "a", b"")
    finally:
        os.umask(before)
    assert (tmp_path / "a").stat().st_mode & 0o777 == 0o640


def test_failure_leaves_the_old_file_and_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "a.txt"
    target.write_text("old")

    def fail(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.replace", fail)
    with pytest.raises(OutputError, match="No space left") as caught:
        write_text(target, "new")
    assert caught.value.exit_code == 7
    assert str(target) in str(caught.value)
    assert target.read_text() == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["a.txt"]


@pytest.mark.parametrize("place", ["folder", "file/below", "\0"])
def test_places_that_cannot_be_written(tmp_path: Path, place: str) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / "folder" / "kept").write_text("")
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError, match="cannot be written"):
        write_text(tmp_path / place, "x")


def test_printable_text_cannot_steer_a_terminal() -> None:
    shown = printable("a\x1b[31m\u202eb\udce9\n")
    assert shown == r"a\x1b[31m\u202eb\udce9\n"
