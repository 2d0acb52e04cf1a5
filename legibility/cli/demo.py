"""``legibility demo``."""

from __future__ import annotations

from pathlib import Path

import click

from legibility.cli import options


@click.command()
@click.option(
    "--out",
    "folder",
    type=options.ANY_PATH,
    default=Path("legibility-demo"),
    show_default=True,
    metavar="DIR",
    help="Folder for the photos, the registry and the page.",
)
@options.seed_option
@options.jobs_option
def demo(folder: Path, seed: int, jobs: int) -> None:
    """Make photos of an invented herd, read them, and say whom to look at first."""
    from legibility.demo import make_demo
    from legibility.report.table import caution_lines
    from legibility.report.worklist import worklist_table

    made = make_demo(folder, seed=seed, jobs=jobs)
    click.echo(worklist_table(made.worklist))
    click.echo(made.summary + "\n")
    click.echo(f"Page with pictures: {made.page}\n")
    click.echo(caution_lines(), nl=False)
