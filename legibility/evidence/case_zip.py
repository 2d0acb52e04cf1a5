"""The zip of a case: the same bytes for the same content, and read without trusting it.

Names are those of a fixed scheme, entries are sorted, times are fixed, so that two dossiers of one
case differ in nothing but what was found. A zip from elsewhere may hold paths outside its folder,
links, or a few kilobytes that unpack to terabytes; each is refused before anything is written.
"""

from __future__ import annotations

import hashlib
import json
import re
import stat
import zipfile
import zlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from legibility.errors import EvidenceError

FORMAT: Final = 1
MANIFEST: Final = "manifest.json"
MOST_ENTRIES: Final = 2000
"""Choice: a dossier of 100 photos has about 1,000."""
MOST_BYTES: Final = 1 << 31
"""Choice: of all entries unpacked, 2 GiB."""
MOST_RATIO: Final = 200
"""Choice: unpacked size over packed size of an entry; text in JSON reaches some 20."""
SMALL: Final = 1 << 16
"""Choice: entries up to 64 KiB may have any ratio."""
_FIXED_TIME: Final = (1980, 1, 1, 0, 0, 0)
"""Earliest time a zip can hold."""
_PACKED: Final = frozenset({".json", ".html", ".toml", ".csv", ".txt"})
_NAME: Final = re.compile(r"[a-z0-9][a-z0-9._-]{0,99}(/[a-z0-9][a-z0-9._-]{0,99}){0,2}")
_CHUNK: Final = 1 << 20


def case_zip(files: Mapping[str, bytes]) -> list[tuple[zipfile.ZipInfo, bytes]]:
    """Entries of a case's zip, sorted, the list of all digests among them.

    Raises
    ------
    ValueError
        If a name does not follow the scheme.
    """
    for name in files:
        if name == MANIFEST or not safe_name(name):
            raise ValueError(f"{name!r} is no name for a file of a case")
    listed = {
        "format": FORMAT,
        "files": {
            name: {"sha256": hashlib.sha256(files[name]).hexdigest(), "bytes": len(files[name])}
            for name in sorted(files)
        },
    }
    manifest = (json.dumps(listed, indent=1) + "\n").encode("ascii")
    entries = []
    for name, data in sorted({**files, MANIFEST: manifest}.items()):
        info = zipfile.ZipInfo(name, _FIXED_TIME)
        info.create_system = 3
        info.external_attr = (stat.S_IFREG | 0o644) << 16
        packed = Path(name).suffix in _PACKED
        info.compress_type = zipfile.ZIP_DEFLATED if packed else zipfile.ZIP_STORED
        entries.append((info, data))
    return entries


def zip_bytes(files: Mapping[str, bytes]) -> bytes:
    """A case's zip; the same bytes for the same files and the same zlib."""
    import io

    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        for info, data in case_zip(files):
            archive.writestr(info, data, compresslevel=6)
    return stream.getvalue()


def safe_name(name: str) -> bool:
    """Whether a name stays inside its folder on every system: small letters, no dots ahead."""
    return _NAME.fullmatch(name) is not None


def unpack(path: Path, folder: Path) -> tuple[str, ...]:
    """Unpack a case into an empty folder; gives the names of its files.

    Everything is checked first: number, names, kinds and sizes of the entries; then each is
    written with a limit, and its digest compared with the zip's own list.

    Raises
    ------
    EvidenceError
        If the file is no zip, is damaged, holds anything but plain files of the known scheme, is
        too large unpacked, or a file is not the one of the list. The folder may then hold a part.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            entries = archive.infolist()
            _check(path, entries)
            for info in entries:
                _extract(path, archive, info, folder)
    except (OSError, zipfile.BadZipFile, zlib.error, NotImplementedError, EOFError) as error:
        raise EvidenceError(f"{path}: cannot be read as the zip of a case: {error}") from error
    names = tuple(info.filename for info in entries if info.filename != MANIFEST)
    _compare(path, folder, names)
    return names


def _check(path: Path, entries: list[zipfile.ZipInfo]) -> None:
    if len(entries) > MOST_ENTRIES:
        raise EvidenceError(
            f"{path}: has {len(entries)} entries; a case has at most {MOST_ENTRIES}"
        )
    seen: set[str] = set()
    for info in entries:
        name = info.filename
        shown = ascii(name)[:120]
        kind = stat.S_IFMT(info.external_attr >> 16)
        if kind and not stat.S_ISREG(kind):
            raise EvidenceError(f"{path}: {shown} is a link or no plain file; nothing was unpacked")
        if not safe_name(name) or info.orig_filename != name:
            raise EvidenceError(
                f"{path}: {shown} is no name of a case's file, or leads outside; nothing was "
                "unpacked"
            )
        if name in seen:
            raise EvidenceError(f"{path}: {shown} is there twice; nothing was unpacked")
        seen.add(name)
        if info.flag_bits & 0x1:
            raise EvidenceError(f"{path}: {shown} is encrypted; nothing was unpacked")
        if info.file_size > SMALL and info.file_size > MOST_RATIO * max(1, info.compress_size):
            raise EvidenceError(
                f"{path}: {shown} would unpack to {info.file_size} bytes from "
                f"{info.compress_size}; nothing was unpacked"
            )
    total = sum(info.file_size for info in entries)
    if total > MOST_BYTES:
        raise EvidenceError(
            f"{path}: would unpack to {total} bytes; a case has at most {MOST_BYTES}"
        )
    if MANIFEST not in seen:
        raise EvidenceError(f"{path}: has no {MANIFEST}; it is no zip of legibility dossier")


def _extract(path: Path, archive: zipfile.ZipFile, info: zipfile.ZipInfo, folder: Path) -> None:
    """Write one entry, never more than it claims to be."""
    target = folder / info.filename
    target.parent.mkdir(parents=True, exist_ok=True)
    left = info.file_size
    with archive.open(info) as source, target.open("xb") as out:
        while chunk := source.read(_CHUNK):
            left -= len(chunk)
            if left < 0:
                raise EvidenceError(f"{path}: {info.filename} is larger than it claims to be")
            out.write(chunk)


def _compare(path: Path, folder: Path, names: tuple[str, ...]) -> None:
    listed = _listed(path, folder)
    for name in names:
        if name not in listed:
            raise EvidenceError(f"{path}: {name} is not in the zip's own list")
        digest = hashlib.sha256((folder / name).read_bytes()).hexdigest()
        if digest != listed[name]:
            raise EvidenceError(
                f"{path}: {name} was changed: its sha256 is {digest}, the list says {listed[name]}"
            )
    missing = sorted(set(listed) - set(names))
    if missing:
        raise EvidenceError(f"{path}: {missing[0]} is in the zip's own list, but not there")


def _listed(path: Path, folder: Path) -> dict[str, str]:
    values: Any
    try:
        values = json.loads((folder / MANIFEST).read_text("utf-8"))
        if values["format"] != FORMAT:
            raise ValueError(f"format {values['format']!r}; expected {FORMAT}")
        return {str(name): str(entry["sha256"]) for name, entry in values["files"].items()}
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise EvidenceError(f"{path}: {MANIFEST} cannot be used: {error}") from error
