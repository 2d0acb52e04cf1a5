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
@click.option(
    "--identity",
    "part",
    flag_value="identity",
    help="Instead: coverage, calibration and false identifications in simulated herds.",
)
@click.option(
    "--ablations",
    "part",
    flag_value="ablations",
    help="Instead: the same photos with one reader or enhancement step left out.",
)
@click.option(
    "--speed",
    "part",
    flag_value="speed",
    help="Instead: seconds on one core, beside a page pass of tesseract.",
)
@click.option(
    "--forms",
    "part",
    flag_value="forms",
    help="Instead: rules learned from marks of the published rules, beside those rules.",
)
@click.option(
    "--alone",
    is_flag=True,
    help="Without the general text recognition programs, which take most of the time.",
)
@click.option(
    "--readings",
    type=options.ANY_PATH,
    metavar="FILE.npz",
    help="With --identity: readings to take, or to write when there is no such file.",
)
@options.calibration_option
def evaluate(
    count: int,
    seed: int,
    jobs: int,
    folder: Path,
    part: str | None,
    alone: bool,
    readings: Path | None,
    calibration: Path | None,
) -> None:
    """Measure how well marks are read, on scenes never trained on.

    With --identity, how well animals are identified: photos of the shipped
    simulator in simulated herds of 20 to 100,000 animals, a tenth of them not
    registered.
    """
    from legibility.cli.identity import measure_identity
    from legibility.evaluate.parts import measured
    from legibility.evaluate.report import write_report

    if part == "forms":
        from legibility.evaluate.learned_forms import measure, table_lines

        click.echo("\n".join(table_lines(list(measure(seed=seed)))))
        return
    if part == "identity":
        measure_identity(count, seed, jobs, folder, readings, calibration)
        return
    with click.progressbar(length=count, label="Evaluating", show_pos=True) as bar:
        report = measured(part, n=count, seed=seed, jobs=jobs, alone=alone, progress=bar.update)
    for path in write_report(report, folder):
        click.echo(path)
