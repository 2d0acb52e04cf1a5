"""``legibility worklist``, ``plan`` and ``retention``: what the herd's record says to do."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import click

from legibility.cli import options
from legibility.cli.herd_options import herd_argument
from legibility.cli.output import json_output

costs_option = click.option(
    "--costs",
    type=options.ANY_PATH,
    metavar="FILE.toml",
    help="Your figures: costs by status, minutes and hands of each act, limits.",
)
today_option = click.option(
    "--today",
    type=click.DateTime(["%Y-%m-%d"]),
    metavar="YYYY-MM-DD",
    callback=lambda _ctx, _option, value: value.date() if value else None,
    help="Day to count from (default: today).",
)
cache_option = click.option(
    "--cache/--no-cache",
    default=True,
    help="Keep what was worked out in HERD.db.derived.npz, so that the next call is quick.",
)


@click.command("worklist")
@herd_argument
@click.option(
    "--limit",
    type=click.IntRange(min=1),
    default=20,
    show_default=True,
    metavar="N",
    help="So many animals of the list are shown.",
)
@click.option(
    "--days",
    type=click.FloatRange(min=0, min_open=True, max=1000),
    metavar="D",
    help="The list is as long as so many handling days can hold (default: 1, of 240 minutes at "
    "the chute; both stand in --costs).",
)
@costs_option
@today_option
@cache_option
@options.settings_option
@options.json_option
@options.csv_option
@options.html_option
def worklist(
    herd_file: Path,
    limit: int,
    days: float | None,
    costs: Path | None,
    today: date | None,
    cache: bool,
    settings_file: Path | None,
    json_target: str | None,
    csv_target: Path | None,
    html_target: Path | None,
) -> None:
    """Say which animals to re-identify first, why, how and by when.

    Ranked by the loss to be expected at the next handling: probability of being
    taken for another animal, or of not being known, times what that costs. Each
    animal shows the parts of its score and why it comes before the next one.
    """
    from legibility.cli import manage_screen
    from legibility.herd.handling import load_handling
    from legibility.pipeline.herd_ranking import rank_herd
    from legibility.pipeline.herd_worklist import worklist
    from legibility.store.database import open_herd

    handling, settings = load_handling(costs), options.settings_from(settings_file)
    with open_herd(herd_file) as db:
        manage_screen.say_if_long(db)
        found = rank_herd(db, handling=handling, settings=settings, today=today, keep=cache)
    record = worklist(found, limit, days=days).record()
    with json_output(json_target) as (write, _):
        write(record)
    manage_screen.show_worklist(record, json_target, csv_target, html_target)


@click.command("plan")
@herd_argument
@click.option(
    "--minutes", type=click.FloatRange(min=0), required=True, metavar="M", help="Of the day."
)
@click.option(
    "--hands", type=click.IntRange(min=1), default=2, show_default=True, help="People at work."
)
@click.option(
    "--chutes", type=click.IntRange(min=1), default=1, show_default=True, help="Animals at a time."
)
@click.option(
    "--transponders",
    type=click.IntRange(min=0),
    default=0,
    show_default=True,
    help="Transponders at hand.",
)
@click.option(
    "--sedations", type=click.IntRange(min=0), default=0, show_default=True, help="Sedation slots."
)
@click.option("--must", multiple=True, metavar="ID", help="Animal to be done in any case.")
@click.option(
    "--sedated",
    multiple=True,
    metavar="ID",
    help="Animal sedated for another reason: its mark is read then, in one of the slots.",
)
@costs_option
@today_option
@cache_option
@options.settings_option
@options.json_option
@options.html_option
def plan(
    herd_file: Path,
    minutes: float,
    hands: int,
    chutes: int,
    transponders: int,
    sedations: int,
    must: tuple[str, ...],
    sedated: tuple[str, ...],
    costs: Path | None,
    today: date | None,
    cache: bool,
    settings_file: Path | None,
    json_target: str | None,
    html_target: Path | None,
) -> None:
    """Choose what to do on one handling day.

    The best set of acts for the minutes, people, transponders and sedation
    slots, with the optimality gap, beside working down the worklist. --html
    writes the plan with a sheet to print for each animal.
    """
    from legibility.cli import manage_screen
    from legibility.herd.handling import load_handling
    from legibility.herd.planning import Day
    from legibility.pipeline.herd_plan import plan_day
    from legibility.pipeline.herd_ranking import rank_herd
    from legibility.store.database import open_herd

    handling, settings = load_handling(costs), options.settings_from(settings_file)
    day = Day(minutes, hands, chutes, transponders, sedations)
    with open_herd(herd_file) as db:
        manage_screen.say_if_long(db)
        ranking = rank_herd(db, handling=handling, settings=settings, today=today, keep=cache)
        found = plan_day(ranking, day, must=must, sedated=sedated)
        manage_screen.show_plan(db, found, settings, json_target, html_target)


@click.command("retention")
@herd_argument
@click.option(
    "--bootstrap",
    type=click.IntRange(min=0, max=10_000),
    default=200,
    show_default=True,
    metavar="N",
    help="Samples for the intervals of the curves.",
)
@costs_option
@cache_option
@options.settings_option
@options.json_option
@options.html_option
def retention(
    herd_file: Path,
    bootstrap: int,
    costs: Path | None,
    cache: bool,
    settings_file: Path | None,
    json_target: str | None,
    html_target: Path | None,
) -> None:
    """Report how well marks and transponders last, with counts and intervals.

    Share of marks usable by age, curve of loss, transponders answered, method
    against method on the same animals, reader against reader, times.
    """
    from legibility.cli import manage_screen
    from legibility.herd.handling import load_handling
    from legibility.pipeline import herd_retention
    from legibility.store.database import open_herd

    with open_herd(herd_file) as db:
        manage_screen.say_if_long(db)
        found = herd_retention.retention(
            db,
            usable_grade=load_handling(costs).usable_grade,
            settings=options.settings_from(settings_file),
            bootstrap=bootstrap,
            keep=cache,
        )
    manage_screen.show_retention(found.record(), json_target, html_target)


@click.command("history")
@herd_argument
@click.argument("animal_id", metavar="ANIMAL")
@costs_option
@options.json_option
def history(herd_file: Path, animal_id: str, costs: Path | None, json_target: str | None) -> None:
    """Show one animal's mark, sighting by sighting: grade, needles, usable or not."""
    from legibility.herd.handling import load_handling
    from legibility.pipeline.herd_history import mark_history
    from legibility.report.herd_list import history_text
    from legibility.store.database import open_herd

    limit = load_handling(costs).usable_grade
    with open_herd(herd_file) as db:
        found = mark_history(db, animal_id, usable_grade=limit).record()
    with json_output(json_target) as (write, _):
        write(found)
    if json_target != "-":
        click.echo(history_text(found), nl=False)
