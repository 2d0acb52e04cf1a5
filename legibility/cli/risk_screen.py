"""What ``legibility risk`` shows and writes besides JSON."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import click

from legibility.batch.herd_risk import RegistryReport
from legibility.report.risk import ANIMALS_SHOWN, risk_csv, risk_table
from legibility.report.risk_page import ANIMALS_LISTED, PAIRS_DRAWN, write_risk_page
from legibility.report.writing import write_text


@dataclass(frozen=True, slots=True)
class RiskScreen:
    """Renders one report."""

    report: RegistryReport

    def show(
        self, json_target: str | None, csv_target: Path | None, html_target: Path | None
    ) -> None:
        """Table on the terminal (not where JSON goes), and the files asked for."""
        report = self.report
        if csv_target is not None:
            write_text(csv_target, "".join(risk_csv(report.animals())))
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
