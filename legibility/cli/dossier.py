"""``legibility dossier`` and ``legibility rerun``."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import click

from legibility.cli import options
from legibility.cli.custody_screen import record_options
from legibility.cli.output import json_output
from legibility.errors import EvidenceError


@click.command()
@click.argument("case", nargs=-1, required=True, type=options.ANY_PATH, metavar="CASE...")
@click.option(
    "--out",
    "page",
    required=True,
    type=options.ANY_PATH,
    metavar="FILE.html",
    help="The page; record (.json) and zip are written beside it.",
)
@click.option("--herd", type=options.ANY_PATH, metavar="HERD.db", help="Record that has the case.")
@click.option("--claim", "claims", multiple=True, metavar="ANIMAL|MARK", help="Give it twice.")
@click.option("--question", default="", metavar="TEXT", help="What is asked, in your words.")
@click.option("--authority", default="", metavar="NAME", help="Who decides.")
@click.option("--key", type=options.ANY_PATH, metavar="FILE.json", help="Key of blind readings.")
@click.option("--sheet", "sheets", multiple=True, type=options.ANY_PATH, metavar="FILE",
              help="A filled-in sheet of blind readings; once a reader.")  # fmt: skip
@click.option(
    "--different-ears", is_flag=True, help="Weigh the photos although they seem of different ears."
)
@options.registry_option
@options.columns_option
@options.rules_option
@options.settings_option
@record_options
@options.json_option
def dossier(
    case: tuple[Path, ...],
    page: Path,
    herd: Path | None,
    settings_file: Path | None,
    registry: Path | None,
    columns: Mapping[str, str],
    record_file: Path | None,
    json_target: str | None,
    **asked: object,
) -> None:
    """Document a case: decide nothing, leave out nothing, let it be checked.

    CASE is photos with two claims, or with --herd the number of a case as
    `legibility herd check` lists it, and photos to use instead of its own.
    Writes one page that opens offline and prints, the same as JSON, and a zip
    with originals, settings and registry extract for `legibility rerun`.
    """
    from legibility.cli.dossier_screen import asked_from, enter_dossier, gathered
    from legibility.pipeline.dossier import make_dossier

    settings = options.settings_from(settings_file)
    put, files = gathered(
        case,
        asked_from(asked),
        herd=herd,
        registry=registry,
        columns=columns,
        settings=settings,
    )
    done = make_dossier(put, files, page=page)
    with json_output(json_target) as (write, _):
        write(done.record)
    for path, digest in done.files.items():
        click.echo(f"{path}  sha256 {digest}", err=json_target == "-")
    enter_dossier(done, put, record_file=record_file, herd=herd)


@click.command()
@click.argument("case", type=options.ANY_PATH, metavar="CASE.zip")
@click.option(
    "--tolerance",
    type=click.FloatRange(min=0.0, max=1.0),
    default=1e-3,
    show_default=True,
    metavar="T",
    help="Allowed on another platform; on the same one the bits must be the same.",
)
@options.json_option
@click.pass_context
def rerun(ctx: click.Context, case: Path, tolerance: float, json_target: str | None) -> None:
    """Compute every figure of a dossier's zip again; name each that differs.

    The zip is not trusted: paths that lead outside, links and bombs are
    refused. Exit code 11 when a figure differs.
    """
    from legibility.pipeline import dossier
    from legibility.report.rerun_text import rerun_record, rerun_text

    done = dossier.rerun(case, tolerance=tolerance)
    record = rerun_record(
        figures=done.figures,
        differences=done.differences,
        same_platform=done.same_platform,
        tolerance=done.tolerance,
        changed_versions=done.changed_versions,
        pictures=done.pictures,
        words=done.words,
        page=done.page,
    )
    with json_output(json_target) as (write, _):
        write(record)
    if json_target != "-":
        click.echo(rerun_text(record), nl=False)
    ctx.exit(0 if record["reproduced"] else EvidenceError.exit_code)
