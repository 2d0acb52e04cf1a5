"""Long computations of the office: one after another in a process of their own, kept as files."""

from __future__ import annotations

import hashlib
import json
import os
import secrets
import shutil
import threading
import time
from collections.abc import Callable, Mapping
from concurrent.futures import Executor, Future
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from legibility import __version__
from legibility.errors import LegibilityError, StoreError
from legibility.settings import Settings
from legibility.web.journal import log
from legibility.web.keeping import is_client_id, read_json, write_json
from legibility.workers import WorkerPool

ASKED_FILE: Final = "asked.json"
DONE_FILE: Final = "done.json"
FAILED_FILE: Final = "failed.json"
BODY_FILE: Final = "body.html"
KEPT: Final = 60
"""Choice: pages that can be computed again are kept so long as no more than these were asked for
after them."""
MOST_WAITING: Final = 20
"""Choice: computations that wait or run; above it a person is asked to come again."""
NICENESS: Final = 10
"""Choice: photos at the chute go before the office."""


@dataclass(frozen=True, slots=True)
class Task:
    """What a process is asked to do; pickles to a few bytes."""

    kind: str
    herd: Path
    out: Path
    settings: Settings
    asked: Mapping[str, Any] = field(default_factory=dict)
    who: str = ""
    costs: Path | None = None
    """File of the herd's own figures of handling."""
    rules: Path | None = None
    """File of the herd's rules of marks."""


@dataclass(frozen=True, slots=True)
class TaskState:
    """What became of a task."""

    task_id: str
    kind: str
    asked: Mapping[str, Any]
    who: str
    at: float
    """Seconds since 1970."""
    state: str
    """``waiting``, ``done``, ``failed`` or ``stopped`` (with the server, before it was done)."""
    said: Mapping[str, Any] = field(default_factory=dict)
    """When done: what the page around the result needs."""
    error: str = ""
    again: bool = False
    """Whether it can be computed again at any time, because nobody started it by hand."""


class TooManyTasksError(LegibilityError):
    """More computations wait than the office takes on."""


Run = Callable[[Task], dict[str, Any]]


def gentle_pool() -> WorkerPool:
    """One process of low priority: the chute's photos are read in others and go first."""
    return WorkerPool(1, _give_way)


def _give_way() -> None:
    if hasattr(os, "nice"):
        os.nice(NICENESS)


