"""The command line: each command parses, makes one library call and renders."""

from __future__ import annotations

import sys

import click

from legibility import __version__
from legibility.cli.assign import assign
from legibility.cli.blind import blind
from legibility.cli.calibrate import calibrate
from legibility.cli.check import check
from legibility.cli.compare import compare
from legibility.cli.demo import demo
from legibility.cli.dossier import dossier, rerun
from legibility.cli.enhance import enhance
from legibility.cli.evaluate import evaluate
from legibility.cli.flags import flags
from legibility.cli.group import PlainErrorsGroup
from legibility.cli.herd import herd
from legibility.cli.manage import plan, retention, worklist
from legibility.cli.models import models
from legibility.cli.proof import proof
from legibility.cli.read import read
from legibility.cli.registry import registry
from legibility.cli.risk import risk
from legibility.cli.rules import rules
from legibility.cli.serve import serve
from legibility.cli.simulate import simulate
from legibility.cli.train import train
from legibility.cli.verify import verify
from legibility.workers import ending

COMMANDS = (
    check,
    flags,
    read,
    compare,
    blind,
    verify,
    dossier,
    rerun,
    calibrate,
    risk,
    assign,
    proof,
    registry,
    herd,
    worklist,
    plan,
    retention,
    serve,
    rules,
    enhance,
    demo,
    simulate,
    evaluate,
    train,
    models,
)


@click.group(
    cls=PlainErrorsGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 80},
)
@click.version_option(__version__, prog_name="legibility")
def cli() -> None:
    """Read the marks punched into animals' ears from photos.

    Start with `legibility demo`, or with `legibility read PHOTO`.

    \b
    Exit codes: 0 all went well; 2 the command was not understood; 4 a photo
    could not be used (the others were read); 5 registry; 6 settings or rules;
    7 output; 8 model; 9 an optional part is not installed; 10 the herd's record;
    11 claims, photos or sheets that cannot be compared.
    """


for command in COMMANDS:
    cli.add_command(command)


def main() -> None:
    """Entry point of the program ``legibility``."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            # A terminal that cannot show a character shows its escape instead of failing.
            stream.reconfigure(errors="backslashreplace")
    with ending():
        cli(prog_name="legibility")
