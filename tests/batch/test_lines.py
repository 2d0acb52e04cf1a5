"""The output file and going on with it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from legibility.batch import finished_photos, open_lines
from legibility.errors import OutputError


def write(target: Path, *photos: str, resume: bool = False) -> frozenset[str]:
    with open_lines(target, resume=resume) as lines:
        for photo in photos:
            if photo not in lines.held:
                lines.write({"photo": photo})
        return lines.held


def photos_in(target: Path) -> list[str]:
    return [json.loads(line)["photo"] for line in target.read_text().splitlines()]


def test_the_file_appears_whole_at_the_end(tmp_path: Path) -> None:
    target = tmp_path / "new" / "out.jsonl"
    with open_lines(target) as lines:
        lines.write({"photo": "a"})
        assert not target.exists()
    assert photos_in(target) == ["a"]
    assert [path.name for path in target.parent.iterdir()] == ["out.jsonl"]


def interrupted_after(target: Path, *photos: str) -> None:
    with open_lines(target) as lines:
        for photo in photos:
            lines.write({"photo": photo})
        raise KeyboardInterrupt


def test_interrupted_work_is_kept_and_gone_on_with(tmp_path: Path) -> None:
    target = tmp_path / "out.jsonl"
    with pytest.raises(KeyboardInterrupt):
        interrupted_after(target, "a", "b")
    assert not target.exists()
    assert write(target, "a", "b", "c", resume=True) == {"a", "b"}
    assert photos_in(target) == ["a", "b", "c"]


@pytest.mark.parametrize("rest", ['{"photo": "c', '{"photo": "c"}', "\0\0\0", "\udcff"])
def test_a_truncated_last_line_is_dropped(tmp_path: Path, rest: str) -> None:
    target = tmp_path / "out.jsonl"
    whole = b'{"photo": "a"}\n{"photo": "b"}\n'
    (tmp_path / "out.jsonl.part").write_bytes(whole + rest.encode("utf-8", "surrogateescape"))
    assert write(target, "a", "b", "c", resume=True) == {"a", "b"}
    assert photos_in(target) == ["a", "b", "c"]


def test_a_finished_file_is_gone_on_with_when_photos_were_added(tmp_path: Path) -> None:
    target = tmp_path / "out.jsonl"
    write(target, "a")
    assert write(target, "a", "b", resume=True) == {"a"}
    assert photos_in(target) == ["a", "b"]


def test_resume_without_a_file_starts_anew(tmp_path: Path) -> None:
    target = tmp_path / "out.jsonl"
    assert write(target, "a", resume=True) == frozenset()
    assert photos_in(target) == ["a"]


def test_without_resume_a_finished_file_is_replaced_only_at_the_end(tmp_path: Path) -> None:
    target = tmp_path / "out.jsonl"
    write(target, "a")
    with open_lines(target) as lines:
        lines.write({"photo": "b"})
        assert photos_in(target) == ["a"]
    assert photos_in(target) == ["b"]


@pytest.mark.parametrize("line", ["hello", "[1]", '{"name": "a"}', '{"photo": 7}', "[" * 100_000])
def test_a_file_of_something_else_is_not_touched(tmp_path: Path, line: str) -> None:
    target = tmp_path / "out.jsonl"
    target.write_text(line + "\n")
    with pytest.raises(OutputError, match="line 1"):
        write(target, "a", resume=True)
    assert target.read_text() == line + "\n"


@pytest.mark.parametrize("place", ["folder", "file/out.jsonl"])
def test_places_that_cannot_be_written(tmp_path: Path, place: str) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError, match="cannot be written") as caught:
        write(tmp_path / place, "a")
    assert caught.value.exit_code == 7


def test_errors_of_the_caller_are_not_taken_for_output_errors(tmp_path: Path) -> None:
    with pytest.raises(BrokenPipeError), open_lines(tmp_path / "out.jsonl"):
        raise BrokenPipeError


def test_size_of_whole_lines(tmp_path: Path) -> None:
    path = tmp_path / "out.jsonl"
    path.write_bytes(b'{"photo": "a"}\n{"pho')
    assert finished_photos(path) == ({"a"}, 15)
