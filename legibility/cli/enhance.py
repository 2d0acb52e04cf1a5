"""``legibility enhance``."""

from __future__ import annotations

from pathlib import Path

import click

from legibility.batch import enhance_files
from legibility.cli import options
from legibility.cli.output import json_output
from legibility.errors import PhotoError


def _known_steps(
    ctx: click.Context, parameter: click.Parameter, names: tuple[str, ...]
) -> frozenset[str]:
    from legibility.enhance import STEPS

    for name in names:
        if name not in STEPS:
            raise click.BadParameter(f"{name!r} is no step; expected one of: {', '.join(STEPS)}")
    return frozenset(names)


@click.command()
@options.photos_argument
@click.option(
    "--out",
    "folder",
    type=options.ANY_PATH,
    required=True,
    metavar="DIR",
    help="Folder for the pictures; made when it does not exist.",
)
@click.option(
    "--without",
    multiple=True,
    callback=_known_steps,
    metavar="STEP",
    help="Leave a step out (may be repeated).",
)
@options.settings_option
@options.json_option
@click.pass_context
def enhance(
    ctx: click.Context,
    photos: tuple[Path, ...],
    folder: Path,
    without: frozenset[str],
    settings_file: Path | None,
    json_target: str | None,
) -> None:
    """Write photos with even light, separated ink, and what was hidden."""
    failed = False
    settings = options.settings_from(settings_file)
    with json_output(json_target) as (write, _):
        for item in enhance_files(photos, folder, settings=settings, without=without):
            failed |= bool(item.error)
            write({"photo": item.photo, "files": [*map(str, item.files)], "error": item.error})
            if item.error:
                click.echo(f"Error: {item.error}", err=True)
            elif json_target is None:
                click.echo(f"{item.photo}: {len(item.files)} pictures in {folder}")
    ctx.exit(PhotoError.exit_code if failed else 0)
