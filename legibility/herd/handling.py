"""What a mistake costs and what can be done about it: a herd's own figures, from TOML.

Every default is a choice or an assumption; none was measured. Costs are in any one unit.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any, Final

from legibility.errors import SettingsError

PHOTOGRAPH: Final = "photograph again"
SECOND_READING: Final = "second reading"
TRANSPONDER: Final = "transponder"
OTHER_EAR: Final = "re-mark in the other ear"
IN_LINE: Final = "re-mark in line"
NOTHING: Final = "nothing"


@dataclass(frozen=True, slots=True)
class ActCost:
    """What an act takes and what it leaves of the expected loss."""

    minutes: float
    """At the chute, the animal's catching included."""
    hands: int
    """People it takes."""
    leaves: float
    """Share of the expected loss that remains afterwards, 0..1."""
    sedation: bool = False
    transponders: int = 0


DEFAULT_ACTS: Final[Mapping[str, ActCost]] = {
    PHOTOGRAPH: ActCost(2.0, 1, 0.8),
    SECOND_READING: ActCost(3.0, 1, 0.6),
    TRANSPONDER: ActCost(4.0, 2, 0.05, transponders=1),
    OTHER_EAR: ActCost(8.0, 2, 0.15),
    IN_LINE: ActCost(10.0, 2, 0.4),
}
"""Assumptions, no source: minutes, people and what remains. The herd's own times come from
``legibility retention``. Re-marking over an old mark leaves more, because it is hard to align."""


@dataclass(frozen=True, slots=True)
class Handling:
    """Figures for worklist and plan."""

    usable_grade: float = 1.0
    """Choice: a photo of a lower grade, 0..4, shows the mark usable only where its reading names
    the animal."""
    days_to_next: float = 180.0
    """Choice: days until the animal is handled next."""
    list_days: float = 1.0
    """Choice: the worklist is as long as so many handling days can hold."""
    day_minutes: float = 240.0
    """Choice: minutes at the chute of a handling day; with the minutes of each act below."""
    lost_limit: float = 0.10
    """Choice: something should be done before the probability that the mark is lost reaches
    this."""
    p_chip_fails: float = 0.05
    """Assumption, no source: share of transponders that do not answer; the record's own share is
    used once so many animals as ``LEAST_TRIES`` were tried."""
    lost_share: float = 0.25
    """Choice: an animal that cannot be identified costs so much of one taken for another."""
    worth_naming: float = 0.001
    """Choice: animals whose probability of being taken for another is lower, and whose mark will
    not be lost before the limit, need nothing."""
    cost: float = 1.0
    """Choice: cost of taking an animal for another where none of the words of ``costs`` fits."""
    costs: Mapping[str, float] = field(
        default_factory=lambda: {"breeding": 10.0, "movement": 5.0, "sale": 5.0}
    )
    """Choice: cost by a word in the animal's ``status``; the largest that fits counts."""
    acts: Mapping[str, ActCost] = field(default_factory=lambda: dict(DEFAULT_ACTS))

    def cost_of(self, status: str) -> float:
        """Cost of a mistake with an animal of some status."""
        words = status.casefold()
        found = [value for word, value in self.costs.items() if word in words]
        return max(found, default=self.cost)


LEAST_TRIES: Final = 20
"""Choice: animals whose transponder was tried from which on the record's own share is used."""
_SHARES: Final = ("lost_limit", "p_chip_fails", "lost_share", "worth_naming")


def load_handling(path: Path | None) -> Handling:
    """Figures from a TOML file, or the defaults without one.

    Keys are the fields of :class:`Handling`; ``[costs]`` holds words and costs, and
    ``[acts.transponder]`` (or another act, in quotes) ``minutes``, ``hands``, ``leaves``,
    ``sedation``, ``transponders``.

    Raises
    ------
    SettingsError
        If the file cannot be read, or a key is unknown, of a wrong type or out of range.
    """
    if path is None:
        return Handling()
    try:
        values = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise SettingsError(f"{path}: cannot be read as settings: {error}") from error
    known = [item.name for item in fields(Handling)]
    changed: dict[str, Any] = {}
    for key, value in values.items():
        if key not in known:
            raise SettingsError(f"{path}: unknown key {key!r}; known: {', '.join(known)}")
        if key == "acts":
            changed[key] = _acts(path, value)
        elif key == "costs":
            table = _table(path, key, value)
            changed[key] = {
                word.casefold(): _number(path, f"costs.{word}", cost)
                for word, cost in table.items()
            }
        else:
            changed[key] = _number(path, key, value, most=1.0 if key in _SHARES else 1e9)
    return replace(Handling(), **changed)


def _acts(path: Path, value: Any) -> dict[str, ActCost]:
    acts = dict(DEFAULT_ACTS)
    known = [item.name for item in fields(ActCost)]
    for name, given in _table(path, "acts", value).items():
        if name not in acts:
            raise SettingsError(f"{path}: unknown act {name!r}; known: {', '.join(acts)}")
        changed: dict[str, Any] = {}
        for key, entry in _table(path, f"acts.{name}", given).items():
            where = f"acts.{name}.{key}"
            if key not in known:
                raise SettingsError(f"{path}: unknown key {where}; known: {', '.join(known)}")
            if key == "sedation":
                if not isinstance(entry, bool):
                    raise SettingsError(f"{path}: {where} is {entry!r}; expected true or false")
                changed[key] = entry
            else:
                number = _number(path, where, entry, most=1.0 if key == "leaves" else 1e4)
                if key in ("hands", "transponders") and number != int(number):
                    raise SettingsError(f"{path}: {where} is {entry!r}; expected a whole number")
                changed[key] = int(number) if key in ("hands", "transponders") else number
        acts[name] = replace(acts[name], **changed)
    return acts


def _table(path: Path, key: str, value: Any) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise SettingsError(f"{path}: {key} is {value!r}; expected a table")
    return value


def _number(path: Path, key: str, value: Any, *, most: float = 1e9) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0 <= value <= most:
        raise SettingsError(f"{path}: {key} is {value!r}; expected a number from 0 to {most:g}")
    return float(value)
