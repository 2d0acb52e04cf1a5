"""Programs that are really ended while their workers work, and what is left of them.

``python -m tests.ended`` ends each kind of work by each signal and prints what outlived it.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import psutil

ROOT = Path(__file__).parents[1]
SAMPLES = ROOT / "sample_images"
OUTLIVE_S = 5.0
"""Contract: how long a process may outlive the one that started it."""
PATIENCE_S = 300.0
"""Choice: how long is waited for anything else, on a busy machine."""
WORKERS = 2


@dataclass(frozen=True)
class Work:
    """A command that starts workers."""

    arguments: tuple[str, ...]
    is_on: Callable[[], bool] = lambda: True
    """Whether it is amid its work, as far as its files show."""
    files: Path = Path()
    """Folder of everything it may write."""


@dataclass
class Running:
    """A program in a session of its own, and every process that it started."""

    work: Work
    process: subprocess.Popen[bytes]
    temporary: Path
    seen: set[psutil.Process] = field(default_factory=set)

    @classmethod
    def start(cls, work: Work, temporary: Path) -> Running:
        """Start it; temporary files go to a folder of their own."""
        temporary.mkdir()
        path = os.pathsep.join(filter(None, (str(ROOT), os.environ.get("PYTHONPATH"))))
        with (
            (temporary.parent / "said").open("wb") as said,
            (temporary.parent / "errors").open("wb") as errors,
        ):
            process = subprocess.Popen(
                [sys.executable, "-m", *work.arguments],
                stdin=subprocess.DEVNULL,
                stdout=said,
                stderr=errors,
                env={**os.environ, "PYTHONPATH": path, "TMPDIR": str(temporary)},
                start_new_session=True,
            )
        return cls(work, process, temporary)

    def wait_for_workers(self) -> None:
        """Until all workers are there and the work is on."""
        until = time.monotonic() + PATIENCE_S
        while time.monotonic() < until:
            assert self.process.poll() is None, (self.temporary.parent / "errors").read_text()
            if len(self.workers()) >= WORKERS and self.work.is_on():
                return
            time.sleep(0.02)
        raise AssertionError("no workers came")

    def workers(self) -> list[psutil.Process]:
        """Processes of the pool that are there now; all descendants are remembered."""
        try:
            below = psutil.Process(self.process.pid).children(recursive=True)
        except psutil.NoSuchProcess:
            return []
        self.seen.update(below)
        return [one for one in below if "spawn_main" in " ".join(_command(one))]

    def end(self, how: signal.Signals) -> int:
        """Send the signal to the program alone; its exit status."""
        self.workers()
        self.process.send_signal(how)
        return self.process.wait(timeout=PATIENCE_S)

    def left(self, seconds: float = OUTLIVE_S) -> list[psutil.Process]:
        """Processes of it that are there so long after its end."""
        until = time.monotonic() + seconds
        while (there := self._there()) and time.monotonic() < until:
            time.sleep(0.02)
        return there

    def _there(self) -> list[psutil.Process]:
        session = [one for one in psutil.process_iter() if _session(one.pid) == self.process.pid]
        return [one for one in {*self.seen, *session} if _lives(one)]

    def kill(self) -> None:
        """Leave nothing behind, whatever the test found."""
        for one in self._there():
            one.kill()
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()


def _command(process: psutil.Process) -> list[str]:
    try:
        return list(process.cmdline())
    except psutil.Error:
        return []


def _session(pid: int) -> int:
    try:
        return os.getsid(pid)
    except OSError:
        return -1


def _lives(process: psutil.Process) -> bool:
    try:
        return process.is_running() and process.status() != psutil.STATUS_ZOMBIE
    except psutil.NoSuchProcess:
        return False


def photos(folder: Path, number: int, width: int = 640) -> Path:
    """A folder of small photos, each other bytes than the next."""
    folder.mkdir()
    whole = cv2.imread(str(SAMPLES / "as-new.jpg"))
    assert whole is not None
    small = cv2.resize(whole, (width, width * whole.shape[0] // whole.shape[1]))
    for index in range(number):
        small[0, 0] = index % 256
        cv2.imwrite(str(folder / f"ear-{index:03d}.png"), small)
    return folder


def reading(folder: Path) -> Work:
    """``legibility read`` of a folder, two lines written."""
    out = folder / "out"
    out.mkdir()
    arguments = ("--jobs", str(WORKERS), "--json", f"{out}/read.jsonl", "--save-steps", f"{out}/s")
    part = out / "read.jsonl.part"
    return Work(
        ("legibility", "read", str(photos(folder / "photos", 60)), *arguments),
        lambda: part.exists() and part.read_bytes().count(b"\n") >= 2,
        out,
    )


def importing(folder: Path) -> Work:
    """``legibility herd import-photos``, two photos in the record."""
    out = folder / "out"
    out.mkdir()
    herd = out / "herd.db"
    for arguments in (
        ("new", str(herd)),
        ("import-registry", str(herd), str(SAMPLES / "registry.csv")),
    ):
        subprocess.run(
            [sys.executable, "-m", "legibility", "herd", *arguments],
            cwd=ROOT,
            check=True,
            capture_output=True,
        )
    lines = out / "read.jsonl.part"
    return Work(
        (
            *("legibility", "herd", "import-photos", str(herd), str(photos(folder / "p", 60))),
            *("--copy", "--jobs", str(WORKERS), "--json", f"{out}/read.jsonl"),
        ),
        lambda: lines.exists() and lines.read_bytes().count(b"\n") >= 2,
        out,
    )


def risk(folder: Path, animals: int = 150_000) -> Work:
    """``legibility risk`` of so many animals that several processes are worth it."""
    out = folder / "out"
    out.mkdir()
    listed = folder / "registry.csv"
    letters = "ABCDEFGHJKLMNPRSTUVWXY"
    with listed.open("w") as file:
        file.write("animal_id,mark\n")
        for index in range(animals):
            head, tail = divmod(index, 10_000)
            file.write(f"G{index},{letters[head % 22]}{letters[head // 22]}{tail:04d}\n")
    return Work(
        (
            *("legibility", "risk", str(listed), "--jobs", str(WORKERS)),
            *("--json", f"{out}/risk.jsonl", "--csv", f"{out}/risk.csv"),
        ),
        files=out,
    )


def evaluating(folder: Path) -> Work:
    """``legibility evaluate``."""
    out = folder / "out"
    out.mkdir()
    return Work(
        ("legibility", "evaluate", "--count", "400", "--jobs", str(WORKERS), "--out", str(out)),
        files=out,
    )


def study(folder: Path) -> Work:
    """A study that is a program of its own."""
    out = folder / "out"
    out.mkdir()
    options = ("--photos", "400", "--jobs", str(WORKERS), "--out", f"{out}/ratios.json")
    return Work(("legibility.evaluate.disputes", *options), files=out)


KINDS: dict[str, Callable[[Path], Work]] = {
    "read": reading,
    "import-photos": importing,
    "risk": risk,
    "evaluate": evaluating,
    "study": study,
}
SIGNALS = (signal.SIGTERM, signal.SIGHUP, signal.SIGINT, signal.SIGKILL)


def main(kinds: Sequence[str]) -> None:
    """End each kind of work by each signal; print how many left processes, and how many."""
    ended = outlived = processes = 0
    for kind in kinds or KINDS:
        for how in SIGNALS:
            folder = Path(tempfile.mkdtemp(prefix="ended-"))
            running = Running.start(KINDS[kind](folder), folder / "temporary")
            try:
                running.wait_for_workers()
                started = time.monotonic()
                status = running.end(how)
                took = time.monotonic() - started
                left = running.left()
                files = sorted(path.name for path in running.temporary.iterdir())
            finally:
                running.kill()
            shutil.rmtree(folder)
            ended, outlived = ended + 1, outlived + bool(left)
            processes += len(left)
            print(
                f"{kind} {how.name}: status {status} after {took:.1f} s, {len(left)} processes "
                f"after {OUTLIVE_S:.0f} s, temporary files {files}",
                flush=True,
            )
    print(f"{outlived} of {ended} ends left processes behind, {processes} in all")


if __name__ == "__main__":
    main(sys.argv[1:])
