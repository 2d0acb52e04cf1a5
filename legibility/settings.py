"""Every adjustable number of the tool, with its origin; read from TOML when a user wants others."""

from __future__ import annotations

import hashlib
import json
import tomllib
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Final

from legibility.errors import SettingsError

LONGEST_PREFIX: Final = 11
"""Arithmetic: a row has at most 12 characters, one of them the animal's own."""


@dataclass(frozen=True, slots=True)
class Settings:
    """Defaults; each line says where the value is from."""

    max_megapixels: float = 80.0
    """Choice: phones make up to 50; above this a picture is refused before it is decoded."""
    max_file_mib: float = 200.0
    """Choice: largest file read."""
    working_side_px: int = 1600
    """Choice: longest side of the picture that is worked on; a mark of 4 characters on 8 % of its
    width then has needles about 5 px apart. Larger costs time in proportion."""
    candidate_coverage: float = 0.95
    """Contract: probability that the candidate set holds the true animal."""
    identified_probability: float = 0.95
    """Choice: the first candidate must reach this to be called identified."""
    not_registered_prior: float = 0.10
    """Choice: share of photographed animals that are not in the registry."""
    p_swap: float = 0.002
    """Choice, no source: two neighbouring dies loaded in the wrong order, per neighbouring pair."""
    p_wrong_die: float = 0.002
    """Choice, no source: a wrong die loaded, per character."""
    p_turned_die: float = 0.001
    """Choice, no source: a die upside down that still makes a character (6/9), per character."""
    herd_prefix: str = ""
    """What the marks of the herd begin with and the list, or the ear, leaves out; empty: none."""
    p_prefix_differs: float = 0.5
    """Choice, no source: with ``herd_prefix``, how often the list has it and the ear not, or the
    other way round."""
    p_wrong_ear: float = 0.002
    """Choice, no source: the mark is in the other ear than recorded, or the ears were mixed up."""
    p_not_present: float = 0.02
    """Choice, no source: a registered animal that is not on the list of those present."""
    p_record_wrong: float = 0.01
    """Choice, no source: what is said of the animal (alive, sex, year of birth) differs from the
    record although it is this animal; for each of them."""
    p_not_recorded: float = 0.5
    """Choice: weight of an animal whose sex or year of birth, where asked for, is not recorded;
    one that fits has 1."""
    named_right_probability: float = 0.8
    """Choice: a person's character is right; the same 8 of 10 with which the reliability of a
    reader begins in ``legibility blind score``. Holds until the reader was measured."""
    p_reading_mistaken: float = 0.01
    """Choice, no source: a person's reading is of another animal, or was written down wrongly."""
    by_eye_exponent: float = 0.5
    """Choice, no source: share with which a person's reading beside a photo of the same ear, or
    beside another person's, is a look of its own: they look at the same faults. One that agrees
    multiplies high odds by about 1 / (1 - share)."""
    p_not_one_animal: float = 0.01
    """Choice, no source: what was seen in one visit is of two animals (the next one came into the
    chute, or a photo was put with the wrong ones)."""
    p_mixed_near_twin: float = 0.5
    """Choice, no source: the second animal is one whose mark differs in one character: marks that
    look alike are what lets a person take two animals for one."""
    p_transponder_mistaken: float = 0.005
    """Choice, no source: the transponder read is a neighbour's, or is recorded for the wrong
    animal."""
    readable_probability: float = 0.45
    """Measured on 1,000 photos of ``legibility evaluate`` (seed 4545): a cell whose best character
    is less likely than this, doubt of the way round included, is written "?"; 208 of 277 marks
    were exact, 203 with 0.5 and no more with less."""
    dies_file: str = ""
    """The herd's dies as ``legibility proof --learn`` wrote them; empty: not known."""
    calibration_file: str = ""
    """File of ``legibility calibrate`` to use for the final probability; empty: the shipped one."""
    candidates_listed: int = 10
    """Choice: most candidates printed."""
    second_reader: bool = True
    """Ask Tesseract too when it is installed."""
    second_reader_timeout_s: float = 20.0
    """Choice: give the second reader up after this."""

    minutes_as_found: float = 0.5
    """Choice, no source: minutes of handling for a photo of the ear as it is found."""
    minutes_cleaned: float = 2.0
    """Choice, no source: minutes to clean and dry the ear and photograph it."""
    minutes_clipped: float = 3.0
    """Choice, no source: minutes to clip the hair over the mark and photograph it."""
    minutes_lit_from_behind: float = 1.5
    """Choice, no source: minutes to hold a torch behind the ear and photograph it."""
    minutes_other_angle: float = 1.0
    """Choice, no source: minutes for a photo from another angle in other light."""
    handling_budget_min: float = 10.0
    """Choice, no source: minutes of handling for the sake of photos; the attending veterinarian
    sets it, and past it the advice is to stop."""
    step_least_probability: float = 0.05
    """Choice: a step less likely than this to settle the identity is not worth handling."""

    @property
    def sha256(self) -> str:
        """Digest of all values, so that a result can name the settings it was made with."""
        return hashlib.sha256(json.dumps(asdict(self), sort_keys=True).encode()).hexdigest()


def load_settings(path: Path) -> Settings:
    """Settings from a TOML file; keys are the fields of :class:`Settings`.

    Raises
    ------
    SettingsError
        If the file cannot be read or parsed, or a key is unknown, of a wrong type or out of range.
    """
    try:
        values = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise SettingsError(f"{path}: cannot be read as settings: {error}") from error
    known = {field.name: field for field in fields(Settings)}
    for key, value in values.items():
        if key not in known:
            raise SettingsError(f"{path}: unknown setting {key!r}; known: {', '.join(known)}")
        default = getattr(Settings(), key)
        kinds = (int, float) if isinstance(default, float) else (type(default),)
        if not isinstance(value, kinds) or (
            isinstance(value, bool) and not isinstance(default, bool)
        ):
            raise SettingsError(
                f"{path}: {key} is {value!r}; expected {type(default).__name__}, e.g. {default}"
            )
        if isinstance(default, float) and not isinstance(default, bool):
            _check_range(path, key, float(value))
    prefix = str(values.get("herd_prefix", ""))
    if prefix and not (prefix.isascii() and prefix.isalnum() and len(prefix) <= LONGEST_PREFIX):
        raise SettingsError(
            f"{path}: herd_prefix is {prefix[:40]!r}; expected 1 to {LONGEST_PREFIX} of A-Z and 0-9"
        )
    return Settings(**values)


def _check_range(path: Path, key: str, value: float) -> None:
    is_share = key.startswith("p_") or key.endswith(("_coverage", "_probability", "_prior"))
    if value < 0 or (is_share and value >= 1):
        wanted = "0 <= value < 1" if is_share else "a value >= 0"
        raise SettingsError(f"{path}: {key} is {value}; expected {wanted}")
