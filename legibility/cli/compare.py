"""``legibility compare``."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import click

from legibility.cli import options
from legibility.cli.custody_screen import enter, record_options
from legibility.cli.output import json_output


@click.command()
@options.photos_argument
@click.option(
    "--claim",
    "claims",
    multiple=True,
    required=True,
    metavar="ANIMAL|MARK",
    help="One of the two claims; give the option twice.",
)
@options.registry_option
@options.columns_option
@options.rules_option
@options.settings_option
@options.json_option
@click.option(
    "--html",
    "page",
    type=options.ANY_PATH,
    metavar="FILE.html",
    help="Also write a page with the needles of both claims over the ink.",
)
@click.option(
    "--different-ears",
    is_flag=True,
    help="Weigh the photos together although they seem to be of different ears.",
)
@record_options
def compare(
    photos: tuple[Path, ...],
    claims: tuple[str, ...],
    registry: Path | None,
    columns: Mapping[str, str],
    rules: Path | None,
    settings_file: Path | None,
    json_target: str | None,
    page: Path | None,
    different_ears: bool,
    record_file: Path | None,
    by: str,
) -> None:
    """Weigh two claims about the ear in some photos.

    Says how much more probable the photos are if one claim is true than if the
    other is, which characters and needles make the difference, how sure that
    is, and how good such ratios were on disputes whose truth is known.
    """
    if len(claims) != 2:
        raise click.UsageError(f"--claim was given {len(claims)} times; give it twice")
    from legibility.batch.finding import photos_in
    from legibility.evidence.comparison_record import comparison_entry, comparison_record
    from legibility.pipeline.compare import compare_files
    from legibility.report.comparison_page import PhotoPictures, write_comparison_page
    from legibility.report.comparison_text import comparison_text

    result, pictures = compare_files(
        photos_in(photos),
        (claims[0], claims[1]),
        registry=registry,
        columns=columns,
        rules=rules,
        settings=options.settings_from(settings_file),
        allow_different_ears=different_ears,
    )
    record = comparison_record(result)
    with json_output(json_target) as (write, _):
        write(record)
    if json_target != "-":
        click.echo(comparison_text(record), nl=False)
    inputs, outputs = comparison_entry(record)
    if page is not None:
        shown = [PhotoPictures(p.pixels, p.rows, p.steps, p.row_steps) for p in pictures]
        outputs["page_sha256"] = write_comparison_page(page, record, shown)
    enter(record_file, by=by, what="compare", inputs=inputs, outputs=outputs)
