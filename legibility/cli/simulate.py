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
@click.option(
    "--stages",
    is_flag=True,
    help="Instead: N ears, each as found, cleaned, clipped, lit from behind and turned, with a "
    "manifest and a registry.",
)
@options.seed_option
def simulate(folder: Path, count: int, stages: bool, seed: int) -> None:
    """Render photos of marked ears, with the truth of every needle."""
    if stages:
        from legibility.simulate.staged_folder import write_staged

        files = write_staged(folder, count=count, seed=seed)
        click.echo(f"{len(files.photos)} photos of {count} ears in {folder}")
        click.echo(f"legibility read --manifest {files.manifest} --registry {files.registry}")
        return
    from legibility.simulate import write_photos

    written = write_photos(folder, count=count, seed=seed)
    click.echo(f"{len(written)} photos and their truth in {folder}")
