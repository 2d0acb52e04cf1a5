"""From an animal's age to the condition its mark is expected in."""

from __future__ import annotations

import itertools
import tomllib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from legibility.errors import SettingsError


@dataclass(frozen=True, slots=True)
class AgeModel:
    """Grade by age in years, linear between the points given, level beyond them."""

    years: tuple[float, ...]
    """Ages, increasing."""
    grades: tuple[float, ...]
    """4 (as new) .. 0 (lost), one for each age."""

    def grade(self, ages: NDArray[np.floating]) -> NDArray[np.float64]:
        """Expected grade at each age."""
        return np.asarray(np.interp(ages, self.years, self.grades), dtype=np.float64)


def load_age_model(path: Path) -> AgeModel:
    """Age model from a TOML file with the keys ``years`` and ``grades``, lists of numbers.

    There is no default: no published curve of how ear marks fade with age was found.

    Raises
    ------
    SettingsError
        If the file cannot be used.
    """
    try:
        values = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise SettingsError(f"{path}: cannot be read as an age model: {error}") from error
    unknown = [key for key in values if key not in ("years", "grades")]
    if unknown:
        raise SettingsError(f"{path}: unknown key {unknown[0]!r}; known: years, grades")
    lists = []
    for key in ("years", "grades"):
        found = values.get(key)
        if not isinstance(found, list) or not found or not all(map(_is_number, found)):
            raise SettingsError(f"{path}: {key} is {found!r}; expected a list of numbers")
        lists.append(tuple(float(value) for value in found))
    years, grades = lists
    if len(years) != len(grades):
        raise SettingsError(f"{path}: {len(years)} years and {len(grades)} grades; expected pairs")
    if any(after <= before for before, after in itertools.pairwise(years)):
        raise SettingsError(f"{path}: years {list(years)} do not increase")
    if not all(0.0 <= grade <= 4.0 for grade in grades):
        raise SettingsError(f"{path}: grades {list(grades)}; expected 4 (as new) to 0 (lost)")
    return AgeModel(years, grades)


def _is_number(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)
