"""Calls that check the record, or enter finished work into it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, TypeVar

import click

from legibility.cli import options
from legibility.evidence.custody import Anchor

F = TypeVar("F", bound=Callable[..., Any])


def record_options(function: F) -> F:
    """``--record`` and ``--by``."""
    by = click.option("--by", default="", metavar="NAME", help="Who does this, for the record.")
    into = click.option(
        "--record",
        "record_file",
        type=options.ANY_PATH,
        metavar="HERD.db",
        help="Enter this into the chain of a herd's record.",
    )
    return into(by(function))


def enter(
    record_file: Path | None,
    *,
    by: str,
    what: str,
    inputs: Mapping[str, Any],
    outputs: Mapping[str, Any],
) -> None:
    """Enter finished work, where a record was named; says so on stderr."""
    if record_file is None:
        return
    from legibility.pipeline.custody import record_work

    head = record_work(record_file, what=what, who=by, inputs=inputs, outputs=outputs)
    click.echo(f"{record_file}: entry {head.entries}, sha256 {head.head}", err=True)


def head_only(herd_file: Path) -> Anchor:
    """The head of a record's chain."""
    from legibility.pipeline.custody import chain_head
    from legibility.store.database import open_herd

    with open_herd(herd_file, read_only=True) as db:
        return chain_head(db)


def verified(
    herd_file: Path, *, anchor_file: Path | None, export_head: Path | None
) -> dict[str, Any]:
    """Check a record, and write its head when that was asked for and the chain is sound."""
    from legibility.cli.herd_screen import progress_bar
    from legibility.evidence.custody import anchor_text, load_anchor
    from legibility.evidence.verification import verification_record
    from legibility.pipeline.custody import verify_herd
    from legibility.report.writing import write_text

    anchor = None if anchor_file is None else load_anchor(anchor_file)
    with progress_bar(0, "Comparing") as bar:
        found = verify_herd(herd_file, anchor=anchor, seen=bar.update)
    if export_head is not None:
        write_text(export_head, anchor_text(found.head))
    return verification_record(
        problems=found.problems,
        notices=found.notices,
        entries=found.entries,
        photos=found.photos,
        head=found.head,
        anchored=found.anchored,
    )
