"""``legibility herd record``, ``look`` and ``decide``: what people add by hand."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import click

from legibility.cli import options
from legibility.cli.herd_options import herd_argument, test_option
from legibility.store.handling_events import KINDS


def named(_context: click.Context, _option: click.Parameter, value: str) -> str:
    """A text that says something."""
    if not value.strip():
        raise click.BadParameter("is empty")
    return value.strip()


at_option = click.option(
    "--at",
    default="",
    metavar="TIME",
    help="When, as YYYY-MM-DD or YYYY-MM-DD HH:MM (default: now).",
)
who_option = click.option(
    "--who", required=True, metavar="NAME", callback=named, help="Who did it."
)
ear_option = click.option(
    "--ear", type=click.Choice(["left", "right", "both"]), default=None, help="Which ear."
)
note_option = click.option("--note", default="", metavar="TEXT", help="Anything else.")
seconds_option = click.option(
    "--seconds", type=click.FloatRange(min=0), default=None, metavar="S", help="How long it took."
)


def _time(text: str) -> str:
    from legibility.pipeline.import_rows import read_time

    try:
        return read_time(text) or datetime.now().isoformat(timespec="seconds")
    except ValueError as error:
        raise click.UsageError(f"--at: {error}") from error


@click.command("record")
@herd_argument
@click.argument("kind", type=click.Choice(KINDS), metavar="KIND")
@click.option("--animal", "animal_id", default="", metavar="ID", help="Which animal.")
@click.option(
    "--text", default="", metavar="TEXT", help="The mark applied, or the transponder's number."
)
@ear_option
@who_option
@at_option
@seconds_option
@note_option
@test_option
def record(
    herd_file: Path,
    kind: str,
    animal_id: str,
    text: str,
    ear: str | None,
    who: str,
    at: str,
    seconds: float | None,
    note: str,
    test_numbers: bool,
) -> None:
    """Record that something was done with an animal, e.g. that it was re-marked.

    KIND is one of handled, marked, re-marked, chipped, tagged, sedated, treated,
    moved, sold, died, misidentified, note.
    """
    from legibility.cli.herd_screen import show_new_cases
    from legibility.pipeline.herd_cases import find_cases
    from legibility.pipeline.herd_record import record_event
    from legibility.store.database import open_herd
    from legibility.store.records import HandlingEvent

    event = HandlingEvent(_time(at), kind, animal_id, who, ear or "", text, seconds, note)
    with open_herd(herd_file) as db:
        new = record_event(db, event, allow_test=test_numbers)
        cases = find_cases(db, who=who).new if new and kind == "chipped" else 0
    click.echo("Recorded." if new else "Recorded before; nothing was added.")
    show_new_cases(cases, None)


@click.command("look")
@herd_argument
@click.option("--animal", "animal_id", default="", metavar="ID", help="Whose ear it is.")
@click.option("--photo", type=options.ANY_PATH, metavar="FILE", help="The photo that was read.")
@click.option(
    "--read",
    "text",
    default="",
    metavar="MARK",
    help='What was read, "?" for a character that could not be.',
)
@click.option("--usable/--not-usable", default=None, help="Can the mark still tell the animal?")
@click.option("--blind", is_flag=True, help="It was read without knowing what to expect.")
@click.option("--grade", type=click.FloatRange(0, 4), default=None, metavar="0-4", help="By eye.")
@ear_option
@who_option
@at_option
@seconds_option
@note_option
def look(
    herd_file: Path,
    photo: Path | None,
    text: str,
    ear: str | None,
    who: str,
    at: str,
    animal_id: str,
    usable: bool | None,
    blind: bool,
    grade: float | None,
    seconds: float | None,
    note: str,
) -> None:
    """Record what a person read from an ear or from a photo."""
    from legibility.pipeline.herd_record import record_reading
    from legibility.store.database import open_herd
    from legibility.store.photo_folder import digest_of
    from legibility.store.records import HumanReading

    reading = HumanReading(
        reader=who,
        read_at=_time(at),
        text=text.upper(),
        ear=ear or "",
        animal_id=animal_id,
        photo_sha256="" if photo is None else digest_of(photo),
        usable=usable,
        blind=blind,
        grade=grade,
        seconds=seconds,
        note=note,
    )
    with open_herd(herd_file) as db:
        new = record_reading(db, reading)
    click.echo("Recorded." if new else "Recorded before; nothing was added.")


@click.command("decide")
@herd_argument
@click.option(
    "--case", type=click.IntRange(min=1), metavar="N", help="The case, as `herd check` numbers it."
)
@click.option("--animal", "animal_id", default="", metavar="ID", help="Which animal it is about.")
@click.option("--what", required=True, metavar="TEXT", help="What was decided.")
@click.option("--reason", default="", metavar="TEXT", help="Why.")
@who_option
@at_option
def decide(
    herd_file: Path, case: int | None, animal_id: str, what: str, reason: str, who: str, at: str
) -> None:
    """Record a decision; one about a case closes it. No record is overwritten."""
    from legibility.pipeline.herd_record import record_decision
    from legibility.store.database import open_herd
    from legibility.store.decisions import find_case
    from legibility.store.records import DecisionRow

    with open_herd(herd_file) as db:
        key = find_case(db, case).case_key if case is not None else ""
        decision = DecisionRow(_time(at), who, what, reason, key, animal_id=animal_id)
        new = record_decision(db, decision)
    click.echo("Recorded." if new else "Recorded before; nothing was added.")
