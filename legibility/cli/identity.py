"""What ``legibility evaluate --identity`` and ``legibility calibrate`` show."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from legibility.report.layout import columns


def measure_identity(
    count: int, seed: int, jobs: int, folder: Path, readings: Path | None, calibration: Path | None
) -> None:
    """Measure identities, print the first table and write all of them."""
    from legibility.evaluate.identity import evaluate_identity
    from legibility.evaluate.report import write_report
    from legibility.identify.calibration_file import load_final_calibration

    report = evaluate_identity(
        count=count,
        seed=seed,
        jobs=jobs,
        calibration=load_final_calibration(calibration),
        say=lambda line: click.echo(line, err=True),
        stored=readings,
    )
    heading = (
        "cases",
        "n",
        "covered",
        "limits",
        "mean",
        "median",
        "right",
        "stated",
        "ECE",
        "chance",
        "false",
    )
    rows = [_cells(row) for row in report.sections[0].rows]
    for line in columns(
        [heading, *rows], limits=(16, 6, 8, 6, 9, 6, 7, 7, 6, 6, 7), right=frozenset(range(1, 11))
    ):
        click.echo(line)
    click.echo(
        "covered: the set holds the truth; limits: is 95 % within chance; mean, median: size of\n"
        "the set; chance: ECE when every promise is kept; false: stated 0.99 or more, and wrong"
    )
    for path in write_report(report, folder):
        click.echo(path)


def _cells(row: Mapping[str, Any]) -> tuple[str, ...]:
    def percent(name: str) -> str:
        return f"{100 * row[name].value:.1f} %"

    return (
        row["cases"],
        str(row["covered"].total),
        percent("covered"),
        row["within limits"],
        f"{row['mean set']:,.1f}",
        f"{row['median set']:g}",
        percent("first right"),
        f"{100 * row['mean stated']:.1f} %",
        *("-" if row[n] != row[n] else f"{row[n]:.3f}" for n in ("ece", "ece by chance")),
        f"{100 * row['of all, so stated and wrong'].value:.2f} %",
    )
