"""Arguments and options that the commands of ``legibility herd`` share."""

from __future__ import annotations

import click

from legibility.cli import options

herd_argument = click.argument("herd_file", type=options.ANY_PATH, metavar="HERD.db")
who_option = click.option("--who", default="", metavar="NAME", help="Who does this.")
test_option = click.option(
    "--test-numbers",
    is_flag=True,
    help="Take transponder numbers of the test range (999...) for identities.",
)
order_option = click.option(
    "--hex-order",
    type=click.Choice(["animal-first", "animal-last", "bytes-reversed"]),
    callback=lambda _ctx, _option, value: value or "",
    help="How the reader writes hexadecimal numbers (default: told by their structure).",
)
