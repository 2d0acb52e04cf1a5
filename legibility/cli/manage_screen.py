"""What ``legibility worklist``, ``plan`` and ``retention`` show and write."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import click

from legibility.cli.output import json_output
from legibility.pipeline.herd_plan import DayPlan
from legibility.pipeline.herd_sheets import sheet_details
from legibility.report import herd_list
from legibility.report.writing import write_text
from legibility.settings import Settings
from legibility.store.database import HerdDatabase

LONG: Final = 50_000
"""Choice: readings from which on looking through them takes seconds."""


def say_if_long(db: HerdDatabase) -> None:
    """On a terminal, a word before work that may take more than a few seconds."""
    if sys.stderr.isatty() and (count := db.count("readings")) >= LONG:
        click.echo(
            f"Looking through {count:,} readings; the first time takes longest ...", err=True
        )


def show_worklist(
    record: Mapping[str, Any],
    json_target: str | None,
    csv_target: Path | None,
    html_target: Path | None,
) -> None:
    """Table on the terminal (not where JSON goes), and the files asked for."""
    if csv_target is not None:
        write_text(csv_target, herd_list.worklist_csv(record["items"]))
    if html_target is not None:
        herd_list.write_worklist_page(html_target, record)
    if json_target != "-":
        click.echo(herd_list.worklist_text(record), nl=False)


def show_plan(
    db: HerdDatabase,
    found: DayPlan,
    settings: Settings,
    json_target: str | None,
    html_target: Path | None,
) -> None:
    """Plan on the terminal; with ``--html`` also the sheets of its animals."""
    record = found.record()
    with json_output(json_target) as (write, _):
        write(record)
    if html_target is not None:
        pictures = sheet_details(db, [act.item for act in found.acts], settings=settings)
        herd_list.write_plan_page(html_target, record, pictures)
    if json_target != "-":
        click.echo(herd_list.plan_text(record), nl=False)


def show_retention(
    record: Mapping[str, Any], json_target: str | None, html_target: Path | None
) -> None:
    """Report on the terminal, and the page."""
    from legibility.report.retention import retention_text, write_retention_page

    with json_output(json_target) as (write, _):
        write(record)
    if html_target is not None:
        write_retention_page(html_target, record)
    if json_target != "-":
        click.echo(retention_text(record), nl=False)
