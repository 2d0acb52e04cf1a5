"""Small files that are there whole or not at all, also after the power went."""

from __future__ import annotations

import json
import os
import re
import tempfile
from pathlib import Path
from typing import Any, Final

from legibility.errors import StoreError

CLIENT_ID: Final = re.compile(r"[0-9a-f]{32}")
"""An id that a phone makes: 128 random bits. Nothing else ever becomes part of a path."""


def is_client_id(text: str) -> bool:
    """Whether a text is an id as phones make them.

    Examples
    --------
    >>> is_client_id("0" * 32), is_client_id("../" + "0" * 29)
    (True, False)
    """
    return CLIENT_ID.fullmatch(text) is not None


def write_json(path: Path, value: Any) -> None:
    """Replace a file by one that holds ``value``, through a temporary name.

    Raises
    ------
    StoreError
        If it cannot be written.
    """
    try:
        handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=".tmp-")
        try:
            with os.fdopen(handle, "w", encoding="utf-8") as file:
                json.dump(value, file, ensure_ascii=True, allow_nan=False)
                file.flush()
                os.fsync(file.fileno())
            os.replace(temporary, path)
        finally:
            Path(temporary).unlink(missing_ok=True)
    except OSError as error:
        raise StoreError(f"{path}: cannot be written: {error.strerror or error}") from error


def read_json(path: Path) -> Any:
    """What a file holds; None when it is not there.

    Raises
    ------
    StoreError
        If it cannot be read.
    """
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return None
    except (OSError, ValueError) as error:
        raise StoreError(
            f"{path}: cannot be read: {error}; move it away and start again"
        ) from error


def sync_folder(path: Path) -> None:
    """Make the names in a folder survive a loss of power, where the system can."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
