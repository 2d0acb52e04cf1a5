"""What a program or a command asks of the package in one call."""

from __future__ import annotations

import hashlib
import math
import os
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Final, TypeAlias

from legibility.containers import (
    CaptureCheck,
    Enhanced,
    EyeReading,
    Given,
    Known,
    PhotoResult,
    SessionResult,
    Stage,
)
from legibility.errors import ModelError
from legibility.settings import Settings

if TYPE_CHECKING:
    from legibility.identify.registry import Registry
    from legibility.identify.rules import Rules

FINDINGS: Final = "findings.md"
"""Experiments, for those who change the program; no part of the card."""

AnyPath: TypeAlias = str | os.PathLike[str]


def read(
    path: AnyPath,
    *,
    registry: Registry | AnyPath | None = None,
    rules: Rules | AnyPath | None = None,
    settings: Settings | None = None,
    known: Known | None = None,
    readings: Sequence[EyeReading] = (),
    explain: str = "",
) -> PhotoResult:
    """Read the mark in one photo.

    Parameters
    ----------
    path : path
        A JPEG, PNG, TIFF, WebP, BMP or, with the extra ``heic``, HEIC file.
    registry : Registry or path, optional
        Registered animals; load it once with :func:`legibility.load_registry` for many photos.
    rules : Rules or path, optional
        What marks of this herd look like.
    settings : Settings, optional
        Other values for the adjustable numbers.
    known : Known, optional
        What is known of the animal beforehand: a prior over the registry.
    readings : sequence of EyeReading
        What people read of this ear; part of the candidates, and shown apart.
    explain : str
        Animal whose probability is explained in ``identification.explanation``, or
        "not-registered"; "" for none.

    Returns
    -------
    PhotoResult
        A poor photo is a result with flags and status "retake" or "unreadable", not an error.

    Raises
    ------
    PhotoError
        If the file cannot be used as a photo.
    RegistryError, SettingsError
        If a registry or rules file cannot be used, or something is known but no registry given.
    """
    from legibility.identify.registry import load_registry
    from legibility.identify.rules import load_rules
    from legibility.marks.rules import of_marks
    from legibility.pipeline import read as read_file
    from legibility.pipeline.given import checked_given

    if isinstance(rules, (str, os.PathLike)):
        rules = load_rules(Path(rules))
    if isinstance(registry, (str, os.PathLike)):
        registry = load_registry(Path(registry), rules=rules)
    rules = of_marks(rules)
    given = checked_given(Given(known or Known(), tuple(readings), explain), registry)
    return read_file(
        Path(path),
        registry=registry,
        rules=rules,
        settings=settings or Settings(),
        given=given,
    )


