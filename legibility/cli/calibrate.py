"""``legibility calibrate``."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from legibility.batch import FileReader, file_reader, open_results
from legibility.cli import options
from legibility.cli.output import json_output
from legibility.identify.calibration_file import load_final_calibration, save_final_calibration
from legibility.report.calibration import calibration_lines, kernel_data_lines

if TYPE_CHECKING:
    from legibility.containers import PhotoResult
    from legibility.evaluate.recalibrate import Recalibration
    from legibility.evaluate.record_truth import RecordTruth
    from legibility.identify.calibration import FinalCalibration


@click.command()
@click.argument("truth", type=options.ANY_PATH, required=False, metavar="[TRUTH.csv]")
@click.option(
    "--from",
    "herd_file",
    type=options.ANY_PATH,
    metavar="HERD.db",
    help="Photos of this record whose animal a transponder names, instead of TRUTH.csv.",
)
@click.option(
    "--registry",
    type=options.ANY_PATH,
    metavar="FILE.csv",
    help="Registered animals, for TRUTH.csv.",
)
@options.columns_option
@click.option(
    "--counts",
    "counts_target",
    type=options.ANY_PATH,
    metavar="FILE.csv",
    help="With --from: write what was read for which character, for risk and assign.",
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
    truth: Path | None,
    herd_file: Path | None,
    registry: Path | None,
    columns: Mapping[str, str],
    counts_target: Path | None,
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
    for an animal that is not in the registry). With --from the photos, their
    animals and the registry are those of the herd's record. At least 50
    readable photos. Says how well probabilities were kept before and after, and
    writes a file for `legibility read --calibration`.
    """
    if (truth is None) == (herd_file is None) or (truth is None) != (registry is None):
        raise click.UsageError("give TRUTH.csv with --registry, or --from HERD.db without it")
    if counts_target is not None and herd_file is None:
        raise click.UsageError("--counts needs --from: only there the marks shown are known")
    reader = file_reader(
        registry=registry,
        columns=columns,
        rules=rules,
        settings=settings_file,
        second_reader=second_reader,
        calibration=calibration,
    )
    lines: list[str] = []
    if herd_file is not None:
        found = _from_record(herd_file, reader, jobs, counts_target, lines)
    elif truth is not None:
        found = _recalibrated(truth, reader, jobs)
    save_final_calibration(found.calibration, out)
    with json_output(json_target) as (write, _):
        write(asdict(found))
    if json_target != "-":
        click.echo("\n".join([*calibration_lines(found), "", *lines, str(out)]))


def _recalibrated(truth: Path, reader: FileReader, jobs: int) -> Recalibration:
    """Read the photos, with a bar on a terminal, and calibrate on them."""
    from legibility.evaluate.recalibrate import recalibrate
    from legibility.evaluate.truth_table import load_truth_table

    animals, _ = reader.inputs()
    if animals is None:
        raise click.UsageError("--registry is needed")
    table = load_truth_table(truth, animals)
    with _results([known.path for known in table.photos], reader, jobs) as results:
        return recalibrate(
            table, results, animals, settings=reader.settings, current=_current(reader)
        )


def _from_record(
    herd_file: Path, reader: FileReader, jobs: int, counts_target: Path | None, lines: list[str]
) -> Recalibration:
    """Calibrate on the record's confirmed photos; those read otherwise are read anew."""
    from legibility.evaluate import record_truth as known
    from legibility.report.writing import write_text
    from legibility.store.database import open_herd

    with open_herd(herd_file) as db:
        truth = known.record_truth(db, settings=reader.settings)
    results = known.all_results(truth, _read_anew(truth, reader, jobs))
    counted = known.kernel_data(truth, results)
    lines += kernel_data_lines(counted)
    if counts_target is not None:
        write_text(counts_target, counted.csv())
        lines.append(str(counts_target))
    return known.recalibrate_on_record(
        truth, results, settings=reader.settings, current=_current(reader)
    )


def _read_anew(truth: RecordTruth, reader: FileReader, jobs: int) -> list[PhotoResult]:
    if not truth.to_read:
        return []
    with _results(truth.to_read, reader, jobs) as results:
        return list(results)


@contextmanager
def _results(
    paths: Sequence[Path], reader: FileReader, jobs: int
) -> Iterator[Iterator[PhotoResult]]:
    """Read photos without a registry, with a bar on a terminal."""
    bare = replace(reader, registry=None, rules=None)
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
        yield iter(stream)


def _current(reader: FileReader) -> FinalCalibration:
    used = reader.settings.calibration_file
    return load_final_calibration(Path(used) if used else None)
