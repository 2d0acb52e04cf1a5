"""Arguments and options that several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import click

from legibility.settings import Settings, load_settings

ANY_PATH: Final = click.Path(path_type=Path)

photos_argument = click.argument(
    "photos", nargs=-1, required=True, type=ANY_PATH, metavar="PHOTO..."
)
"""Photos and folders; what they hold is checked by the library, so that one bad one is reported
and the others go on."""

optional_photos_argument = click.argument(
    "photos", nargs=-1, required=False, type=ANY_PATH, metavar="PHOTO..."
)
"""Likewise, where photos may also be named by a list."""

registry_option = click.option(
    "--registry",
    type=ANY_PATH,
    metavar="FILE.csv",
    help="Registered animals: CSV or XLSX; see legibility registry FILE.",
)


def _columns(_ctx: click.Context, _option: click.Parameter, value: str | None) -> Any:
    from legibility.tables.choice import parse_choice

    return parse_choice(value) if value else {}


columns_option = click.option(
    "--columns",
    metavar="ROLE=HEADING,...",
    callback=_columns,
    help='Which column of the registry holds what, e.g. animal_id=Tag,left_mark="Left tattoo".',
)

rules_option = click.option(
    "--rules",
    type=ANY_PATH,
    metavar="FILE.toml",
    help="What marks of this herd look like.",
)

settings_option = click.option(
    "--settings",
    "settings_file",
    type=ANY_PATH,
    metavar="FILE.toml",
    help="Other values for the tool's adjustable numbers.",
)

calibration_option = click.option(
    "--calibration",
    type=ANY_PATH,
    metavar="FILE.json",
    help="Calibration that legibility calibrate wrote (default: the shipped one).",
)

dies_option = click.option(
    "--dies",
    type=ANY_PATH,
    metavar="DIES.toml",
    help="The herd's own dies, from legibility proof --learn.",
)

json_option = click.option(
    "--json",
    "json_target",
    metavar="FILE|-",
    help="Write one JSON object a line to a file, or to the output with -.",
)

csv_option = click.option(
    "--csv",
    "csv_target",
    type=ANY_PATH,
    metavar="FILE.csv",
    help="Also write a table for a spreadsheet.",
)

html_option = click.option(
    "--html",
    "html_target",
    type=ANY_PATH,
    metavar="FILE.html",
    help="Also write a page with pictures; it opens offline.",
)

scheduler_option = click.option(
    "--scheduler",
    default="",
    metavar="tcp://...",
    help="Work on the workers of this Dask scheduler (extra: scale).",
)

second_reader_option = click.option(
    "--second-reader/--no-second-reader",
    default=True,
    help="Ask the program tesseract for a second opinion (default: when installed).",
)

jobs_option = click.option(
    "--jobs",
    type=click.IntRange(min=0, max=512),
    default=0,
    metavar="N",
    help="Processes to use; 0 (the default) means one a core.",
)

seed_option = click.option(
    "--seed",
    type=click.IntRange(min=0),
    default=1,
    show_default=True,
    metavar="S",
    help="Start of the random numbers; the same seed gives the same pictures.",
)

counts_option = click.option(
    "--counts",
    type=ANY_PATH,
    metavar="FILE",
    help="Own verified readings, blended with the kernel: a CSV file (true, read, count) or a "
    "herd's record.",
)


def settings_from(path: Path | None) -> Settings:
    """Settings of a file, or the defaults without one.

    Raises
    ------
    SettingsError
        If the file cannot be used.
    """
    return Settings() if path is None else load_settings(path)
