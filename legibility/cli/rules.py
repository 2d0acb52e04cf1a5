"""``legibility rules``."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import click

from legibility.cli.options import ANY_PATH, columns_option, json_option, rules_option
from legibility.cli.output import json_output
from legibility.cli.rules_screen import check_lines, letter_lines, profile_lines, rules_lines
from legibility.errors import RegistryError


@click.command()
@click.option("--list", "list_all", is_flag=True, help="List published rules and year letters.")
@click.option("--show", metavar="NAME", help="Print one of the published rules as a rules file.")
@click.option(
    "--check", "registry", type=ANY_PATH, metavar="FILE", help="Check each row of a registry."
)
@columns_option
@rules_option
@click.option("--mark", metavar="MARK", help="Is this mark allowed, and which years may it mean?")
@click.option("--letter", metavar="L", help="Which years a year letter may mean.")
@click.option("--table", default="", metavar="NAME", help="The registry that --letter belongs to.")
@json_option
@click.pass_context
def rules(
    ctx: click.Context,
    list_all: bool,
    show: str | None,
    registry: Path | None,
    columns: Mapping[str, str],
    rules: Path | None,
    mark: str | None,
    letter: str | None,
    table: str,
    json_target: str | None,
) -> None:
    """Show what marks may look like, and check a registry against it."""
    with json_output(json_target) as (write, _):
        if registry is not None:
            found = check_lines(registry, rules, columns)
        elif letter is not None:
            found = letter_lines(letter, table)
        elif rules is not None:
            found = rules_lines(rules, mark)
        elif mark is not None:
            raise click.UsageError("--mark needs --rules FILE.toml")
        else:
            found = profile_lines(None if list_all else show)
        for record in found.records:
            write(record)
        if json_target is None:
            click.echo(found.text, nl=False)
    ctx.exit(RegistryError.exit_code if found.bad else 0)
