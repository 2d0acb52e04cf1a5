"""What ``legibility read`` shows while it works and at the end."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import click

from legibility.batch import FileReader, Results, without_details
from legibility.containers import PhotoResult, Status
from legibility.errors import PhotoError
from legibility.photo.flags import describe
from legibility.report.export import results_csv
from legibility.report.table import (
    caution_lines,
    layouts_lines,
    reading_table,
    summary_heading,
    summary_line,
)
from legibility.report.writing import write_text

FEW_PHOTOS: Final = 3
"""Choice: so many photos are shown with all details."""


class ReadScreen:
    """Shows results as they come and keeps only what the end needs."""

    def __init__(
        self,
        reader: FileReader,
        json_target: str | None,
        csv_target: Path | None,
        *,
        worklist: bool,
        details: bool | None,
    ) -> None:
        self._reader = reader
        self._json_target = json_target
        self._csv_target = csv_target
        self._worklist = worklist
        self._details = details
        self._has_bar = False
        self._kept: list[PhotoResult] = []
        self._step_folders: dict[str, str] = {}
        registry, _ = reader.inputs()
        for notice in registry.notices if registry is not None else ():
            click.echo(f"Note: {notice}", err=True)
        self._n_read = self._n_failed = self._n_skipped = 0

    @contextmanager
    def progress(self, results: Results) -> Iterator[Iterable[PhotoResult]]:
        """The stream of results, with a bar on stderr when nothing else is printed meanwhile."""
        if self._details is None:
            self._details = results.n_photos <= FEW_PHOTOS
        self._n_skipped = results.n_skipped
        if self._json_target is None and not self._details:
            click.echo(summary_heading())
        quiet = self._json_target is not None or not sys.stdout.isatty()
        self._has_bar = quiet and sys.stderr.isatty() and results.n_photos > FEW_PHOTOS
        with click.progressbar(
            results.stream,
            length=results.n_photos,
            label="Reading",
            file=sys.stderr,
            show_pos=True,
            hidden=not self._has_bar,
        ) as stream:
            yield stream

    def show(self, result: PhotoResult) -> None:
        """Print one result, unless the output is JSON."""
        self._n_read += 1
        self._n_failed += result.status is Status.ERROR
        if result.status is Status.ERROR and (self._json_target is not None or not self._details):
            below_bar = "\n" if self._has_bar else ""
            click.echo(f"{below_bar}Error: {' '.join(result.reasons)}", err=True)
        if self._worklist or self._csv_target is not None:
            self._kept.append(without_details(result))
        if self._reader.steps_dir is not None:
            from legibility.report.steps import folder_name

            self._step_folders[folder_name(result.photo, result.sha256)] = result.photo
        if self._json_target is not None:
            return
        if self._details:
            coverage = self._reader.settings.candidate_coverage
            click.echo(reading_table(result, describe(result.flags), coverage=coverage))
        else:
            click.echo(summary_line(result))

    def finish(self) -> int:
        """Write and print what stands at the end; gives the exit code."""
        aside = self._json_target == "-"
        if self._worklist:
            self._print_worklist(aside)
        if self._csv_target is not None:
            write_text(self._csv_target, results_csv(self._kept))
        if self._reader.steps_dir is not None:
            from legibility.report.steps import write_steps_page

            page = write_steps_page(self._reader.steps_dir, self._step_folders)
            click.echo(f"Pictures of the steps: {page}", err=aside)
        if not aside:
            click.echo(self._count())
            registry, _ = self._reader.inputs()
            if registry is not None:
                click.echo("\n" + layouts_lines(registry.layouts.basis), nl=False)
            click.echo("\n" + caution_lines(), nl=False)
        return PhotoError.exit_code if self._n_failed else 0

    def _print_worklist(self, aside: bool) -> None:
        from legibility.batch.overview import worklist_entries
        from legibility.report.worklist import worklist_table

        registry, _ = self._reader.inputs()
        click.echo("\n" + worklist_table(worklist_entries(self._kept, registry)), err=aside)

    def _count(self) -> str:
        text = f"{self._n_read} photo{'' if self._n_read == 1 else 's'} looked at"
        if self._n_failed:
            text += f", {self._n_failed} could not be used"
        if self._n_skipped:
            text += f", {self._n_skipped} skipped that {self._json_target} already held"
        return text + "."
