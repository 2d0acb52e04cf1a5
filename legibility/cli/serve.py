"""``legibility serve``."""

from __future__ import annotations

from pathlib import Path

import click

from legibility.cli import options
from legibility.cli.herd_options import herd_argument, test_option
from legibility.cli.manage import costs_option


@click.command()
@herd_argument
@click.option("--lan", is_flag=True, help="Let other devices on this network in (after pairing).")
@click.option(
    "--port",
    type=click.IntRange(1, 65535),
    default=8321,
    show_default=True,
    metavar="N",
    help="Port to listen on.",
)
@click.option("--host-name", "names", multiple=True, metavar="NAME", help="Another name it has.")
@click.option("--cert", type=options.ANY_PATH, metavar="FILE.pem", help="Certificate for TLS.")
@click.option("--key", type=options.ANY_PATH, metavar="FILE.pem", help="Its key.")
@click.option("--tls", is_flag=True, help="TLS with a certificate made here by openssl.")
@click.option("--eyes-first", is_flag=True, help="Ask what eyes read before the answer is shown.")
@costs_option
@options.rules_option
@options.settings_option
@options.jobs_option
@test_option
def serve(
    herd_file: Path,
    lan: bool,
    port: int,
    names: tuple[str, ...],
    cert: Path | None,
    key: Path | None,
    tls: bool,
    eyes_first: bool,
    costs: Path | None,
    rules: Path | None,
    settings_file: Path | None,
    jobs: int,
    test_numbers: bool,
) -> None:
    """Serve the pages for chute and office from a herd's record.

    Only this computer can open it, unless --lan is given. A device is let in
    once it has given the pairing code that is printed here.
    """
    if (cert is None) != (key is None):
        raise click.UsageError("--cert and --key go together")
    from legibility.web.starting import serve_herd

    serve_herd(
        herd_file,
        say=click.echo,
        lan=lan,
        port=port,
        names=names,
        certificate=(cert, key) if cert and key else None,
        own_certificate=tls,
        eyes_first=eyes_first,
        settings=options.settings_from(settings_file),
        jobs=jobs,
        test_numbers=test_numbers,
        costs=costs,
        rules=rules,
    )
