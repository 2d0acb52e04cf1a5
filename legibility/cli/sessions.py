"""``legibility read`` for several photos of one animal: options, and what is shown."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from legibility.batch import file_reader
from legibility.cli import options
from legibility.cli.output import json_output
from legibility.containers import Given, SessionResult, Stage, Status
from legibility.errors import PhotoError
from legibility.identify.stages import DEFER, stage_name, stage_of

if TYPE_CHECKING:
    from legibility.batch.file_reader import FileReader
    from legibility.pipeline.session import Shot

FEW_SESSIONS: Final = 3
"""Choice: so many animals are shown with all details."""
_NOT_TOGETHER: Final = {
    "csv_target": "--csv",
    "steps_dir": "--save-steps",
    "worklist": "--worklist",
    "resume": "--resume",
    "scheduler": "--scheduler",
}
"""Options of ``read`` that are for photos one by one."""


def _stages(
    ctx: click.Context, parameter: click.Parameter, words: tuple[str, ...]
) -> tuple[Stage, ...]:
    known = [stage_of(word) for word in words]
    for word, stage in zip(words, known, strict=True):
        if stage is None:
            names = ", ".join(stage_name(one).replace(" ", "-") for one in Stage)
            raise click.BadParameter(f"{word!r} is not one of {names}", ctx, parameter)
    return tuple(stage for stage in known if stage is not None)


@dataclass(frozen=True, slots=True)
class SessionOptions:
    """What was asked about several photos of one animal."""

    same_animal: bool
    manifest: Path | None
    stages: tuple[Stage, ...]
    ears: tuple[str, ...]
    minutes_spent: float | None
    budget: float | None
    step_records: Path | None
    save_step_records: Path | None
    one_animal: bool

    @property
    def asked(self) -> bool:
        """Whether photos are to be combined."""
        return self.same_animal or self.manifest is not None


def session_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Adds the options; with ``--same-animal`` or ``--manifest`` sessions are shown instead."""

    @functools.wraps(command)
    def either(**given: Any) -> Any:
        names = SessionOptions.__dataclass_fields__
        asked = SessionOptions(**{name: given.pop(name) for name in names})
        _check(asked, given)
        if not asked.asked:
            return command(**given, ear="".join(asked.ears))
        return click.get_current_context().exit(show_sessions(asked, given))

    for add in reversed(_OPTIONS):
        either = add(either)
    return either


_OPTIONS: Final = (
    click.option(
        "--same-animal", is_flag=True, help="All photos show one animal: combine what they say."
    ),
    click.option(
        "--manifest",
        type=options.ANY_PATH,
        metavar="FILE.csv",
        help="Photos by animal: columns photo, animal or session, ear, stage.",
    ),
    click.option(
        "--stage",
        "stages",
        multiple=True,
        callback=_stages,
        metavar="STAGE",
        help="What was done before the photo: as-found, cleaned, clipped, lit-from-behind, "
        "other-angle. Once for all photos, or once a photo.",
    ),
    click.option(
        "--ear",
        "ears",
        multiple=True,
        type=click.Choice(["left", "right"]),
        help="Which ear. Once for all photos; with --same-animal also once a photo.",
    ),
    click.option(
        "--minutes-spent",
        type=click.FloatRange(min=0),
        metavar="M",
        help="Minutes of handling so far (default: what the stages take by the settings).",
    ),
    click.option(
        "--budget",
        type=click.FloatRange(min=0),
        metavar="M",
        help="Minutes of handling for photos; past them the advice is to stop.",
    ),
    click.option(
        "--step-records",
        type=options.ANY_PATH,
        metavar="FILE.csv",
        help="What steps did in this herd: columns step, before, after, hair.",
    ),
    click.option(
        "--save-step-records",
        type=options.ANY_PATH,
        metavar="FILE.csv",
        help="Write what the steps of these photos did; more lines are added to a file.",
    ),
    click.option(
        "--one-animal",
        is_flag=True,
        help="You looked again: these photos are of one animal, though they disagree.",
    ),
)


def show_sessions(asked: SessionOptions, given: Mapping[str, Any]) -> int:
    """Read, combine and show; gives the exit code."""
    from legibility.batch.sessions import read_sessions
    from legibility.report.session import session_record

    reader = _reader(asked, given)
    sessions = _sessions(asked, given["photos"])
    model = _model(asked)
    minutes = math.nan if asked.minutes_spent is None else asked.minutes_spent
    target, details = given["json_target"], given["details"]
    if details is None:
        details = len(sessions) <= FEW_SESSIONS
    shown: list[SessionResult] = []
    with json_output(target) as (write, _):
        results = read_sessions(
            sessions,
            reader=reader,
            model=model,
            jobs=given["jobs"],
            minutes=minutes,
            one_for_sure=asked.one_animal,
        )
        for number, result in enumerate(results):
            write(session_record(result))
            _show(result, target, details=details, first=number == 0)
            shown.append(result)
    if asked.save_step_records is not None:
        _save_records(asked.save_step_records, shown)
    if target != "-":
        from legibility.report.table import caution_lines

        click.echo("\n" + caution_lines(), nl=False)
    failed = any(photo.result.status is Status.ERROR for r in shown for photo in r.photos)
    return PhotoError.exit_code if failed else 0


