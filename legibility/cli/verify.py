"""``legibility verify``."""

from __future__ import annotations

from pathlib import Path

import click

from legibility.cli import options
from legibility.cli.herd_options import herd_argument
from legibility.cli.output import json_output
from legibility.errors import StoreError


@click.command()
@herd_argument
@click.option(
    "--anchor",
    "anchor_file",
    type=options.ANY_PATH,
    metavar="FILE",
    help="A head noted earlier and kept elsewhere: compare with it.",
)
@click.option("--print-head", is_flag=True, help="Only print the head, to be noted elsewhere.")
@click.option(
    "--export-head",
    type=options.ANY_PATH,
    metavar="FILE.json",
    help="Write the head into a file, to be kept elsewhere.",
)
@options.json_option
@click.pass_context
def verify(
    ctx: click.Context,
    herd_file: Path,
    anchor_file: Path | None,
    print_head: bool,
    export_head: Path | None,
    json_target: str | None,
) -> None:
    """Recompute the record's chain of entries and the digests of its photos.

    Names the first entry that was changed, dropped, moved or doubled, and every
    photo that is not what it was at intake; then ends with exit code 10.
    """
    from legibility.cli.custody_screen import head_only, verified

    if print_head:
        click.echo(head_only(herd_file).line)
        return
    record = verified(herd_file, anchor_file=anchor_file, export_head=export_head)
    from legibility.report.custody_text import verification_text

    with json_output(json_target) as (write, _):
        write(record)
    if json_target != "-":
        click.echo(verification_text(record), nl=False)
    ctx.exit(0 if record["sound"] else StoreError.exit_code)
