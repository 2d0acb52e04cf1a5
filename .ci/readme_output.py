"""Runs the README's examples and writes what they print below them.

Usage: readme_output.py README.md

An example is an ``sh`` block of ``legibility`` commands, directly followed by a ``text`` block with
what the last of them prints. Where that block ends with a line ``...`` it shows as many lines as
before; where it begins with one, it begins at the line that follows there, which has to be printed
unchanged. Commands run in an empty folder that has the sample photos.
Run this after new networks or new fits, so that no figure in the README is older than the program.
"""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
import tempfile
from pathlib import Path

EXAMPLE = re.compile(r"```sh\n((?:legibility [^\n]*\n)+)```\n\n```text\n(.*?)```\n", re.DOTALL)
CUT = "...\n"


def printed(commands: str, root: Path) -> str:
    """What the last of the commands prints."""
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "sample_images").symlink_to(root / "sample_images")
        for command in commands.splitlines():
            done = subprocess.run(
                [sys.executable, "-m", *shlex.split(command)],
                cwd=folder,
                env={**os.environ, "COLUMNS": "80", "PYTHONPATH": str(root)},
                capture_output=True,
                text=True,
                check=True,
            )
    return "".join(line.rstrip() + "\n" for line in done.stdout.strip("\n").splitlines())


def shown(text: str, before: str) -> str:
    """All of a text, or the part of it that was shown before."""
    lines, old = text.splitlines(keepends=True), before.splitlines(keepends=True)
    if old[0] == CUT:
        lines = [CUT, *lines[lines.index(old[1]) :]]
    if old[-1] == CUT:
        lines = [*lines[: len(old) - 1], CUT]
    return "".join(lines)


def main() -> None:
    path = Path(sys.argv[1]).resolve()
    text = path.read_text("utf-8")

    def renewed(found: re.Match[str]) -> str:
        output = shown(printed(found[1], path.parent), found[2])
        return f"```sh\n{found[1]}```\n\n```text\n{output}```\n"

    changed = EXAMPLE.sub(renewed, text)
    path.write_text(changed, "utf-8")
    print(f"{path.name}: {len(EXAMPLE.findall(text))} examples")


if __name__ == "__main__":
    main()
