"""The reader that commands hand to workers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from legibility.containers import Given, PhotoResult
from legibility.identify.calibration_file import load_final_calibration
from legibility.marks.rules import of_marks
from legibility.read.learned_dies import load_dies
from legibility.settings import Settings, load_settings

if TYPE_CHECKING:
    from legibility.identify.registry import Registry
    from legibility.identify.rules import Rules


@dataclass(frozen=True, slots=True)
class FileReader:
    """Reads a photo with registry, rules and settings named by their files.

    It pickles to a few bytes: each worker process loads the files once. Workers on other machines
    must see photos, registry and rules under the same paths.
    """

    registry: Path | None = None
    rules: Path | None = None
    columns: tuple[tuple[str, str], ...] = ()
    """What a person said of the registry's columns."""
    settings: Settings = field(default_factory=Settings)
    steps_dir: Path | None = None
    """Where the pictures of each photo's steps are written; None for none."""
    given: Given = field(default_factory=Given)
    """What people say beside each photo."""

    def __call__(self, path: Path) -> PhotoResult:
        """Read one photo; raises what ``pipeline.read`` raises."""
        from legibility.pipeline import read, read_steps

        registry, rules = self.inputs()
        if self.steps_dir is None:
            return read(
                path, registry=registry, rules=rules, settings=self.settings, given=self.given
            )
        from legibility.enhance import picture_steps, step_pictures
        from legibility.photo.flags import describe
        from legibility.report.steps import write_steps

        result, steps = read_steps(
            path, registry=registry, rules=rules, settings=self.settings, given=self.given
        )
        write_steps(
            self.steps_dir,
            result,
            steps,
            pictures=step_pictures(steps.enhanced),
            made=picture_steps(steps.enhanced),
            flags=describe(result.flags),
        )
        return result

    def inputs(self) -> tuple[Registry | None, Rules | None]:
        """Registry and rules, loaded once a process.

        Raises
        ------
        RegistryError, SettingsError
            If a file cannot be used; call this before the first photo to learn it early.
        """
        return _load(self.registry, self.rules, self.columns)


def file_reader(
    *,
    registry: Path | None,
    rules: Path | None,
    settings: Path | None,
    second_reader: bool,
    columns: Mapping[str, str] | None = None,
    steps_dir: Path | None = None,
    calibration: Path | None = None,
    dies: Path | None = None,
) -> FileReader:
    """A reader whose files have all been loaded once, so that a bad one is reported at once.

    Parameters
    ----------
    columns : mapping, optional
        What a person said of the registry's columns.
    calibration : Path, optional
        File of ``legibility calibrate``, instead of the one the settings name.
    dies : Path, optional
        The herd's dies from ``legibility proof --learn``, instead of those the settings name.

    Raises
    ------
    RegistryError, SettingsError, ModelError
        If a file cannot be used.
    """
    values = Settings() if settings is None else load_settings(settings)
    if calibration is not None:
        values = replace(values, calibration_file=str(calibration))
    load_final_calibration(Path(values.calibration_file) if values.calibration_file else None)
    if dies is not None:
        values = replace(values, dies_file=str(dies))
    if values.dies_file:
        load_dies(Path(values.dies_file))
    if not second_reader:
        values = replace(values, second_reader=False)
    reader = FileReader(registry, rules, tuple((columns or {}).items()), values, steps_dir)
    reader.inputs()
    return reader


@lru_cache(maxsize=1)
def _load(
    registry: Path | None, rules: Path | None, columns: tuple[tuple[str, str], ...]
) -> tuple[Registry | None, Rules | None]:
    from legibility.identify.registry import load_registry
    from legibility.identify.rules import load_rules

    known_rules = None if rules is None else load_rules(rules)
    if registry is None:
        return None, of_marks(known_rules)
    found = load_registry(registry, rules=known_rules, columns=dict(columns))
    return found, of_marks(known_rules)
