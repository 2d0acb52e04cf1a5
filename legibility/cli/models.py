"""``legibility models``."""

from __future__ import annotations

import click

from legibility.cli.options import json_option
from legibility.cli.output import json_output


@click.command()
@click.option("--card", is_flag=True, help="Print the model card instead.")
@json_option
def models(card: bool, json_target: str | None) -> None:
    """List the trained files, or say how they were made and how well they read."""
    from legibility.api import model_card, model_files

    if card:
        click.echo(model_card())
        return
    with json_output(json_target) as (write, _):
        for item in model_files():
            write({"name": item.name, "bytes": item.size_bytes, "sha256": item.sha256})
            if json_target is None:
                click.echo(
                    f"{item.name:<28} {item.size_bytes:>12,} bytes  sha256 {item.sha256[:16]}"
                )