class OfficeTasks:
    """Tasks of one server, each with a folder under its id."""

    def __init__(
        self,
        folder: Path,
        *,
        herd: Path,
        settings: Settings,
        run: Run,
        open_pool: Callable[[], Executor] = gentle_pool,
        costs: Path | None = None,
        rules: Path | None = None,
    ) -> None:
        self._folder = folder
        self._herd = herd
        self._settings = settings
        self._run = run
        self._open_pool = open_pool
        self._files = (costs, rules)
        self._pool: Executor | None = None
        self._lock = threading.RLock()
        self._running: dict[str, threading.Event] = {}
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)

    def folder_of(self, task_id: str) -> Path:
        """Where the files of a task are."""
        return self._folder / task_id

    def page(self, kind: str, asked: Mapping[str, Any], *, stamp: str) -> TaskState:
        """Something that depends on what is asked and on the record's state alone.

        Asked again while the record is the same, it is the same task.

        Parameters
        ----------
        stamp : str
            State of the record, such as the hash of its last entry.
        """
        digests = [_digest(path) for path in self._files]
        made_with = [stamp, __version__, self._settings.sha256, *digests]
        text = json.dumps([kind, dict(asked), made_with])
        task_id = hashlib.sha256(text.encode()).hexdigest()[:32]
        with self._lock:
            known = self.find(task_id)
            if known is None or known.state == "stopped":
                self._tidy()
                self._start(task_id, kind, asked, who="", again=True)
        found = self.find(task_id)
        if found is None:
            raise StoreError(f"{self.folder_of(task_id)}: was removed while the server runs")
        return found

    def start(
        self,
        kind: str,
        asked: Mapping[str, Any],
        *,
        who: str,
        given: Mapping[str, Path] | None = None,
    ) -> str:
        """Something that is done once, when a person says so; gives its id.

        Parameters
        ----------
        given : mapping of str to Path, optional
            Files that are moved into the folder of the task, by the names they have there.

        Raises
        ------
        TooManyTasksError
            If too many wait.
        """
        task_id = secrets.token_hex(16)
        with self._lock:
            self._start(task_id, kind, asked, who=who, again=False, given=given)
        return task_id

    def wait(self, task_id: str, seconds: float) -> None:
        """Give a task a moment to be done."""
        ended = self._running.get(task_id)
        if ended is not None:
            ended.wait(seconds)

    def before(self, task_id: str) -> int:
        """How many others are done before a task that waits."""
        waiting = list(self._running)
        return waiting.index(task_id) if task_id in waiting else 0

    def find(self, task_id: str) -> TaskState | None:
        """What became of a task; None when there is none such."""
        if not is_client_id(task_id):
            return None
        folder = self.folder_of(task_id)
        kept = read_json(folder / ASKED_FILE)
        if kept is None:
            return None
        # Looked at first: a task that ends meanwhile has its file before it runs no more.
        without_file = "waiting" if task_id in self._running else "stopped"
        done, failed = read_json(folder / DONE_FILE), read_json(folder / FAILED_FILE)
        state = "done" if done is not None else "failed" if failed is not None else without_file
        return TaskState(
            task_id,
            kept["kind"],
            kept["asked"],
            kept["who"],
            kept["at"],
            state,
            said=done or {},
            error=failed["error"] if failed is not None else "",
            again=kept["again"],
        )

    def all(self) -> list[TaskState]:
        """What persons started, newest first."""
        return [found for found in self._every() if not found.again]

    def close(self) -> None:
        """Stop; what was not done is said to be."""
        with self._lock:
            if self._pool is not None:
                self._pool.shutdown(wait=False, cancel_futures=True)
            self._running.clear()

    def _every(self) -> list[TaskState]:
        found = [self.find(path.name) for path in self._folder.iterdir()]
        return sorted((f for f in found if f is not None), key=lambda f: (-f.at, f.task_id))

    def _start(
        self,
        task_id: str,
        kind: str,
        asked: Mapping[str, Any],
        *,
        who: str,
        again: bool,
        given: Mapping[str, Path] | None = None,
    ) -> None:
        if len(self._running) >= MOST_WAITING:
            raise TooManyTasksError("many computations wait; try again in a moment")
        folder = self.folder_of(task_id)
        folder.mkdir(mode=0o700, exist_ok=True)
        for name, file in (given or {}).items():
            os.replace(file, folder / name)
        kept = {"kind": kind, "asked": dict(asked), "who": who, "at": time.time(), "again": again}
        write_json(folder / ASKED_FILE, kept)
        task = Task(kind, self._herd, folder, self._settings, dict(asked), who, *self._files)
        ended = self._running[task_id] = threading.Event()
        try:
            future = self._submit(task)
        except RuntimeError as error:
            self._running.pop(task_id, None)
            raise StoreError("the server is being stopped; ask again when it runs") from error
        future.add_done_callback(lambda done: self._done(task_id, done, ended))

    def _submit(self, task: Task) -> Future[dict[str, Any]]:
        if self._pool is None:
            self._pool = self._open_pool()
        try:
            return self._pool.submit(self._run, task)
        except BrokenProcessPool:
            self._pool = self._open_pool()
            return self._pool.submit(self._run, task)

    def _done(self, task_id: str, done: Future[dict[str, Any]], ended: threading.Event) -> None:
        if done.cancelled():
            return
        error = done.exception()
        folder = self.folder_of(task_id)
        if error is None:
            write_json(folder / DONE_FILE, done.result())
        else:
            if not isinstance(error, LegibilityError):
                log("office task failed", level=40, error=type(error).__name__)
            said = (
                str(error)
                if isinstance(error, LegibilityError)
                else "This could not be computed; the server's log says what went wrong."
            )
            write_json(folder / FAILED_FILE, {"error": said})
        self._running.pop(task_id, None)
        ended.set()

    def _tidy(self) -> None:
        """Drop pages that can be computed again, the oldest first."""
        again = [found for found in self._every() if found.again and found.state != "waiting"]
        for old in again[KEPT - 1 :]:
            shutil.rmtree(self.folder_of(old.task_id), ignore_errors=True)


def _digest(path: Path | None) -> str:
    try:
        return "" if path is None else hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return "not there"
