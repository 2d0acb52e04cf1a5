"""``legibility flags``."""

from __future__ import annotations

import click

from legibility.cli.options import json_option
from legibility.cli.output import json_output
from legibility.photo.flags import FLAGS
from legibility.report.table import flags_table


@click.command()
@json_option
def flags(json_target: str | None) -> None:
    """List what can be wrong with a photo, and what helps."""
    with json_output(json_target) as (write, _):
        for flag in FLAGS:
            write(
                {
                    "name": flag.name,
                    "bit": flag.bit,
                    "sentence": flag.sentence,
                    "remedy": flag.remedy,
                    "prevents_reading": flag.prevents_reading,
                }
            )
    if json_target is None:
        click.echo(flags_table(FLAGS))
