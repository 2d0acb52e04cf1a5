"""Which marks a herd's rules allow: characters, row lengths, number of rows."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Final

from legibility.alphabet import CHARACTERS, index_of, split_mark
from legibility.errors import SettingsError

LONGEST_ROW: Final = 12
"""Choice: no known rule asks for more than 9 characters in a row; twelve fit a 64-bit key."""


@dataclass(frozen=True, slots=True)
class Rules:
    """Marks that may exist in a herd.

    The default allows what a die set can hold; nothing is assumed about a herd's own scheme.
    """

    characters: str = CHARACTERS
    """Characters in use, a subset of ``alphabet.CHARACTERS``."""
    shortest_row: int = 1
    """Fewest characters in a row."""
    longest_row: int = 8
    """Most characters in a row; choice, one society's handbook allows 8 in an ear."""
    max_rows: int = 2
    """One or two rows."""

    def problem(self, mark: str) -> str:
        """Why a well-formed mark breaks these rules, as a sentence; empty when it does not."""
        rows = split_mark(mark)
        if len(rows) > self.max_rows:
            return f"mark {mark!r} has {len(rows)} rows; the rules allow {self.max_rows}"
        for row in rows:
            if not self.shortest_row <= len(row) <= self.longest_row:
                return (
                    f"mark {mark!r} has a row of {len(row)} characters; the rules allow "
                    f"{self.shortest_row} to {self.longest_row}"
                )
            for character in row:
                if character not in self.characters:
                    return f"mark {mark!r} has {character!r}, which the rules do not allow"
        return ""


def load_rules(path: Path) -> Rules:
    """Rules from a TOML file; keys are the fields of :class:`Rules`.

    Raises
    ------
    SettingsError
        If the file cannot be read or parsed, or a key is unknown or has a value out of range.
    """
    try:
        values = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise SettingsError(f"{path}: cannot be read as rules: {error}") from error
    known = [field.name for field in fields(Rules)]
    for key, value in values.items():
        if key not in known:
            raise SettingsError(f"{path}: unknown rule {key!r}; known: {', '.join(known)}")
        wanted: type = str if key == "characters" else int
        if not isinstance(value, wanted) or isinstance(value, bool):
            raise SettingsError(f"{path}: {key} is {value!r}; expected {wanted.__name__}")
    rules = Rules(**values)
    _check(path, rules)
    return rules


def _check(path: Path, rules: Rules) -> None:
    if not rules.characters:
        raise SettingsError(f"{path}: characters is empty; expected at least one of {CHARACTERS}")
    for character in rules.characters:
        try:
            index_of(character)
        except ValueError as error:
            raise SettingsError(f"{path}: characters: {error}") from error
    if len(set(rules.characters)) != len(rules.characters):
        raise SettingsError(f"{path}: characters {rules.characters!r} names one twice")
    if not 1 <= rules.shortest_row <= rules.longest_row <= LONGEST_ROW:
        raise SettingsError(
            f"{path}: shortest_row is {rules.shortest_row} and longest_row {rules.longest_row}; "
            f"expected 1 <= shortest_row <= longest_row <= {LONGEST_ROW}"
        )
    if rules.max_rows not in (1, 2):
        raise SettingsError(f"{path}: max_rows is {rules.max_rows}; expected 1 or 2")
