"""Options for what people say beside a photo: what is known of the animal, and readings by eye."""

from __future__ import annotations

import functools
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from legibility.cli import options
from legibility.containers import Given, Known
from legibility.settings import Settings

if TYPE_CHECKING:
    from legibility.identify.registry import Registry


def _years(ctx: click.Context, parameter: click.Parameter, text: str | None) -> tuple[int, int]:
    if text is None:
        return (0, 0)
    from legibility.pipeline.given import years_at_age, years_of

    try:
        by_age = parameter.name == "age"
        return years_at_age(text, now=date.today().year) if by_age else years_of(text)
    except ValueError as error:
        raise click.BadParameter(str(error), ctx, parameter) from error


_OPTIONS: Final = (
    click.option(
        "--present",
        type=options.ANY_PATH,
        metavar="FILE",
        help="Animals that are here: an animal_id a line, or a CSV file with that column.",
    ),
    click.option("--alive", is_flag=True, help="The animal is alive (column status)."),
    click.option("--sex", type=click.Choice(["male", "female"]), help="The animal's sex."),
    click.option(
        "--born", callback=_years, metavar="YEARS", help="Years of birth: 2019, 2017-2019 or 2017-."
    ),
    click.option(
        "--age", callback=_years, metavar="YEARS", help="Or age in full years today: 3, or 3-5."
    ),
    click.option(
        "--reading",
        "texts",
        multiple=True,
        metavar="TEXT",
        help='What a person reads: "K?17", or "K[8B]17" where it is one of several.',
    ),
    click.option(
        "--reader",
        "readers",
        multiple=True,
        metavar="NAME",
        help="Who reads; once a reading.",
    ),
    click.option(
        "--reliability",
        type=options.ANY_PATH,
        metavar="FILE.json",
        help="How reliable readers are, from legibility blind score.",
    ),
    click.option(
        "--explain",
        metavar="ANIMAL",
        default="",
        help="Say row by row why this animal (or not-registered) has its probability.",
    ),
)


_NAMES: Final = (
    "present",
    "alive",
    "sex",
    "born",
    "age",
    "texts",
    "readers",
    "reliability",
    "explain",
)


def given_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Adds the options and hands ``given``, a function of the settings, to the command."""

    @functools.wraps(command)
    def with_given(**values: Any) -> Any:
        asked = {name: values.pop(name) for name in _NAMES}
        if asked["born"] != (0, 0) and asked["age"] != (0, 0):
            raise click.UsageError("give --born or --age, not both")
        if asked["readers"] and not asked["texts"]:
            raise click.UsageError("--reader says who made a --reading; give that too")
        return command(**values, given=functools.partial(_given, asked))

    for add in reversed(_OPTIONS):
        with_given = add(with_given)
    return with_given


def _given(
    asked: dict[str, Any], settings: Settings, *, ear: str, registry: Registry | None
) -> Given:
    """What was said.

    Raises
    ------
    click.UsageError
        If a reading cannot be one.
    LegibilityError
        If a file cannot be used, or there is no registry.
    """
    if not any(asked[name] for name in _NAMES if name not in ("born", "age", "reliability")) and (
        asked["born"] == asked["age"] == (0, 0)
    ):
        return Given(Known(ear=ear))
    from legibility.pipeline.given import checked_given, eye_readings, known_animal

    present: Path | None = asked["present"]
    known = known_animal(
        present=present,
        alive=asked["alive"],
        sex=asked["sex"] or "",
        born=asked["born"] if asked["born"] != (0, 0) else asked["age"],
        ear=ear,
    )
    try:
        said = eye_readings(
            asked["texts"], asked["readers"], reliability=asked["reliability"], settings=settings
        )
    except ValueError as error:
        raise click.UsageError(str(error)) from error
    return checked_given(Given(known, said, asked["explain"]), registry)
