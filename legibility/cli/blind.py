"""``legibility blind``."""

from __future__ import annotations

from pathlib import Path

import click

from legibility.cli import options
from legibility.cli.custody_screen import enter, record_options
from legibility.cli.output import json_output


@click.group()
def blind() -> None:
    """Have people read marks without knowing what they should be."""


@blind.command()
@options.photos_argument
@click.option(
    "--out",
    "folder",
    type=options.ANY_PATH,
    required=True,
    metavar="DIR",
    help="Folder for the sheets, which readers may see.",
)
@click.option(
    "--key",
    "key_file",
    type=options.ANY_PATH,
    required=True,
    metavar="FILE.json",
    help="Where the key goes; not into the readers' folder.",
)
@click.option(
    "--reader",
    "readers",
    multiple=True,
    default=("reader 1", "reader 2"),
    show_default=True,
    metavar="NAME",
    help="Who reads; give the option once a reader.",
)
@click.option(
    "--repeats",
    type=click.FloatRange(0.0, 1.0),
    default=0.25,
    show_default=True,
    metavar="SHARE",
    help="Share of the marks that are shown twice.",
)
@click.option(
    "--seed",
    type=click.IntRange(min=0),
    default=None,
    metavar="S",
    help="Make the order repeatable, and so guessable (default: it is not).",
)
@click.option(
    "--claim",
    "claims",
    multiple=True,
    metavar="TEXT",
    help="Show this claim too; only after the first readings.",
)
@click.option(
    "--after",
    multiple=True,
    type=options.ANY_PATH,
    metavar="SHEET",
    help="A filled-in sheet of the first readings; once a reader.",
)
@click.option(
    "--first-key", type=options.ANY_PATH, metavar="FILE.json", help="Key of the first readings."
)
@record_options
def make(
    photos: tuple[Path, ...],
    folder: Path,
    key_file: Path,
    readers: tuple[str, ...],
    repeats: float,
    seed: int | None,
    claims: tuple[str, ...],
    after: tuple[Path, ...],
    first_key: Path | None,
    record_file: Path | None,
    by: str,
) -> None:
    """Make reading sheets: marks cut out, under codes, in random order."""
    from legibility.batch.finding import photos_in
    from legibility.pipeline.blind_entries import made_entry
    from legibility.pipeline.blind_sets import make_blind

    key, files = make_blind(
        photos_in(photos),
        folder=folder,
        key_file=key_file,
        readers=readers,
        repeats=repeats,
        seed=seed,
        claims=claims,
        after=after,
        first_key=first_key,
    )
    for file in files:
        click.echo(file)
    click.echo(f"{len(key.photos)} marks for {len(key.sheets)} readers; the key is {key_file}")
    if record_file is not None:
        inputs, outputs = made_entry(key, files, key_file=key_file)
        enter(record_file, by=by, what="blind make", inputs=inputs, outputs=outputs)


@blind.command()
@click.argument("sheets", nargs=-1, required=True, type=options.ANY_PATH, metavar="SHEET...")
@click.option(
    "--key",
    "key_file",
    type=options.ANY_PATH,
    required=True,
    metavar="FILE.json",
    help="Key of the set.",
)
@click.option(
    "--truth",
    type=options.ANY_PATH,
    metavar="FILE.csv",
    help="Known marks (columns photo and mark), to count what each reader got right.",
)
@click.option(
    "--reliability",
    type=options.ANY_PATH,
    metavar="FILE.json",
    help="Write how often each reader names a character rightly.",
)
@options.json_option
@record_options
def score(
    sheets: tuple[Path, ...],
    key_file: Path,
    truth: Path | None,
    reliability: Path | None,
    json_target: str | None,
    record_file: Path | None,
    by: str,
) -> None:
    """Compare filled-in sheets: agreement, reliability, marks to decide."""
    from legibility.evidence.blind_record import score_record
    from legibility.pipeline.blind_entries import scored_entry
    from legibility.pipeline.blind_sets import score_blind, write_reliability
    from legibility.report.blind_text import blind_text

    result = score_blind(sheets, key_file=key_file, truth_file=truth)
    record = score_record(result)
    with json_output(json_target) as (write, _):
        write(record)
    if json_target != "-":
        click.echo(blind_text(record), nl=False)
    if reliability is not None:
        write_reliability(result, reliability)
    if record_file is not None:
        inputs, outputs = scored_entry(record, sheets, key_file=key_file)
        enter(record_file, by=by, what="blind score", inputs=inputs, outputs=outputs)
