"""``legibility check``."""

from __future__ import annotations

from pathlib import Path

import click

from legibility.batch import check_files
from legibility.cli import options
from legibility.cli.output import json_output
from legibility.errors import PhotoError
from legibility.photo.flags import describe
from legibility.report.record import check_record
from legibility.report.table import check_table


@click.command()
@options.photos_argument
@options.settings_option
@options.json_option
@click.pass_context
def check(
    ctx: click.Context,
    photos: tuple[Path, ...],
    settings_file: Path | None,
    json_target: str | None,
) -> None:
    """Say whether photos are good enough to read, and what would help."""
    failed = False
    with json_output(json_target) as (write, _):
        for item in check_files(photos, settings=options.settings_from(settings_file)):
            write(check_record(item.photo, item.sha256, item.check, error=item.error))
            if item.error:
                failed = True
                click.echo(f"Error: {item.error}", err=True)
            elif json_target is None:
                flags = describe(item.check.flags)
                click.echo(check_table(item.photo, item.check, flags), nl=False)
    ctx.exit(PhotoError.exit_code if failed else 0)
