"""The fitted numbers of fusion and calibration as one JSON file with its digest."""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, Final

from legibility.errors import ModelError, OutputError
from legibility.read.calibration import Calibration
from legibility.read.fusion import FusionWeights, PoolWeights
from legibility.read.presence import PresenceModel
from legibility.read.twins import PAIRS, TwinModel

FORMAT: Final = 3
"""Version of the file's layout."""

DEFAULT_PATH: Final = Path(__file__).resolve().parents[1] / "models" / "reading.json"


@dataclass(frozen=True, slots=True)
class ReadingModel:
    """How the readers are pooled and calibrated."""

    fusion: FusionWeights
    calibration: Calibration
    twins: TwinModel
    presence: PresenceModel
    fitted_on: str
    """What the numbers were fitted on, in words."""
    sha256: str = ""
    """Digest of the file's bytes; empty for a model that was never saved."""


def load_reading_model(path: Path = DEFAULT_PATH) -> ReadingModel:
    """Read the fitted numbers.

    Raises
    ------
    ModelError
        If the file is missing, is no JSON, lacks a key or holds a value out of range. Nothing is
        replaced by a default: a probability computed with other numbers would not be calibrated.
    """
    try:
        data = path.read_bytes()
        values = json.loads(data)
    except (OSError, ValueError) as error:
        raise ModelError(
            f"{path}: cannot be read as a reading model: {error}; install the package again"
        ) from error
    try:
        if _key(values, "format") != FORMAT:
            raise ValueError(f"format is {values['format']!r}; expected {FORMAT}")
        fusion = _key(values, "fusion")
        calibration = _key(values, "calibration")
        twins = _key(values, "twins")
        presence = _key(values, "presence")
        return ReadingModel(
            fusion=FusionWeights(
                with_second=_pool(_key(fusion, "with_second")),
                without_second=_pool(_key(fusion, "without_second")),
            ),
            calibration=Calibration(
                conditions=_numbers(calibration, "conditions"),
                temperatures=_numbers(calibration, "temperatures"),
                doubts=_numbers(calibration, "doubts"),
            ),
            twins=TwinModel(tuple(_number(_key(twins, pair), pair) for pair in PAIRS)),
            presence=PresenceModel(
                **{k: _number(_key(presence, k), k) for k in ("bias", "own", "others")}
            ),
            fitted_on=str(_key(values, "fitted_on")),
            sha256=hashlib.sha256(data).hexdigest(),
        )
    except (TypeError, ValueError) as error:
        raise ModelError(f"{path}: {error}") from error


def save_reading_model(model: ReadingModel, path: Path) -> ReadingModel:
    """Write the fitted numbers, all or nothing, and return the model with the file's digest.

    Raises
    ------
    OutputError
        If the file cannot be written; an older one is left as it was.
    """
    values = {
        "format": FORMAT,
        "fitted_on": model.fitted_on,
        "fusion": asdict(model.fusion),
        "calibration": asdict(model.calibration),
        "twins": dict(zip(PAIRS, model.twins.exponents, strict=True)),
        "presence": asdict(model.presence),
    }
    data = (json.dumps(values, indent=2, sort_keys=True, allow_nan=False) + "\n").encode()
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
    return replace(model, sha256=hashlib.sha256(data).hexdigest())


def _key(values: Any, key: str) -> Any:
    if not isinstance(values, Mapping):
        raise ValueError(f"found {type(values).__name__} where an object with {key!r} belongs")
    if key not in values:
        raise ValueError(f"key {key!r} is missing; found {', '.join(map(repr, values)) or 'none'}")
    return values[key]


def _number(value: Any, key: str) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise ValueError(f"{key} is {value!r}; expected a number")
    number = float(value)
    if not abs(number) < 1e6:
        raise ValueError(f"{key} is {value!r}; expected a number between -1e6 and 1e6")
    return number


def _numbers(values: Any, key: str) -> tuple[float, ...]:
    found = _key(values, key)
    if not isinstance(found, list):
        raise ValueError(f"{key} is {found!r}; expected a list of numbers")
    return tuple(_number(value, key) for value in found)


def _pool(values: Any) -> PoolWeights:
    pool = PoolWeights(
        network=_number(_key(values, "network"), "network"),
        needle=_number(_key(values, "needle"), "needle"),
        second=_number(_key(values, "second"), "second"),
        no_character=_number(_key(values, "no_character"), "no_character"),
    )
    if min(pool.network, pool.needle, pool.second) < 0:
        raise ValueError(f"weights {pool} hold a negative one; expected none below 0")
    return pool
