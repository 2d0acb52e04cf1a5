"""``legibility simulate``."""

from __future__ import annotations

from pathlib import Path

import click

from legibility.cli import options


@click.command()
@click.argument("folder", type=options.ANY_PATH, metavar="OUT_DIR")
@click.option(
    "--count",
    type=click.IntRange(1, 1_000_000),
    default=10,
    show_default=True,
    metavar="N",
    help="How many photos.",
)
@options.seed_option
def simulate(folder: Path, count: int, seed: int) -> None:
    """Render photos of marked ears, with the truth of every needle."""
    from legibility.simulate import write_photos

    written = write_photos(folder, count=count, seed=seed)
    click.echo(f"{len(written)} photos and their truth in {folder}")
