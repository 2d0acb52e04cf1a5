"""``legibility calibrate``."""

from __future__ import annotations

import sys
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from legibility.batch import FileReader, file_reader, open_results
from legibility.cli import options
from legibility.cli.output import json_output
from legibility.identify.calibration_file import load_final_calibration, save_final_calibration
from legibility.report.calibration import calibration_lines

if TYPE_CHECKING:
    from legibility.evaluate.recalibrate import Recalibration


@click.command()
@click.argument("truth", type=options.ANY_PATH, metavar="TRUTH.csv")
@click.option(
    "--registry",
    type=options.ANY_PATH,
    required=True,
    metavar="FILE.csv",
    help="Registered animals: columns animal_id and mark, others optional.",
)
@options.rules_option
@options.settings_option
@options.calibration_option
@click.option(
    "--out",
    type=options.ANY_PATH,
    default=Path("calibration.json"),
    show_default=True,
    metavar="FILE.json",
    help="Where the new calibration is written.",
)
@options.json_option
@options.jobs_option
@options.second_reader_option
def calibrate(
    truth: Path,
    registry: Path,
    rules: Path | None,
    settings_file: Path | None,
    calibration: Path | None,
    out: Path,
    json_target: str | None,
    jobs: int,
    second_reader: bool,
) -> None:
    """Calibrate on photos whose animal is known, e.g. from its transponder.

    TRUTH.csv has the columns photo (relative to the file) and animal_id (empty
    for an animal that is not in the registry). At least 50 readable photos.
    Says how well probabilities were kept before and after, and writes a file
    for `legibility read --calibration`.
    """
    reader = file_reader(
        registry=registry,
        rules=rules,
        settings=settings_file,
        second_reader=second_reader,
        calibration=calibration,
    )
    found = _recalibrated(truth, reader, jobs)
    save_final_calibration(found.calibration, out)
    with json_output(json_target) as (write, _):
        write(asdict(found))
    if json_target != "-":
        click.echo("\n".join([*calibration_lines(found), "", str(out)]))


def _recalibrated(truth: Path, reader: FileReader, jobs: int) -> Recalibration:
    """Read the photos, with a bar on a terminal, and calibrate on them."""
    from legibility.evaluate.recalibrate import recalibrate
    from legibility.evaluate.truth_table import load_truth_table

    animals, _ = reader.inputs()
    if animals is None:
        raise click.UsageError("--registry is needed")
    table = load_truth_table(truth, animals)
    paths = [known.path for known in table.photos]
    bare = replace(reader, registry=None, rules=None)
    used = reader.settings.calibration_file
    with (
        open_results(paths, reader=bare, jobs=jobs) as results,
        click.progressbar(
            results.stream,
            length=results.n_photos,
            label="Reading",
            file=sys.stderr,
            hidden=not sys.stderr.isatty(),
        ) as stream,
    ):
        return recalibrate(
            table,
            stream,
            animals,
            settings=reader.settings,
            current=load_final_calibration(Path(used) if used else None),
        )
