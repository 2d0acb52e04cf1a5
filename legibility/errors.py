"""Errors a user can meet, each with the exit code the command line returns.

Messages say what was found, what was expected and what to do; file, line and field where known.
"""

from __future__ import annotations

from typing import ClassVar


class LegibilityError(Exception):
    """Root of all errors this package raises on purpose."""

    exit_code: ClassVar[int] = 1


class PhotoError(LegibilityError, ValueError):
    """A file that cannot be used as a photo (truncated, not an image, too large, unreadable)."""

    exit_code = 4


class PhotoTooLargeError(PhotoError):
    """A picture above the limit in megapixels."""


class RegistryError(LegibilityError, ValueError):
    """A registry file with rows that cannot be used; all of them are named, none is imported."""

    exit_code = 5


class TableError(LegibilityError, ValueError):
    """A table of photos or of recorded steps with rows that cannot be used; none is used."""

    exit_code = 5


class SettingsError(LegibilityError, ValueError):
    """A settings or rules file with a field that cannot be used."""

    exit_code = 6


class OutputError(LegibilityError, OSError):
    """A result that could not be written; nothing was left half-written."""

    exit_code = 7


class ModelError(LegibilityError, RuntimeError):
    """A model file that is missing or is not the one its model card describes."""

    exit_code = 8


class MissingExtraError(LegibilityError, ImportError):
    """A feature whose optional dependency is not installed."""

    exit_code = 9


class StoreError(LegibilityError, RuntimeError):
    """A herd's record that cannot be opened or written (foreign, damaged, locked, too new)."""

    exit_code = 10


class ChipError(LegibilityError, ValueError):
    """A transponder number or telegram that cannot be one."""

    exit_code = 5


class RowsError(LegibilityError, ValueError):
    """A manifest or log with rows that cannot be used; all are named, none is imported."""

    exit_code = 5


class EvidenceError(LegibilityError, ValueError):
    """Claims, photos or reading sheets that cannot be weighed against each other."""

    exit_code = 11
