"""``legibility registry``."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import click

from legibility.cli.herd_options import test_option
from legibility.cli.options import ANY_PATH, columns_option, json_option, rules_option
from legibility.cli.output import json_output
from legibility.errors import RegistryError


@click.command()
@click.argument("registry", type=ANY_PATH, metavar="FILE")
@columns_option
@rules_option
@click.option(
    "--save",
    "save_target",
    type=ANY_PATH,
    metavar="RULES.toml",
    help="Write what was understood, and into a new file the forms of the marks, as a rules file "
    "for --rules of every command.",
)
@test_option
@json_option
@click.pass_context
def registry(
    ctx: click.Context,
    registry: Path,
    columns: Mapping[str, str],
    rules: Path | None,
    save_target: Path | None,
    test_numbers: bool,
    json_target: str | None,
) -> None:
    """Show what is understood of a registry, and what would be refused.

    FILE is CSV with any separator and encoding, or XLSX, with headings in any
    usual words. A column that cannot be told safely is asked about: say it with
    --columns. The forms that the marks have are learned and used wherever no --rules
    are given. Exit code 5 when something is asked or would be refused.
    """
    from legibility.identify.rules import load_rules
    from legibility.marks.rules_file import with_columns
    from legibility.pipeline.registry_look import look_at_registry
    from legibility.report.registry import forms_text, registry_text, saved_text
    from legibility.report.writing import write_text

    known = None if rules is None else load_rules(rules)
    look = look_at_registry(registry, rules=known, columns=columns, allow_test=test_numbers)
    record = look.record()
    with json_output(json_target) as (write, _):
        write(record)
    if json_target != "-":
        click.echo(registry_text(record, parts=[forms_text(look.learned)]), nl=False)
    if save_target is not None:
        if look.found.questions:
            raise RegistryError(f"{look.name}: nothing was saved: the columns are not clear yet")
        learned = None if save_target.exists() else look.learned
        new = "" if learned is None else learned.toml()
        write_text(save_target, with_columns(save_target, look.found.in_words(), new=new))
        said = saved_text(learned)
        click.echo(f"{save_target}: {said}", err=json_target == "-")
    ctx.exit(0 if look.is_good else RegistryError.exit_code)
