"""A registry file as a table, whatever program wrote it."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Final

from legibility.errors import RegistryError
from legibility.tables.sheet import MAX_FILE_MIB, Table
from legibility.tables.text_file import decoded, text_sheet
from legibility.tables.workbook import OLD_WORKBOOK, workbook_sheets

_ZIP: Final = b"PK\x03\x04"


def ascii_safe(path: Path) -> str:
    """Path that any terminal can print: undecodable bytes and control characters escaped."""
    text = str(path).encode("utf-8", "backslashreplace").decode("utf-8")
    return "".join(c if c.isprintable() else ascii(c)[1:-1] for c in text)


def read_bytes(path: Path, name: str) -> bytes:
    """Bytes of a registry file.

    Raises
    ------
    RegistryError
        If it cannot be read, or is larger than ``MAX_FILE_MIB``.
    """
    try:
        size = path.stat().st_size
        if size > MAX_FILE_MIB * 2**20:
            raise RegistryError(
                f"{name}: is {size / 2**20:.0f} MiB; expected at most {MAX_FILE_MIB} MiB"
            )
        return path.read_bytes()
    except OSError as error:
        raise RegistryError(f"{name}: cannot be read: {error.strerror or error}") from error


def read_table(data: bytes, name: str) -> Table:
    """Sheets of a file; a text file has one.

    Raises
    ------
    RegistryError, MissingExtraError
        If it is no table that can be read.
    """
    digest = hashlib.sha256(data).hexdigest()
    if data.startswith(OLD_WORKBOOK):
        raise RegistryError(
            f"{name}: is an old or an encrypted workbook; save it as XLSX without a password, or "
            "as CSV UTF-8"
        )
    if data.startswith(_ZIP):
        return Table(name, digest, "XLSX", workbook_sheets(data, name))
    if data.startswith(b"%PDF") or data.lstrip()[:15].lower().startswith((b"<!doctype", b"<html")):
        raise RegistryError(f"{name}: is a PDF or web page; expected CSV or XLSX")
    text, encoding, notices = decoded(data, name)
    if not text.strip("\ufeff \t\r\n"):
        raise RegistryError(f"{name}: is empty; expected a header and one line an animal")
    text = text.removeprefix("\ufeff")
    sheet, delimiter = text_sheet(text, name)
    return Table(name, digest, f"CSV, {delimiter}, {encoding}", (sheet,), notices)
