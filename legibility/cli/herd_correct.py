"""``legibility herd correct``, ``give``, ``undo`` and ``corrections``."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from legibility.cli import options
from legibility.cli.herd_options import herd_argument, test_option
from legibility.cli.herd_record import named, who_option
from legibility.errors import StoreError

if TYPE_CHECKING:
    from legibility.pipeline.herd_corrections import Corrected
    from legibility.store.database import HerdDatabase

DIGITS: Final = re.compile(r"[0-9a-f]{8,64}")
"""The digest of a photo, or at least its first eight digits."""
UNKNOWN: Final = "unknown"

why_option = click.option(
    "--why", required=True, metavar="TEXT", callback=named, help="Why; kept with it."
)
photo_argument = click.argument("photo", metavar="PHOTO")
number_argument = click.argument("number", type=click.IntRange(min=1), metavar="NUMBER")
back_option = click.option("--take-back", is_flag=True, help="It was mistaken: count it no more.")
animal_option = click.option("--animal", "animal_id", metavar="ID", help="Whose it is.")
ear_option = click.option(
    "--ear", type=click.Choice(["left", "right", "both", UNKNOWN]), help="Which ear."
)


@click.group("correct")
def correct() -> None:
    """Correct a photo, a reading by eye or a scan; what was there before is kept.

    Numbers of readings and scans stand in `legibility herd history`.
    """


@correct.command("photo")
@herd_argument
@photo_argument
@click.option("--animal", "animal_id", metavar="ID", help="The animal it shows.")
@click.option("--nobody", is_flag=True, help="It shows no animal that is known.")
@ear_option
@click.option("--stage", metavar="STAGE", help=f"How the ear was prepared, or {UNKNOWN}.")
@click.option(
    "--apart-from-scan", is_flag=True, help="It was not taken with the transponder scanned then."
)
@who_option
@why_option
def correct_photo(
    herd_file: Path,
    photo: str,
    animal_id: str | None,
    nobody: bool,
    ear: str | None,
    stage: str | None,
    apart_from_scan: bool,
    who: str,
    why: str,
) -> None:
    """Say whose ear a photo shows, which ear, or how it was prepared.

    PHOTO is its file, or the first eight or more digits of its SHA-256.
    """
    from legibility.pipeline import herd_corrections
    from legibility.store.database import open_herd

    if nobody and animal_id:
        raise click.UsageError("--animal and --nobody contradict each other")
    with open_herd(herd_file) as db:
        done = herd_corrections.correct_photos(
            db,
            [_digest(db, photo)],
            animal_id="" if nobody else animal_id,
            ear="" if ear == UNKNOWN else ear,
            stage="" if stage == UNKNOWN else stage,
            apart_from_scan=apart_from_scan,
            who=who,
            reason=why,
        )
        _show(db, done)


@correct.command("reading")
@herd_argument
@number_argument
@click.option("--read", "text", metavar="MARK", help="What was really read.")
@animal_option
@ear_option
@click.option("--usable/--not-usable", default=None, help="Could the mark still tell the animal?")
@back_option
@who_option
@why_option
def correct_reading(
    herd_file: Path,
    number: int,
    text: str | None,
    animal_id: str | None,
    ear: str | None,
    usable: bool | None,
    take_back: bool,
    who: str,
    why: str,
) -> None:
    """Take a reading by eye back, or enter it anew as it should have been."""
    from legibility.pipeline import herd_mistaken
    from legibility.store.database import open_herd

    _one_of(take_back, text, animal_id, ear, usable)
    with open_herd(herd_file) as db:
        if take_back:
            done = herd_mistaken.take_back(db, "reading", number, who=who, reason=why)
        else:
            done = herd_mistaken.correct_reading(
                db,
                number,
                text=None if text is None else text.upper(),
                animal_id=animal_id,
                ear="" if ear == UNKNOWN else ear,
                usable=usable,
                who=who,
                reason=why,
            )
        _show(db, done)


@correct.command("scan")
@herd_argument
@number_argument
@click.option("--text", "transponder", metavar="TEXT", help="The transponder's real number.")
@animal_option
@back_option
@test_option
@who_option
@why_option
def correct_scan(
    herd_file: Path,
    number: int,
    transponder: str | None,
    animal_id: str | None,
    take_back: bool,
    test_numbers: bool,
    who: str,
    why: str,
) -> None:
    """Take a scan back, or enter it anew; photos taken with it go along."""
    from legibility.pipeline import herd_mistaken
    from legibility.store.database import open_herd

    _one_of(take_back, transponder, animal_id)
    with open_herd(herd_file) as db:
        if take_back:
            done = herd_mistaken.take_back(db, "scan", number, who=who, reason=why)
        else:
            done = herd_mistaken.correct_scan(
                db,
                number,
                transponder=transponder,
                animal_id=animal_id,
                allow_test=test_numbers,
                who=who,
                reason=why,
            )
        _show(db, done)


@click.command("give")
@herd_argument
@photo_argument
@click.option("--to", "animal_id", metavar="ID", help="The animal; without it nothing is done.")
@click.option("--who", default="", metavar="NAME", help="Who decides.")
def give(herd_file: Path, photo: str, animal_id: str | None, who: str) -> None:
    """Give a photo of no animal yet to the one that was read on it.

    Without --to it shows whom the newest reading names, and with what
    probability. To give it to another one: `legibility herd correct photo`.
    """
    from legibility.pipeline.herd_corrections import advised, give_as_advised
    from legibility.probability import percent
    from legibility.store.database import open_herd

    with open_herd(herd_file) as db:
        digest = _digest(db, photo)
        found = advised(db, digest)
        if found is not None and animal_id is None:
            chance = percent(found.first_probability or 0.0)
            click.echo(
                f"Reading {found.reading_id}: {found.text}, most likely {found.first_animal} "
                f"({chance}; {found.decision}). Nothing was changed; --to gives the photo to it."
            )
            return
        done = give_as_advised(db, digest, animal_id or "", who=who)
        _show(db, done)


@click.command("undo")
@herd_argument
@click.argument("entry", type=click.IntRange(min=1), required=False, metavar="[ENTRY]")
@who_option
@click.option("--why", default="", metavar="TEXT", help="Why; kept with it.")
def undo(herd_file: Path, entry: int | None, who: str, why: str) -> None:
    """Take an entry back: the last one, or that of a number. Both are kept.

    Corrections, readings by eye, transponders entered at the chute and decisions
    can be taken back, and so can an `undo` by its own number.
    """
    from legibility.pipeline import herd_undo
    from legibility.store.database import open_herd

    with open_herd(herd_file) as db:
        _show(db, herd_undo.undo(db, entry or 0, who=who, reason=why))


@click.command("corrections")
@herd_argument
@click.option("--animal", "animal_id", default="", metavar="ID", help="Only of this animal.")
@click.option(
    "--limit", type=click.IntRange(min=1), default=50, show_default=True, metavar="N", help="Most."
)
@options.json_option
def corrections(herd_file: Path, animal_id: str, limit: int, json_target: str | None) -> None:
    """List what was corrected, newest first: what was there before, who, when and why."""
    from dataclasses import asdict

    from legibility.cli.output import json_output
    from legibility.pipeline.herd_actions import actions_of_animal, recent_actions
    from legibility.report.layout import wrapped
    from legibility.report.writing import printable
    from legibility.store.database import open_herd

    with open_herd(herd_file) as db:
        found = (
            actions_of_animal(db, animal_id)[:limit]
            if animal_id
            else recent_actions(db, most=limit)
        )
    with json_output(json_target) as (write, _):
        for action in found:
            write(asdict(action))
    if json_target == "-":
        return
    for action in found:
        undo_words = "" if action.can_undo else " [holds no more]"
        click.echo(printable(f"{action.entry}  {action.at[:16]}  {action.who}: {action.what}"
                             f"{undo_words}"))  # fmt: skip
        for text in (*action.words, f"why: {action.reason}"):
            click.echo("\n".join(wrapped(printable(text), first="    ", indent="      ")))
    if not found:
        click.echo("Nothing was corrected.")


def _one_of(take_back: bool, *anew: object) -> None:
    """Refuse taking back and entering anew in one, and neither."""
    if take_back == any(value is not None for value in anew):
        raise click.UsageError("say either --take-back or what is to be corrected")


def _digest(db: HerdDatabase, photo: str) -> str:
    """Digest of the photo that was meant."""
    from legibility.store.photo_folder import digest_of
    from legibility.store.photos import photos_beginning

    path = Path(photo)
    if path.is_file():
        return digest_of(path)
    found = photos_beginning(db, photo.lower()) if DIGITS.fullmatch(photo.lower()) else ()
    if len(found) != 1:
        many = "the digits of two photos" if found else "no file, and no photo of this record"
        raise StoreError(f"{photo[:80]}: is {many}")
    return found[0]


def _show(db: HerdDatabase, done: Corrected) -> None:
    """What was done, what followed, and how to take it back."""
    from legibility.pipeline.correction_words import correction_words
    from legibility.report.writing import printable
    from legibility.store.corrections import all_corrections
    from legibility.store.decisions import find_case

    for row in all_corrections(db, entry=done.entry):
        click.echo(printable(f"{correction_words(db, row)}."))
    for number in done.closed:
        click.echo(f"Case {number} is closed by it.")
    for number in done.opened:
        click.echo(printable(f"Case {number} is opened by it: {find_case(db, number).summary}"))
    back = f"legibility herd undo {db.path} {done.entry} --who NAME"
    click.echo(printable(f"Entry {done.entry}; to take it back: {back}"))
