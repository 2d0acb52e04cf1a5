"""``legibility assign``."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import click

from legibility.batch.new_marks import BOUND, new_marks
from legibility.cli import options
from legibility.cli.output import json_output
from legibility.report.assign import assign_csv, assign_page, assign_record, assign_table
from legibility.report.writing import write_text
from legibility.risk.needle_count import CAPACITY


@click.command()
@click.argument("registry", type=options.ANY_PATH, metavar="REGISTRY.csv")
@options.columns_option
@click.option("--count", type=click.IntRange(1, 100_000), required=True, help="Marks wanted.")
@click.option(
    "--rules",
    type=options.ANY_PATH,
    metavar="FILE.toml",
    help="What marks of this herd look like (default: learned from the registry).",
)
@click.option(
    "--bound",
    type=click.FloatRange(0.0, 1.0, min_open=True, max_open=True),
    metavar="P",
    help=f"No pair is read as one another with this probability or more (default: {BOUND:g}; "
    "without --rules the least one above it that the herd's forms have room for).",
)
@click.option(
    "--condition",
    default="",
    metavar="C",
    help="Future condition: new, mild, worn, faint, lost, or a grade (default: worn).",
)
@click.option(
    "--seed",
    type=click.IntRange(min=0),
    default=1,
    show_default=True,
    metavar="S",
    help="The same seed proposes the same marks.",
)
@click.option(
    "--needles-max",
    type=click.IntRange(min=1),
    default=CAPACITY,
    show_default=True,
    metavar="N",
    help="Needles that the pliers hold; marks with more are flagged.",
)
@options.dies_option
@click.option(
    "--reuse-window",
    type=click.IntRange(min=0),
    default=0,
    metavar="YEARS",
    help="Marks of animals that left count this long from their birth (default: always).",
)
@options.counts_option
@options.settings_option
@options.json_option
@options.csv_option
@options.html_option
def assign(
    registry: Path,
    columns: Mapping[str, str],
    count: int,
    rules: Path | None,
    bound: float | None,
    condition: str,
    seed: int,
    needles_max: int,
    dies: Path | None,
    reuse_window: int,
    counts: Path | None,
    settings_file: Path | None,
    json_target: str | None,
    csv_target: Path | None,
    html_target: Path | None,
) -> None:
    """Propose new marks that cannot be confused, and say how many there are.

    Every pair, with registered marks and among the new ones, is read as one
    another with a probability below --bound, even in the future --condition.
    Without --rules new marks keep to the forms that the registered ones show and
    go on with the herd's numbers, with this year's letter where marks have one.
    """
    found = new_marks(
        registry,
        columns=columns,
        rules=rules,
        count=count,
        bound=bound,
        condition=condition,
        seed=seed,
        needles_max=needles_max,
        dies=dies,
        reuse_window=reuse_window,
        counts=counts,
        settings=options.settings_from(settings_file),
    )
    marks = list(found.records())
    with json_output(json_target) as (write, _):
        for mark in marks:
            write(assign_record(mark))
    if csv_target is not None:
        write_text(csv_target, assign_csv(marks))
    summary = found.summary()
    if html_target is not None:
        write_text(html_target, assign_page(summary, marks))
    if json_target != "-":
        click.echo(assign_table(summary, marks), nl=False)