def _check(asked: SessionOptions, given: Mapping[str, Any]) -> None:
    if asked.manifest is not None and (given["photos"] or asked.same_animal):
        raise click.UsageError("--manifest names the photos itself; give no others beside it")
    if asked.manifest is None and not given["photos"]:
        raise click.UsageError("Missing argument 'PHOTO...'.")
    if asked.manifest is not None and (asked.stages or asked.ears):
        raise click.UsageError("--stage and --ear are columns of the manifest")
    if asked.asked:
        for name, option in _NOT_TOGETHER.items():
            if given.get(name):
                raise click.UsageError(f"{option} is for photos one by one, not for sessions")
        return
    if len(asked.ears) > 1:
        raise click.UsageError("--ear more than once needs --same-animal")
    for name in (
        "stages", "minutes_spent", "budget", "step_records", "save_step_records", "one_animal",
    ):  # fmt: skip
        if getattr(asked, name) not in (None, (), False):
            option = {"stages": "stage"}.get(name, name.replace("_", "-"))
            raise click.UsageError(f"--{option} needs --same-animal or --manifest")


def one_photo(said: Given, photos: tuple[Path, ...]) -> Given:
    """What was said, if a reading by eye has the one photo that it is of.

    Raises
    ------
    click.UsageError
        If there are several.
    """
    if said.readings and (len(photos) != 1 or photos[0].is_dir()):
        raise click.UsageError("--reading is of one ear; give one photo, or --same-animal")
    return said


def _reader(asked: SessionOptions, given: Mapping[str, Any]) -> FileReader:
    reader = file_reader(
        registry=given["registry"],
        columns=given["columns"],
        rules=given["rules"],
        settings=given["settings_file"],
        second_reader=given["second_reader"],
        calibration=given["calibration"],
        dies=given["dies"],
    )
    registry, _ = reader.inputs()
    said = given["given"](reader.settings, ear="", registry=registry)
    if said.readings and asked.manifest is not None:
        raise click.UsageError("--reading is of one animal; read it with --same-animal")
    reader = replace(reader, given=said)
    for notice in registry.notices if registry is not None else ():
        click.echo(f"Note: {notice}", err=True)
    if asked.budget is None:
        return reader
    return replace(reader, settings=replace(reader.settings, handling_budget_min=asked.budget))


def _sessions(
    asked: SessionOptions, photos: tuple[Path, ...]
) -> list[tuple[str, tuple[Shot, ...]]]:
    from legibility.pipeline.session_manifest import read_session_list, shots_of

    if asked.manifest is None:
        try:
            return [("One animal", tuple(shots_of(photos, asked.ears, asked.stages)))]
        except ValueError as error:
            raise click.UsageError(str(error)) from error
    listed = read_session_list(asked.manifest)
    for notice in listed.notices:
        click.echo(f"Note: {notice}", err=True)
    return list(listed.sessions)


def _model(asked: SessionOptions) -> Any:
    from legibility.identify.step_effects import load_step_model, with_own_records
    from legibility.pipeline.session_manifest import read_step_records

    model = load_step_model()
    if asked.step_records is None:
        return model
    effects, notices = with_own_records(model.effects, read_step_records(asked.step_records))
    for notice in notices:
        click.echo(f"Note: {notice}", err=True)
    return replace(model, effects=effects)


def _show(result: SessionResult, target: str | None, *, details: bool, first: bool) -> None:
    from legibility.report.session import session_heading, session_line, session_table

    for photo in result.photos:
        if photo.result.status is Status.ERROR:
            click.echo(f"Error: {' '.join(photo.result.reasons)}", err=True)
    if target is not None:
        return
    if details:
        click.echo(("" if first else "\n") + session_table(result, caution=DEFER), nl=False)
        return
    if first:
        click.echo(session_heading())
    click.echo(session_line(result))


def _save_records(path: Path, results: list[SessionResult]) -> None:
    from legibility.pipeline.session_manifest import (
        read_step_records,
        step_outcomes,
        step_records_csv,
    )
    from legibility.report.writing import write_text

    held = list(read_step_records(path)) if path.exists() else []
    new = [outcome for result in results for outcome in step_outcomes(result)]
    write_text(path, step_records_csv([*held, *new]))
