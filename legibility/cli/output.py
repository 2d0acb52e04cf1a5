"""Where a command's results go: JSON lines, or text for people."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeAlias

import click

from legibility.batch import open_lines
from legibility.report.record import json_line

Write: TypeAlias = Callable[[Mapping[str, Any]], None]


@contextmanager
def json_output(
    target: str | None, *, resume: bool = False
) -> Iterator[tuple[Write, frozenset[str]]]:
    """Function that writes a record to where ``--json`` says, and the photos already there.

    Without a target the function does nothing.
    """
    if target is None:
        if resume:
            raise click.UsageError("--resume needs --json FILE, the output file to go on with")
        yield lambda record: None, frozenset()
    elif target == "-":
        if resume:
            raise click.UsageError(
                "--resume needs --json FILE; the output - cannot be gone on with"
            )
        yield lambda record: click.echo(json_line(record)), frozenset()
    else:
        with open_lines(Path(target), resume=resume) as lines:
            yield lines.write, lines.held


def write_json_lines(target: str, texts: Iterable[str]) -> None:
    """Write whole JSON lines, some at a time, to where ``--json`` says."""
    if target == "-":
        for text in texts:
            click.echo(text, nl=False)
        return
    with open_lines(Path(target)) as lines:
        for text in texts:
            lines.write_lines(text)
