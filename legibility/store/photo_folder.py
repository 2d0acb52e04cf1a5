"""Copies of photos under the digest of their bytes: what is there never changes its name."""

from __future__ import annotations

import hashlib
import os
import tempfile
from enum import StrEnum
from pathlib import Path
from typing import Final

from legibility.errors import StoreError
from legibility.store.fileproblems import printable_path
from legibility.store.records import PhotoRow

_CHUNK: Final = 1 << 20
_LONGEST_SUFFIX: Final = 6


class FileState(StrEnum):
    """What became of a photo's file since its import."""

    AS_IMPORTED = "as imported"
    ONLY_THE_COPY = "only the copy is left"
    CHANGED = "other bytes under the same name"
    MISSING = "not there"


def folder_of(herd: Path) -> Path:
    """The folder for copies beside a record: ``herd.db`` has ``herd.photos``."""
    return herd.with_suffix(".photos")


def digest_of(path: Path) -> str:
    """SHA-256 of a file's bytes.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while chunk := file.read(_CHUNK):
            digest.update(chunk)
    return digest.hexdigest()


def keep_copy(folder: Path, path: Path, *, sha256: str) -> str:
    """Copy a photo into the folder unless it is there; gives its path inside the folder.

    Raises
    ------
    StoreError
        If the bytes are not those of the digest any more, or the copy cannot be written.
    """
    suffix = path.suffix.lower() if len(path.suffix) <= _LONGEST_SUFFIX else ""
    inside = f"{sha256[:2]}/{sha256}{suffix if suffix[1:].isalnum() else ''}"
    target = folder / inside
    name = printable_path(path)
    try:
        if target.exists() and digest_of(target) == sha256:
            return inside
        target.parent.mkdir(parents=True, exist_ok=True)
        data = path.read_bytes()
        if hashlib.sha256(data).hexdigest() != sha256:
            raise StoreError(f"{name}: changed while it was imported; import it again")
        handle, temporary = tempfile.mkstemp(dir=target.parent, prefix=".tmp-")
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            os.chmod(temporary, 0o444)
            os.replace(temporary, target)
        finally:
            Path(temporary).unlink(missing_ok=True)
    except OSError as error:
        raise StoreError(f"{name}: cannot be copied: {error.strerror or error}") from error
    return inside


def file_state(photo: PhotoRow, *, herd: Path) -> tuple[FileState, Path]:
    """Whether a photo's file is as it was, and where its bytes can be had."""
    path = Path(photo.path)
    copy = folder_of(herd) / photo.stored if photo.stored else None
    found = _digest_or_nothing(path)
    if found == photo.sha256:
        return FileState.AS_IMPORTED, path
    if copy is not None and _digest_or_nothing(copy) == photo.sha256:
        return FileState.ONLY_THE_COPY, copy
    return (FileState.CHANGED if found else FileState.MISSING), path


def _digest_or_nothing(path: Path) -> str:
    try:
        return digest_of(path)
    except OSError:
        return ""
