"""The file of a final calibration: one JSON object with schema, origin and counts."""

from __future__ import annotations

import hashlib
import json
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

from legibility.errors import ModelError
from legibility.identify.calibration import (
    EXPONENTS,
    LARGEST_FLOOR,
    SHIFTS,
    FinalCalibration,
    SetScores,
)

DEFAULT_FILE: Final = Path(__file__).parent.parent / "models" / "calibration.json"
SCHEMA: Final = 2
"""Version of the file's fields; 1 had no slopes and no herds of several sizes."""
SLOPES: Final = (-3.0, 3.0)
"""Choice: bounds of a slope; one unit of size is a tenfold registry."""
_DECIMALS: Final = 6
_SHORT_LIST: Final = re.compile(r"\[\s*([-+\d.,e\s]+?)\s*\]")


def load_final_calibration(path: Path | None = None) -> FinalCalibration:
    """Calibration from a JSON file, by default the one shipped with the models.

    The file is one object with ``schema`` and fields of :class:`FinalCalibration`; those left out
    have their defaults. A missing default file gives the defaults; a missing file that was asked
    for is an error.

    Raises
    ------
    ModelError
        If the file cannot be read, has another schema, or a field is unknown, of the wrong type or
        out of range.
    """
    if path is None:
        if not DEFAULT_FILE.exists():
            return FinalCalibration()
        path = DEFAULT_FILE
    try:
        values = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, json.JSONDecodeError) as error:
        raise ModelError(f"{path}: cannot be read as a calibration: {error}") from error
    if not isinstance(values, dict):
        raise ModelError(f"{path}: found {type(values).__name__}; expected one JSON object")
    if values.get("schema") != SCHEMA:
        raise ModelError(
            f"{path}: schema is {values.get('schema')!r}; expected {SCHEMA}: make the file anew "
            "with legibility calibrate"
        )
    return _calibration(path, {k: v for k, v in values.items() if k != "schema"})


def save_final_calibration(calibration: FinalCalibration, path: Path) -> None:
    """Writes a calibration to a temporary file beside ``path``, then renames it."""
    temporary = path.with_name(path.name + ".part")
    text = json.dumps({"schema": SCHEMA, **_record(calibration)}, indent=1)
    text = _SHORT_LIST.sub(lambda found: "[" + " ".join(found[1].split()) + "]", text)
    temporary.write_text(text + "\n", encoding="utf-8")
    temporary.replace(path)


def calibration_sha256(calibration: FinalCalibration) -> str:
    """Digest of all values, so that a result can name the calibration it was made with."""
    text = json.dumps(_record(calibration), sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()


def _record(calibration: FinalCalibration) -> dict[str, Any]:
    values = asdict(calibration)
    for scores in values["sets"]:
        for name in ("registered", "unregistered"):
            scores[name] = [round(score, _DECIMALS) for score in sorted(scores[name])]
    if calibration.scored_with is None:
        del values["scored_with"]
    else:
        values["scored_with"] = _record(calibration.scored_with)
    return values


def _calibration(path: Path, values: Mapping[str, Any]) -> FinalCalibration:
    return FinalCalibration(**{name: _field(path, name, value) for name, value in values.items()})


def _field(path: Path, name: str, value: Any) -> Any:
    if name in _RANGES:
        low, high = _RANGES[name]
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise ModelError(f"{path}: {name} is {value!r:.60}; expected a number")
        if not (math.isfinite(value) and low <= value <= high):
            raise ModelError(f"{path}: {name} is {value}; expected {low} to {high}")
        return float(value)
    check = _CHECKS.get(name)
    if check is None:
        known = ", ".join(("schema", *FinalCalibration.__slots__))
        raise ModelError(f"{path}: {name} is no field of a calibration; expected {known}")
    return check(path, name, value)


def _count(path: Path, name: str, value: Any) -> int:
    if type(value) is not int or value < 0:
        raise ModelError(f"{path}: {name} is {value!r:.60}; expected a whole number, 0 or more")
    return value


def _text(path: Path, name: str, value: Any) -> str:
    if not isinstance(value, str):
        raise ModelError(f"{path}: {name} is {value!r:.60}; expected text")
    return value


def _nested(path: Path, name: str, value: Any) -> FinalCalibration:
    if not isinstance(value, dict) or value.get("sets"):
        raise ModelError(f"{path}: {name} is {value!r:.60}; expected a calibration without sets")
    return _calibration(path, value)


def _sets(path: Path, name: str, value: Any) -> tuple[SetScores, ...]:
    if not isinstance(value, list):
        raise ModelError(f"{path}: {name} is {value!r:.60}; expected a list")
    found = []
    for number, item in enumerate(value, start=1):
        where = f"{name}, entry {number}"
        if not isinstance(item, dict) or not {"animals", "registered"} <= item.keys() <= {
            *SetScores.__slots__
        }:
            raise ModelError(f"{path}: {where}: expected animals, registered, unregistered")
        lists = [
            _scores(path, f"{where}, {kind}", item.get(kind, []))
            for kind in ("registered", "unregistered")
        ]
        found.append(SetScores(_count(path, f"{where}, animals", item["animals"]), *lists))
    sizes = [scores.animals for scores in found]
    if sizes != sorted(set(sizes)):
        raise ModelError(f"{path}: {name}: animals are {sizes}; expected ascending sizes")
    return tuple(found)


def _scores(path: Path, name: str, value: Any) -> tuple[float, ...]:
    if not isinstance(value, list) or not all(
        isinstance(s, int | float) and not isinstance(s, bool) and 0 <= s <= 1 for s in value
    ):
        raise ModelError(f"{path}: {name}: expected a list of numbers, each within 0..1")
    return tuple(sorted(float(score) for score in value))


_RANGES: Final[Mapping[str, tuple[float, float]]] = {
    "exponent": EXPONENTS,
    "floor": (0.0, LARGEST_FLOOR),
    "not_registered_shift": SHIFTS,
    "exponent_size": SLOPES,
    "exponent_doubt": (0.0, SLOPES[1]),
    "floor_size": SLOPES,
    "floor_doubt": (0.0, SLOPES[1]),
    "shift_size": SLOPES,
}
_CHECKS: Final[Mapping[str, Callable[[Path, str, Any], Any]]] = {
    "photos_fitted": _count,
    "records_fitted": _count,
    "origin": _text,
    "sets": _sets,
    "scored_with": _nested,
}
