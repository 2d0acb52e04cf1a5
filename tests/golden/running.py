"""Commands as a user gives them, run in this process, with all that they print and write."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from click.testing import CliRunner, Result

from legibility.cli import cli

from .wording import Wording

ROOT = Path(__file__).parents[2]


def run(*arguments: str) -> Result:
    """One command; an error that is no message to the user is raised."""
    done = CliRunner().invoke(cli, list(arguments), prog_name="legibility")
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    return done


def said(*arguments: str) -> str:
    """What a command that goes well prints."""
    done = run(*arguments)
    if done.exit_code != 0:
        raise RuntimeError(f"{arguments}: {done.output[:500]}")
    return done.output


def _state(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def everything_said(arguments: Iterable[str], wording: Wording) -> str:
    """Exit code, both streams, and the files that a command wrote or changed."""
    words = list(arguments)
    before = _state(wording.folder)
    done = run(*words)
    shown = [f"$ legibility {' '.join(words)}", f"exit code {done.exit_code}", "", done.stdout]
    if done.stderr:
        shown += ["--- standard error", done.stderr]
    for name, data in _state(wording.folder).items():
        if before.get(name) != data:
            shown += [f"--- file {wording.text(name)}", wording.file(name, data)]
    return wording.text("\n".join(shown).rstrip("\n")) + "\n"