def read_together(
    paths: Sequence[AnyPath],
    *,
    stages: Sequence[Stage | str] = (),
    ears: Sequence[str] = (),
    registry: Registry | AnyPath | None = None,
    rules: Rules | AnyPath | None = None,
    settings: Settings | None = None,
    minutes_spent: float | None = None,
    known: Known | None = None,
    readings: Sequence[EyeReading] = (),
    explain: str = "",
    one_for_sure: bool = False,
) -> SessionResult:
    """Read several photos of one animal, and say together who it is and whether to stop.

    Parameters
    ----------
    paths : sequence of path
        In the order they were taken.
    stages : sequence of Stage or str
        What was done before each photo, e.g. "cleaned"; none, one for all, or one a photo.
    ears : sequence of str
        "left", "right" or "" likewise.
    registry, rules, settings, known, readings, explain
        As for :func:`legibility.read`.
    minutes_spent : float, optional
        Minutes of handling so far; by the settings when not given.
    one_for_sure : bool
        A person looked again and says that the photos are of one animal: no question is asked.

    Returns
    -------
    SessionResult
        ``after_each[-1].advice`` says whether to stop, and if not which one step to take.

    Raises
    ------
    PhotoError
        If a file cannot be used as a photo.
    RegistryError, SettingsError
        If a registry or rules file cannot be used.
    ValueError
        If there is no photo, or a number of stages or ears that does not fit, or an unknown one.
    """
    from legibility.identify.registry import load_registry
    from legibility.identify.rules import load_rules
    from legibility.identify.stages import stage_of
    from legibility.identify.step_effects import load_step_model
    from legibility.marks.rules import of_marks
    from legibility.pipeline.given import checked_given
    from legibility.pipeline.session import combine_session, read_shot
    from legibility.pipeline.session_manifest import shots_of

    if isinstance(rules, (str, os.PathLike)):
        rules = load_rules(Path(rules))
    if isinstance(registry, (str, os.PathLike)):
        registry = load_registry(Path(registry), rules=rules)
    rules = of_marks(rules)
    settings = settings or Settings()
    given = checked_given(Given(known or Known(), tuple(readings), explain), registry)
    meant = [stage_of(str(stage)) for stage in stages]
    for stage, found in zip(stages, meant, strict=True):
        if found is None:
            raise ValueError(f"stage {stage!r} is not known; expected one of {', '.join(Stage)}")
    if unknown := [ear for ear in ears if ear not in ("", "left", "right")]:
        raise ValueError(f"ear {unknown[0]!r} is not known; expected left, right or nothing")
    shots = shots_of([Path(path) for path in paths], ears, [s for s in meant if s is not None])
    read_shots = [
        read_shot(shot.path, registry=registry, rules=rules, settings=settings, known=given.known)
        for shot in shots
    ]
    return combine_session(
        "one animal",
        shots,
        read_shots,
        registry=registry,
        rules=rules,
        settings=settings,
        model=load_step_model(),
        minutes=math.nan if minutes_spent is None else minutes_spent,
        given=given,
        one_for_sure=one_for_sure,
    )


def check(path: AnyPath, *, settings: Settings | None = None) -> CaptureCheck:
    """Whether one photo is good enough to read, what is wrong with it, and whether it shows a mark.

    Raises
    ------
    PhotoError
        If the file cannot be used as a photo.
    """
    from legibility.photo.load import load_photo
    from legibility.pipeline.mark_seen import check_mark_seen

    return check_mark_seen(load_photo(path, settings=settings or Settings()))


def enhance(
    path: AnyPath, *, settings: Settings | None = None, without: frozenset[str] = frozenset()
) -> Enhanced:
    """One photo with even light, separated ink and masks of what was not seen.

    Parameters
    ----------
    without : frozenset of str
        Steps to leave out, see ``legibility.enhance.STEPS``.

    Raises
    ------
    PhotoError
        If the file cannot be used as a photo.
    """
    from legibility.enhance import enhance as enhance_photo
    from legibility.photo.load import load_photo

    settings = settings or Settings()
    return enhance_photo(load_photo(path, settings=settings), settings=settings, without=without)


@dataclass(frozen=True, slots=True)
class ModelFile:
    """One trained or fitted file that the package carries."""

    name: str
    size_bytes: int
    sha256: str


def model_files() -> tuple[ModelFile, ...]:
    """Every trained or fitted file of the package with its digest, by name.

    Raises
    ------
    ModelError
        If there is none.
    """
    folder = resources.files("legibility") / "models"
    found = sorted(
        (item for item in folder.iterdir() if item.name.endswith((".onnx", ".json"))),
        key=lambda item: item.name,
    )
    if not found:
        raise ModelError("the package holds no models; install it again")
    contents = [(item.name, item.read_bytes()) for item in found]
    return tuple(
        ModelFile(name, len(data), hashlib.sha256(data).hexdigest()) for name, data in contents
    )


def model_card() -> str:
    """How the models were made and how well they read, as Markdown.

    Raises
    ------
    ModelError
        If the card is missing.
    """
    folder = resources.files("legibility") / "models"
    found = {item.name for item in folder.iterdir() if item.name.endswith(".md")}
    cards = sorted(found - {FINDINGS})
    if not cards:
        raise ModelError("the package holds no model card; install it again")
    return "\n".join((folder / name).read_text("utf-8") for name in cards)
