"""``legibility risk``."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import click

from legibility.batch.herd_risk import registry_report
from legibility.cli import options
from legibility.cli.risk_screen import RiskScreen
from legibility.report.risk_parquet import check_parquet


@click.command()
@click.argument("registry", type=options.ANY_PATH, metavar="REGISTRY.csv")
@options.columns_option
@options.rules_option
@click.option(
    "--condition",
    default="",
    metavar="C",
    help="new, mild, worn, faint, lost, or a grade from 4 to 0 (default: worn).",
)
@click.option(
    "--age-model",
    type=options.ANY_PATH,
    metavar="FILE.toml",
    help="Grade by age (lists years and grades) for animals with a birth year.",
)
@click.option(
    "--year",
    type=click.IntRange(1900, 2200),
    metavar="YYYY",
    help="Year in which ages are taken (default: the present one).",
)
@options.counts_option
@click.option(
    "--least",
    type=click.FloatRange(0.0, 1.0, min_open=True, max_open=True),
    default=1e-4,
    show_default=True,
    metavar="P",
    help="Smallest probability of a pair that is looked for.",
)
@options.settings_option
@options.json_option
@options.csv_option
@click.option(
    "--parquet",
    "parquet_target",
    type=options.ANY_PATH,
    metavar="FILE",
    help="Every animal with its rivals as a Parquet file (needs pyarrow).",
)
@options.html_option
@options.jobs_option
@options.scheduler_option
def risk(
    registry: Path,
    columns: Mapping[str, str],
    rules: Path | None,
    condition: str,
    age_model: Path | None,
    year: int | None,
    counts: Path | None,
    least: float,
    settings_file: Path | None,
    json_target: str | None,
    csv_target: Path | None,
    parquet_target: Path | None,
    html_target: Path | None,
    jobs: int,
    scheduler: str,
) -> None:
    """Say which animals of a registry will be taken for which.

    For every animal: the probability that a reading of its mark, in the
    condition given, ends at another registered animal, with its nearest rivals
    and how it happens. Wrong, swapped and turned dies are counted in.
    """
    if parquet_target is not None:
        check_parquet()
    report = registry_report(
        registry,
        columns=columns,
        rules=rules,
        condition=condition,
        age_model=age_model,
        year=year or 0,
        counts=counts,
        settings=options.settings_from(settings_file),
        least=least,
        jobs=jobs,
        scheduler=scheduler,
    )
    RiskScreen(report, jobs).show(json_target, csv_target, html_target, parquet_target)
