"""``legibility herd``: the herd's record in one file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import click

from legibility.cli import options
from legibility.cli.herd_correct import correct, corrections, give, undo
from legibility.cli.herd_options import herd_argument, order_option, test_option, who_option
from legibility.cli.herd_record import decide, look, record
from legibility.cli.manage import history


@click.group()
def herd() -> None:
    """Keep the herd's record: animals, marks, photos, readings, scans, events.

    One SQLite file holds everything. Exit code 10: it cannot be used, or
    `check` found something.
    """


@herd.command("new")
@herd_argument
@click.option(
    "--from",
    "exported",
    type=options.ANY_PATH,
    metavar="DIR",
    help="Fill it with what `herd export` wrote.",
)
def new(herd_file: Path, exported: Path | None) -> None:
    """Make an empty record, or one from an export."""
    from legibility.store.database import create_herd
    from legibility.store.exporting import restored_herd

    if exported is None:
        create_herd(herd_file).close()
        click.echo(f"{herd_file}: an empty record")
    else:
        rows = restored_herd(herd_file, exported)
        click.echo(f"{herd_file}: {sum(rows.values())} rows from {exported}")


@herd.command("import-registry")
@herd_argument
@click.argument("file", type=options.ANY_PATH, metavar="FILE")
@options.columns_option
@options.rules_option
@click.option(
    "--accept-good",
    is_flag=True,
    help="Leave out what cannot be used, after listing it, and import the rest.",
)
@test_option
@who_option
@options.json_option
def import_registry(
    herd_file: Path,
    file: Path,
    columns: Mapping[str, str],
    rules: Path | None,
    accept_good: bool,
    test_numbers: bool,
    who: str,
    json_target: str | None,
) -> None:
    """Take over animals and marks from a registry: all of it or nothing.

    What cannot be used is listed; on a terminal you are asked whether to import
    the rest, elsewhere --accept-good says so. See `legibility registry FILE`.
    """
    from legibility.cli import herd_screen
    from legibility.identify.rules import load_rules
    from legibility.pipeline import herd_cases, herd_registry
    from legibility.store import importing
    from legibility.store.database import open_herd

    with open_herd(herd_file) as db:
        known = None if rules is None else load_rules(rules)
        found = herd_registry.read_registry_file(
            file,
            rules=known,
            columns=columns,
            allow_test=test_numbers,
            accept_good=True,
            who=who,
        )
        herd_screen.agree(found, accept_good=accept_good)
        with herd_screen.progress_bar(len(found.rows), "Importing") as bar:
            report = importing.import_registry(
                db, found.rows, source=found.source, notices=found.notices, seen=bar.update
            )
        herd_screen.show_import(report, herd_cases.find_cases(db, who=who), json_target)


@herd.command("import-photos")
@herd_argument
@options.photos_argument
@click.option(
    "--manifest",
    type=options.ANY_PATH,
    metavar="FILE.csv",
    help="What is known of the photos: file, animal_id, ear, stage, taken_at, chip.",
)
@click.option("--copy", is_flag=True, help="Also keep a copy of each photo beside the record.")
@options.settings_option
@options.second_reader_option
@options.jobs_option
@order_option
@test_option
@who_option
@options.json_option
@click.pass_context
def import_photos(
    ctx: click.Context,
    herd_file: Path,
    photos: tuple[Path, ...],
    settings_file: Path | None,
    second_reader: bool,
    json_target: str | None,
    manifest: Path | None,
    copy: bool,
    jobs: int,
    hex_order: str,
    test_numbers: bool,
    who: str,
) -> None:
    """Read photos against the record's animals and keep what was read.

    Photos are told by their bytes: one that was read before is skipped, and an
    interrupted import goes on where it stopped.
    """
    from legibility.batch.herd_photos import open_photo_import
    from legibility.cli import herd_screen
    from legibility.pipeline.herd_cases import find_cases
    from legibility.store.database import open_herd

    settings = options.settings_from(settings_file)
    if not second_reader:
        settings = replace(settings, second_reader=False)
    with open_herd(herd_file) as db:
        cases_before = db.count("cases")
        with open_photo_import(
            db,
            photos,
            settings=settings,
            manifest=manifest,
            copy=copy,
            jobs=jobs,
            who=who,
            hex_order=hex_order,
            allow_test=test_numbers,
        ) as found:
            code = herd_screen.show_photos(found, json_target)
        find_cases(db)
        herd_screen.show_new_cases(db.count("cases") - cases_before, json_target)
    ctx.exit(code)


@herd.command("import-scans")
@herd_argument
@click.argument("file", type=options.ANY_PATH, metavar="FILE.csv")
@order_option
@click.option("--reader", default="", metavar="NAME", help="The transponder reader's name.")
@click.option(
    "--pair-within",
    type=click.FloatRange(min=0, max=3600),
    default=0.0,
    metavar="SECONDS",
    help="Connect photos to the one transponder read within this time (default: do not).",
)
@test_option
@who_option
@options.json_option
def import_scans(
    herd_file: Path,
    file: Path,
    hex_order: str,
    reader: str,
    pair_within: float,
    test_numbers: bool,
    who: str,
    json_target: str | None,
) -> None:
    """Take over the log of a transponder reader: all of it or nothing."""
    from legibility.cli import herd_screen
    from legibility.pipeline import herd_cases, herd_scans
    from legibility.store import importing
    from legibility.store.database import open_herd

    with open_herd(herd_file) as db:
        found = herd_scans.read_scan_file(
            file, hex_order=hex_order, reader=reader, allow_test=test_numbers, who=who
        )
        report = importing.import_scans(
            db,
            found.scans,
            source=found.source,
            pair_within_s=pair_within,
            notices=found.notices,
        )
        herd_screen.show_import(report, herd_cases.find_cases(db, who=who), json_target)


@herd.command("confirmed")
@herd_argument
@click.argument("target", type=options.ANY_PATH, metavar="FILE.csv")
def confirmed(herd_file: Path, target: Path) -> None:
    """List the photos whose animal a transponder names, e.g. to see how well they are read."""
    from legibility.report.writing import write_text
    from legibility.store.database import open_herd
    from legibility.store.pairs import confirmed_csv

    with open_herd(herd_file) as db:
        text, lines = confirmed_csv(db)
    write_text(target, text)
    click.echo(f"{target}: {lines} photos confirmed by transponder")


@herd.command("export")
@herd_argument
@click.argument("folder", type=options.ANY_PATH, metavar="DIR")
@click.option(
    "--as",
    "form",
    type=click.Choice(["csv", "json"]),
    default="csv",
    show_default=True,
    help="A CSV file a table, or one file of JSON lines.",
)
def export(herd_file: Path, folder: Path, form: str) -> None:
    """Write everything into a new folder, so that nothing is lost without this program."""
    from legibility.store.database import open_herd
    from legibility.store.exporting import export_herd

    with open_herd(herd_file, read_only=True) as db:
        files = export_herd(db, folder, as_json=form == "json")
    click.echo(f"{folder}: {len(files)} files")


@herd.command("check")
@herd_argument
@click.option("--files", is_flag=True, help="Also compare every photo's file with its digest.")
@options.json_option
@click.pass_context
def check(ctx: click.Context, herd_file: Path, files: bool, json_target: str | None) -> None:
    """Look for damage, for what cannot be true, and for contradictions to settle."""
    from legibility.cli import herd_screen
    from legibility.pipeline.herd_cases import find_cases
    from legibility.store.checking import check_record
    from legibility.store.database import open_herd

    with open_herd(herd_file) as db:
        with herd_screen.progress_bar(db.count("photos") if files else 0, "Comparing") as bar:
            findings = check_record(db, files=files, seen=bar.update)
        cases = find_cases(db)
        ctx.exit(herd_screen.show_check(db, findings, cases, json_target))


@herd.command("backup")
@herd_argument
@click.argument("target", type=options.ANY_PATH, metavar="COPY.db")
def backup(herd_file: Path, target: Path) -> None:
    """Copy the record as it is now, also while others write to it."""
    from legibility.store.database import open_herd

    with open_herd(herd_file, read_only=True) as db:
        db.backup(target)
    click.echo(f"{target}: a copy of {herd_file}")


for command in (record, look, decide, history, correct, give, undo, corrections):
    herd.add_command(command)
