"""What tests have workers do; a module, so that worker processes can import it."""

from __future__ import annotations

import hashlib
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

from legibility.workers import ONE_THREAD


def slow(item: int) -> int:
    """Every third takes longer."""
    time.sleep(0.05 if item % 3 == 0 else 0.0)
    return item * item


def divided(by: int) -> float:
    """Fails at 0."""
    return 1 / by


def pid() -> int:
    """Of the worker."""
    return os.getpid()


def dies_at(item: int) -> int:
    """Killed at 2, as for want of memory."""
    if item == 2:
        os.kill(os.getpid(), signal.SIGKILL)
    return item


def environment() -> tuple[int, dict[str, str | None]]:
    """Threads of OpenCV, and the variables of the others."""
    import cv2

    return cv2.getNumThreads(), {name: os.environ.get(name) for name in ONE_THREAD}


def cleared_away(folder: Path) -> None:
    """A file that is removed at the end, and a program that would run on."""
    temporary = folder / "temporary"
    try:
        temporary.write_text("half")
        program = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(600)"])
        write(folder / "program", program.pid)
        time.sleep(600)
    finally:
        temporary.unlink()


def forever_in_a_library(folder: Path) -> None:
    """A call that no handler of the interpreter interrupts."""
    write(folder / "worker", os.getpid())
    hashlib.pbkdf2_hmac("sha256", b"password", b"salt", 2**31 - 1)


def write(path: Path, process: int) -> None:
    """Write a process id, whole."""
    path.write_text(f"{process}\n")
