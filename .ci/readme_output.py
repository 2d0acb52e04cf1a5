"""Runs the README's examples and writes what they print below them.

Usage: readme_output.py README.md

An example is an ``sh`` block of one ``legibility`` command, directly followed by a ``text`` block.
Run this after new networks or new fits, so that no figure in the README is older than the program.
"""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

EXAMPLE = re.compile(r"```sh\nlegibility ([^\n]*)\n```\n\n```text\n(.*?)```\n", re.DOTALL)


def printed(arguments: str, root: Path) -> str:
    """What the program prints, called in the repository's top folder."""
    done = subprocess.run(
        [sys.executable, "-m", "legibility", *shlex.split(arguments)],
        cwd=root,
        env={**os.environ, "COLUMNS": "80", "PYTHONPATH": str(root)},
        capture_output=True,
        text=True,
        check=True,
    )
    return "".join(line.rstrip() + "\n" for line in done.stdout.strip("\n").splitlines())


def main() -> None:
    path = Path(sys.argv[1]).resolve()
    text = path.read_text("utf-8")
    changed = EXAMPLE.sub(
        lambda found: (
            f"```sh\nlegibility {found[1]}\n```\n\n```text\n{printed(found[1], path.parent)}```\n"
        ),
        text,
    )
    path.write_text(changed, "utf-8")
    print(f"{path.name}: {len(EXAMPLE.findall(text))} examples")


if __name__ == "__main__":
    main()
