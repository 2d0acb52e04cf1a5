"""The output file: JSON lines that survive an interruption and can be gone on with."""

from __future__ import annotations

import errno
import json
import os
import shutil
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

from legibility.errors import OutputError
from legibility.report.record import json_line
from legibility.report.writing import output_message


class JsonLines:
    """Takes records one by one; the target appears whole, under its name, at the end."""

    def __init__(self, file: IO[str], *, target: Path | None, held: frozenset[str]) -> None:
        self._file = file
        self._target = target
        self.held = held
        """Photos that the output already holds."""

    def write(self, record: Mapping[str, Any]) -> None:
        """Add one line and hand it to the system, so that an interruption loses none before it.

        Raises
        ------
        OutputError
            If it cannot be written.
        """
        self.write_lines(json_line(record) + "\n")

    def write_lines(self, text: str) -> None:
        """Add whole lines that are JSON already, as :meth:`write` does.

        Raises
        ------
        OutputError
            If they cannot be written.
        """
        try:
            self._file.write(text)
            self._file.flush()
        except OSError as error:
            if self._target is None:
                raise
            raise OutputError(output_message(self._target, error)) from error


@contextmanager
def open_lines(target: Path, *, resume: bool = False) -> Iterator[JsonLines]:
    """Open an output file of JSON lines.

    Lines are collected in ``<target>.part``, which becomes ``target`` when all went well and stays
    when the work was interrupted. With ``resume`` the whole lines of ``<target>.part``, or else of
    ``target``, are kept and only a truncated last line is dropped.

    Raises
    ------
    OutputError
        If the file cannot be opened, written or renamed, or if a line that is to be kept is no
        JSON object with a field "photo".
    """
    part = target.parent / (target.name + ".part")
    file, held = _open_part(target, part, resume=resume)
    with file:
        yield JsonLines(file, target=target, held=held)
    try:
        os.replace(part, target)
    except OSError as error:
        raise OutputError(output_message(target, error)) from error


def _open_part(target: Path, part: Path, *, resume: bool) -> tuple[IO[str], frozenset[str]]:
    held = frozenset[str]()
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        if target.is_dir():
            raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR))
        if resume and not part.exists() and target.exists():
            shutil.copyfile(target, part)
        if resume and part.exists():
            held = _keep_whole_lines(part)
        return open(part, "a" if resume else "w", encoding="ascii", newline="\n"), held
    except OutputError:
        raise
    except OSError as error:
        raise OutputError(output_message(target, error)) from error


def finished_photos(path: Path) -> tuple[frozenset[str], int]:
    """Photos named by the whole lines of an output file, and how many bytes those lines take.

    Raises
    ------
    OutputError
        If a whole line is no JSON object with a field "photo".
    OSError
        If the file cannot be read.
    """
    photos: set[str] = set()
    size = 0
    with path.open("rb") as file:
        for number, line in enumerate(file, start=1):
            if not line.endswith(b"\n"):
                break
            photos.add(_photo_of(path, number, line))
            size += len(line)
    return frozenset(photos), size


def _photo_of(path: Path, number: int, line: bytes) -> str:
    try:
        photo = json.loads(line)["photo"]
    except (ValueError, TypeError, KeyError, RecursionError):
        photo = None
    if not isinstance(photo, str):
        raise OutputError(
            f'{path}: line {number} is no result of this tool (expected a JSON object with "photo")'
            "; choose another output file, or leave --resume out to write it anew"
        )
    return photo


def _keep_whole_lines(part: Path) -> frozenset[str]:
    photos, size = finished_photos(part)
    os.truncate(part, size)
    return photos
