"""What the commands of ``legibility herd`` show."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from contextlib import AbstractContextManager
from dataclasses import asdict
from typing import Any, Final

import click

from legibility.batch.herd_photos import PhotoImport
from legibility.cli.output import json_output
from legibility.errors import PhotoError, RegistryError, StoreError
from legibility.identify.row_problems import PROBLEMS_NAMED
from legibility.pipeline.herd_cases import CasesFound
from legibility.pipeline.herd_registry import RegistryFile
from legibility.report.layout import wrapped
from legibility.report.record import result_record
from legibility.report.writing import printable
from legibility.store.checking import Finding
from legibility.store.database import HerdDatabase
from legibility.store.importing import ImportReport

COUNTED: Final = (
    ("animals", "animals"),
    ("marks", "marks"),
    ("chips", "transponders"),
    ("photos", "photos"),
    ("readings", "readings"),
    ("human_readings", "readings by people"),
    ("scans", "transponder scans"),
    ("handling_events", "handling events"),
    ("decisions", "decisions"),
    ("events", "entries of the record"),
)
"""Tables and what people call their rows."""


def progress_bar(length: int, label: str) -> AbstractContextManager[Any]:
    """A bar on stderr, hidden where nobody looks at it."""
    hidden = not sys.stderr.isatty()
    return click.progressbar(length=length, label=label, file=sys.stderr, hidden=hidden)


def agree(found: RegistryFile, *, accept_good: bool) -> None:
    """List what a registry has that cannot be used, and ask whether the rest is imported.

    Raises
    ------
    RegistryError
        If nobody agreed.
    """
    if not found.problems:
        return
    left_out = found.found - len(found.rows)
    rows = f"{left_out} of {found.found} rows" if left_out else "no row"
    listed = "\n".join(f"  {problem}" for problem in found.problems[:PROBLEMS_NAMED])
    more = len(found.problems) - PROBLEMS_NAMED
    listed += f"\n  and {more} more: legibility registry {found.source.name}" if more > 0 else ""
    cells = len(found.problems)
    what = f"{cells} {'problem' if cells == 1 else 'problems'}"
    if accept_good or _said_yes(f"{found.source.name}: {what}\n{listed}", rows):
        if accept_good:
            _say_lines(f"Left out of {found.source.name} ({rows} as a whole):\n{listed}")
        return
    raise RegistryError(
        f"{found.source.name}: {what}; nothing was imported\n{listed}\n"
        f"  mend them, or import the rest with --accept-good ({rows} would be left out whole)"
    )


def _said_yes(text: str, rows: str) -> bool:
    """Ask on a terminal; no anywhere else."""
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        return False
    _say_lines(text)
    return click.confirm(f"Import the rest ({rows} left out as a whole)?", err=True)


def _say_lines(text: str) -> None:
    for line in text.split("\n"):
        _say(line, err=True)


def show_import(report: ImportReport, cases: CasesFound, json_target: str | None) -> None:
    """What became of the rows of a file."""
    with json_output(json_target) as (write, _):
        write({**asdict(report), "cases": report.cases + cases.new})
    aside = json_target == "-"
    for notice in report.notices:
        _say("Note: " + notice, err=True)
    parts = [f"{report.new} new", f"{report.same} known already"]
    if report.kind == "registry":
        parts.insert(1, f"{report.changed} changed")
    click.echo(f"{report.source}: {report.rows} rows: {', '.join(parts)}.", err=aside)
    show_new_cases(report.cases + cases.new, json_target)


def show_new_cases(new: int, json_target: str | None) -> None:
    """A word on contradictions that were found."""
    if new:
        what = "case" if new == 1 else "cases"
        click.echo(
            f"{new} new {what} to settle: see `legibility herd check`.", err=json_target == "-"
        )


def show_photos(photos: PhotoImport, json_target: str | None) -> int:
    """Photos as they are stored; gives the exit code."""
    for notice in photos.notices:
        _say("Note: " + notice, err=True)
    counts = dict.fromkeys(("new", "changed", "same", "error"), 0)
    with (
        json_output(json_target) as (write, _),
        progress_bar(photos.n_photos, "Reading") as bar,
    ):
        for photo in photos.stream:
            counts[photo.state] += 1
            write(result_record(photo.result))
            if photo.state == "error":
                _say("Error: " + " ".join(photo.result.reasons), err=True)
            bar.update(1)
    photo_s = "photo" if photos.n_photos == 1 else "photos"
    text = (
        f"{photos.n_photos} {photo_s} looked at: {counts['new']} new, {counts['changed']} read anew"
    )
    if photos.n_skipped:
        text += f"; skipped {photos.n_skipped} that were read before"
    if counts["error"]:
        text += f"; {counts['error']} could not be used"
    click.echo(text + ".", err=json_target == "-")
    return PhotoError.exit_code if counts["error"] else 0


def show_check(
    db: HerdDatabase, findings: tuple[Finding, ...], cases: CasesFound, json_target: str | None
) -> int:
    """Counts, findings and open cases; gives the exit code."""
    counts = {table: db.count(table) for table, _ in COUNTED}
    with json_output(json_target) as (write, _):
        write(
            {
                "schema": db.version,
                "rows": counts,
                "findings": [asdict(finding) for finding in findings],
                "cases": [asdict(case) for case in cases.open],
            }
        )
    if json_target != "-":
        for table, name in COUNTED:
            click.echo(f"{counts[table]:>9}  {name}")
        click.echo()
        _list("Found", [f"{finding.kind}: {finding.text}" for finding in findings])
        _list("Cases to settle", [f"{case.number}: {case.summary}" for case in cases.open])
        if not findings and not cases.open:
            click.echo("The record is sound, and there is nothing to settle.")
    return StoreError.exit_code if findings else 0


def _list(title: str, texts: Iterable[str]) -> None:
    lines = [line for text in texts for line in wrapped(text, first="  - ", indent="    ")]
    if lines:
        click.echo("\n".join([title, *lines, ""]))


def _say(text: str, *, err: bool) -> None:
    click.echo(printable(text), err=err)
