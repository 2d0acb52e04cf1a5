"""Which photos a list of files and folders means."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Iterator
from pathlib import Path

from legibility.photo.formats import PHOTO_SUFFIXES


def find_photos(paths: Iterable[str | os.PathLike[str]]) -> list[Path]:
    """Expand folders into the photos they hold.

    Parameters
    ----------
    paths
        Files and folders, in the order in which results are wanted. Files are kept whatever they
        are called, also when they do not exist, so that reading them says so.

    Returns
    -------
    list of Path
        Files in the order given; the content of a folder recursively in natural order
        (``ear2`` before ``ear10``), only files with the suffix of a photo, without hidden files
        and folders. A folder reached twice (given twice, or by a link that leads back) is
        expanded once. A folder that may not be listed stays in the list as itself, so that reading
        it reports the reason.
    """
    seen: set[tuple[int, int]] = set()
    found: list[Path] = []
    for path in map(Path, paths):
        found.extend(_walk(path, seen) if path.is_dir() else (path,))
    return found


def _walk(folder: Path, seen: set[tuple[int, int]]) -> Iterator[Path]:
    """Photos below a folder; a stack instead of recursion, so that no depth is too deep."""
    waiting = [folder]
    while waiting:
        path = waiting.pop()
        if not path.is_dir():
            yield path
            continue
        status = path.stat()
        if (status.st_dev, status.st_ino) in seen:
            continue
        seen.add((status.st_dev, status.st_ino))
        try:
            names = os.listdir(path)
        except OSError:
            yield path
            continue
        entries = [path / name for name in sorted(names, key=_natural) if not name.startswith(".")]
        waiting.extend(
            entry
            for entry in reversed(entries)
            if entry.suffix.lower() in PHOTO_SUFFIXES or entry.is_dir()
        )


def _natural(name: str) -> tuple[tuple[tuple[int, int, str], ...], str]:
    """Sort key: runs of digits by their value, letters without case, ties by the name itself."""
    parts = re.findall(r"\d+|\D+", name, flags=re.ASCII)
    return (
        tuple((0, int(p), "") if p.isdecimal() else (1, 0, p.casefold()) for p in parts),
        name,
    )
