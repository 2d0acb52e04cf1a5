"""``legibility evaluate``."""

from __future__ import annotations

from pathlib import Path

import click

from legibility.cli import options


@click.command()
@click.option(
    "--count",
    type=click.IntRange(1, 1_000_000),
    default=200,
    show_default=True,
    metavar="N",
    help="How many photos of the evaluation scenes.",
)
@options.seed_option
@click.option(
    "--jobs",
    type=click.IntRange(1, 256),
    default=1,
    show_default=True,
    metavar="N",
    help="How many processes share the photos.",
)
@click.option(
    "--out",
    "folder",
    type=options.ANY_PATH,
    default=Path("evaluation"),
    show_default=True,
    metavar="DIR",
    help="Folder for the figures as JSON and as tables.",
)
def evaluate(count: int, seed: int, jobs: int, folder: Path) -> None:
    """Measure how well marks are read, on scenes never trained on."""
    from legibility.evaluate.baselines import BASELINES
    from legibility.evaluate.run import run_evaluation, write_report

    with click.progressbar(length=count, label="Evaluating", show_pos=True) as bar:
        report = run_evaluation(
            n=count, seed=seed, jobs=jobs, baselines=tuple(BASELINES), progress=bar.update
        )
    for path in write_report(report, folder):
        click.echo(path)
