"""Prints what a block of the README's section "Set up" runs once everything is installed.

Usage: readme_command.py README.md N     (N = 1: the demo, N = 2: the tests)

The block's steps that install things are left out, because the caller has done that.
"""

from __future__ import annotations

import re
import sys
from pathlib import Path

INSTALLING = re.compile(
    r"(sudo |\$\(command -v sudo\) |env |[A-Z_]+=\S+ )*"
    r"(apt-get|apt|git|cd|python3? -m venv|\.|source) "
    r"|(\S*/)?pip |\S*python3? -m pip |export |sudo "
)


def blocks(readme: str) -> list[str]:
    """The ``sh`` blocks of the section "Set up", in order."""
    section = re.search(r"^## Set up\n(.*?)(?=^## |\Z)", readme, flags=re.MULTILINE | re.DOTALL)
    if section is None:
        raise SystemExit('README: no section "## Set up"')
    return re.findall(r"^```sh\n(.*?)^```", section[1], flags=re.MULTILINE | re.DOTALL)


def commands(block: str) -> list[str]:
    """Steps of a block that install nothing, without the path of the virtual environment."""
    joined = block.replace("\\\n", " ")
    steps = [step.strip() for step in re.split(r"\n|&&", joined)]
    return [
        re.sub(r"^\S*\.venv/bin/", "", step)
        for step in steps
        if step and not step.startswith("#") and not INSTALLING.match(step)
    ]


def main() -> None:
    path, number = sys.argv[1], int(sys.argv[2])
    found = blocks(Path(path).read_text("utf-8"))
    if len(found) < number:
        raise SystemExit(f'{path}: {len(found)} sh blocks in "Set up", expected {number} or more')
    print(" && ".join(commands(found[number - 1])))


if __name__ == "__main__":
    main()
