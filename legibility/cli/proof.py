"""``legibility proof``."""

from __future__ import annotations

from pathlib import Path

import click

from legibility.cli import options
from legibility.cli.output import json_output
from legibility.report.proof import proof_lines, proof_page
from legibility.report.writing import write_text


@click.command()
@click.argument("card", type=options.ANY_PATH, metavar="CARD")
@click.option("--mark", required=True, metavar="MARK", help="The mark that is meant, e.g. AB/123.")
@options.rules_option
@options.registry_option
@click.option(
    "--learn",
    type=options.ANY_PATH,
    metavar="DIES.toml",
    help="Compare needle by needle with the dies in this file, and add those of a right card.",
)
@options.settings_option
@options.json_option
@options.html_option
@click.pass_context
def proof(
    ctx: click.Context,
    card: Path,
    mark: str,
    rules: Path | None,
    registry: Path | None,
    learn: Path | None,
    settings_file: Path | None,
    json_target: str | None,
    html_target: Path | None,
) -> None:
    """Compare the photo of a punched card with the mark that is meant.

    Punch a card before the ear: a wrong die is for life.

    \b
    Exit codes: 0 right; 20 a wrong die; 21 dies swapped; 22 a die upside down;
    23 a needle missing or bent; 24 cannot tell, photograph again; 25 another
    number of dies or rows than meant; 4 the photo shows no card.

    Needles are judged only in dies that an earlier card taught (--learn). A card of
    other dies is right with code 0, too, and the answer says in which of them a
    needle may be missing unseen (in JSON: needles_judged is false).

    With --registry the answer says, too, who carries the mark already and whether
    it is of a form that the registered marks have.
    """
    from legibility.photo.load import load_photo
    from legibility.pipeline.proof_file import proof_of_file, proof_record

    settings = options.settings_from(settings_file)
    result = proof_of_file(
        card, mark, rules=rules, registry=registry, dies=learn, settings=settings
    )
    record = proof_record(result)
    if html_target is not None:
        page = proof_page(record, load_photo(card, settings=settings).pixels)
        write_text(html_target, page)
    with json_output(json_target, resume=False) as (write, _):
        write(record)
    if json_target != "-":
        for line in proof_lines(record):
            click.echo(line)
    ctx.exit(result.proof.exit_code)
