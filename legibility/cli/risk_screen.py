"""What ``legibility risk`` shows and writes."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import click

from legibility.batch.risk_report import RegistryReport
from legibility.batch.risk_texts import risk_columns, risk_csv_texts, risk_json_texts
from legibility.cli.output import write_json_lines
from legibility.report.risk import ANIMALS_SHOWN, risk_table
from legibility.report.risk_page import ANIMALS_LISTED, PAIRS_DRAWN, write_risk_page
from legibility.report.risk_parquet import write_risk_parquet
from legibility.report.writing import write_texts


@dataclass(frozen=True, slots=True)
class RiskScreen:
    """Renders one report."""

    report: RegistryReport
    jobs: int = 1
    """Processes that list the animals; 0 for one a core."""

    def show(
        self,
        json_target: str | None,
        csv_target: Path | None,
        html_target: Path | None,
        parquet_target: Path | None,
    ) -> None:
        """The files asked for, and a table on the terminal (not where JSON goes)."""
        report = self.report
        if json_target is not None:
            write_json_lines(json_target, risk_json_texts(report, jobs=self.jobs))
        if csv_target is not None:
            write_texts(csv_target, risk_csv_texts(report, jobs=self.jobs))
        if parquet_target is not None:
            write_risk_parquet(parquet_target, risk_columns(report, jobs=self.jobs))
        if html_target is not None:
            grade, matrix, low, high = report.commonest()
            write_risk_page(
                html_target,
                herd=report.totals(pairs=PAIRS_DRAWN),
                worst=report.worst(ANIMALS_LISTED),
                matrix=matrix,
                interval=(low, high),
                grade=grade,
            )
        if json_target != "-":
            click.echo(risk_table(report.totals(), report.worst(ANIMALS_SHOWN)), nl=False)
