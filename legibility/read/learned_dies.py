"""A herd's own set of dies as a TOML file: the needles of each die as they were seen on cards.

A herd may own several dies of one character; a die whose needles do not match those of the known
ones is kept beside them. What is seen again is averaged.
"""

from __future__ import annotations

import os
import tempfile
import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np

from legibility.alphabet import CHARACTERS
from legibility.containers import Points
from legibility.errors import OutputError, SettingsError
from legibility.read.die_match import match_die

FORMAT: Final = 1
"""Version of the file's layout."""
MOST_DIES: Final = 36 * 8
"""Choice: more dies than any herd owns; a longer file is refused."""
MOST_NEEDLES: Final = 64
"""Choice: needles of one die at most; real ones have 8 to 16 (common practice, no source)."""
LEAST_NEEDLES: Final = 3


@dataclass(frozen=True, slots=True)
class LearnedDie:
    """One die of the herd."""

    character: str
    needles: Points
    """(n, 2) x, y in heights of the set's characters, about the middle of the die's extent."""
    seen: int
    """Cards it was seen on."""


@dataclass(frozen=True, slots=True)
class LearnedDies:
    """A herd's dies; at most a few of each character."""

    dies: tuple[LearnedDie, ...] = ()

    def of(self, character: str) -> tuple[LearnedDie, ...]:
        """Dies of one character, most often seen first."""
        found = [die for die in self.dies if die.character == character]
        return tuple(sorted(found, key=lambda die: -die.seen))

    @property
    def characters(self) -> str:
        """Characters with a known die, in the order of the alphabet."""
        known = {die.character for die in self.dies}
        return "".join(character for character in CHARACTERS if character in known)


def merge(known: LearnedDies, seen: Iterable[tuple[str, Points]]) -> LearnedDies:
    """Known dies and those of another card.

    A die seen once that shows all its needles and more the next time had lost one on its first
    card, or the photo had: the fuller pattern stands from then on.

    Parameters
    ----------
    known : LearnedDies
    seen : iterable of (character, (n, 2) needles in heights)
    """
    dies = list(known.dies)
    for character, needles in seen:
        points = np.asarray(needles, dtype=np.float64)
        points = points - (points.min(axis=0) + points.max(axis=0)) / 2
        for index, die in enumerate(dies):
            if die.character != character or len(die.needles) > len(points):
                continue
            match = match_die(points, die.needles)
            if match.missing or match.bent or (match.stray and die.seen > 1):
                continue
            if match.stray:
                dies[index] = LearnedDie(character, points, 1)
                break
            order = [dot for _, dot in sorted(match.pairs)]
            mean = (die.needles * die.seen + points[order]) / (die.seen + 1)
            dies[index] = replace(die, needles=mean, seen=die.seen + 1)
            break
        else:
            dies.append(LearnedDie(character, points, 1))
    return LearnedDies(tuple(sorted(dies, key=lambda die: CHARACTERS.index(die.character))))


def load_dies(path: Path) -> LearnedDies:
    """Dies of a file written by :func:`save_dies`.

    Raises
    ------
    SettingsError
        If the file cannot be read, is of another version, or names die and field that are wrong.
    """
    try:
        values = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise SettingsError(f"{path}: cannot be read as a set of dies: {error}") from error
    if values.get("format") != FORMAT:
        raise SettingsError(
            f"{path}: format is {values.get('format')!r}; expected {FORMAT}; punch a card and make "
            "the file anew with `legibility proof CARD --mark MARK --learn FILE`"
        )
    listed = values.get("die", [])
    if not isinstance(listed, list) or len(listed) > MOST_DIES:
        raise SettingsError(f"{path}: die is no list of at most {MOST_DIES} tables [[die]]")
    return LearnedDies(tuple(_die(path, number, item) for number, item in enumerate(listed, 1)))


def save_dies(dies: LearnedDies, path: Path) -> None:
    """Write a set of dies, all or nothing.

    Raises
    ------
    OutputError
        If the file cannot be written; an older one stays as it was.
    """
    lines = [
        "# Needles of this herd's dies, learned from punched cards.",
        "# x and y in heights of a character, about the middle of each die.",
        f"format = {FORMAT}",
    ]
    for die in dies.dies:
        points = ", ".join(f"[{x:.4f}, {y:.4f}]" for x, y in die.needles)
        lines += ["", "[[die]]", f'character = "{die.character}"', f"seen = {die.seen}"]
        lines.append(f"needles = [{points}]")
    data = ("\n".join(lines) + "\n").encode()
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(data)
            os.chmod(name, 0o644)
            os.replace(name, path)
        except OSError:
            os.unlink(name)
            raise
    except OSError as error:
        raise OutputError(f"{path}: cannot be written: {error}") from error


def unit_box(needles: Points) -> Points:
    """Needles as layouts have them: x from 0, y about 0 (top) to 1 (bottom)."""
    return np.asarray(needles - np.array([needles[:, 0].min(), -0.5]), dtype=np.float64)


def _die(path: Path, number: int, item: Any) -> LearnedDie:
    where = f"{path}: die {number}"
    if not isinstance(item, dict):
        raise SettingsError(f"{where} is {item!r}; expected a table [[die]]")
    character = item.get("character")
    if not isinstance(character, str) or len(character) != 1 or character not in CHARACTERS:
        raise SettingsError(f"{where}: character is {character!r}; expected one of {CHARACTERS}")
    seen = item.get("seen", 1)
    if not isinstance(seen, int) or isinstance(seen, bool) or not 1 <= seen <= 1_000_000:
        raise SettingsError(f"{where}: seen is {seen!r}; expected a whole number from 1 on")
    needles = item.get("needles")
    if not isinstance(needles, list) or not _are_points(needles):
        raise SettingsError(
            f"{where}: needles is no list of {LEAST_NEEDLES} to {MOST_NEEDLES} pairs [x, y] "
            "between -2 and 2"
        )
    return LearnedDie(character, np.array(needles, dtype=np.float64), seen)


def _are_points(values: Sequence[Any]) -> bool:
    return LEAST_NEEDLES <= len(values) <= MOST_NEEDLES and all(
        isinstance(pair, list)
        and len(pair) == 2
        and all(
            isinstance(v, (int, float)) and not isinstance(v, bool) and -2 <= v <= 2 for v in pair
        )
        for pair in values
    )
