"""``legibility read``."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

import click

from legibility.batch import file_reader, open_results
from legibility.cli import options
from legibility.cli.given import given_options
from legibility.cli.output import json_output
from legibility.cli.screen import ReadScreen
from legibility.cli.sessions import one_photo, session_options
from legibility.containers import Given
from legibility.report.record import result_record


@click.command()
@options.optional_photos_argument
@options.registry_option
@options.columns_option
@options.rules_option
@options.settings_option
@options.calibration_option
@options.dies_option
@options.json_option
@click.option(
    "--csv",
    "csv_target",
    type=options.ANY_PATH,
    metavar="FILE.csv",
    help="Also write one line a photo for a spreadsheet.",
)
@click.option(
    "--save-steps",
    "steps_dir",
    type=options.ANY_PATH,
    metavar="DIR",
    help="Also write the pictures of each step and a page that shows them.",
)
@click.option(
    "--worklist", is_flag=True, help="Say at the end which animals should be re-identified first."
)
@click.option(
    "--details/--brief",
    default=None,
    help="Everything about each photo, or a line a photo (default: by their number).",
)
@options.jobs_option
@click.option("--resume", is_flag=True, help="Skip photos that the --json file already holds.")
@click.option(
    "--scheduler",
    default="",
    metavar="tcp://...",
    help="Read on the workers of this Dask scheduler (extra: scale).",
)
@options.second_reader_option
@given_options
@session_options
@click.pass_context
def read(
    ctx: click.Context,
    photos: tuple[Path, ...],
    registry: Path | None,
    columns: Mapping[str, str],
    rules: Path | None,
    settings_file: Path | None,
    calibration: Path | None,
    dies: Path | None,
    json_target: str | None,
    csv_target: Path | None,
    steps_dir: Path | None,
    worklist: bool,
    details: bool | None,
    jobs: int,
    resume: bool,
    scheduler: str,
    second_reader: bool,
    given: Callable[..., Given],
    ear: str,
) -> None:
    """Read the marks in photos, or in folders of photos.

    Says the mark, how certain each character is, the condition of the mark, which registered
    animals it may be, and what to do next. With --same-animal or --manifest
    it combines several photos of one animal and says when to stop handling.
    """
    reader = file_reader(
        registry=registry,
        columns=columns,
        rules=rules,
        settings=settings_file,
        second_reader=second_reader,
        steps_dir=steps_dir,
        calibration=calibration,
        dies=dies,
    )
    said = given(reader.settings, ear=ear, registry=reader.inputs()[0])
    reader = replace(reader, given=one_photo(said, photos))
    screen = ReadScreen(reader, json_target, csv_target, worklist=worklist, details=details)
    with (
        json_output(json_target, resume=resume) as (write, held),
        open_results(photos, reader=reader, jobs=jobs, scheduler=scheduler, skip=held) as results,
        screen.progress(results) as stream,
    ):
        for result in stream:
            write(result_record(result))
            screen.show(result)
    ctx.exit(screen.finish())
