"""The program's processes: one kind of pool, and an orderly end for everybody.

A worker ends when its parent does, however that ended: the system signals it (Linux), and a pipe
that only the parent holds open is closed (everywhere). It then leaves its work as if an error had
been raised there, so that temporary files are removed, and is gone after ``GRACE_S`` at the latest.
"""

from __future__ import annotations

import contextlib
import ctypes
import multiprocessing
import os
import pickle
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future, ProcessPoolExecutor, ThreadPoolExecutor
from contextlib import contextmanager
from functools import lru_cache
from multiprocessing.connection import Connection
from pathlib import Path
from types import FrameType
from typing import Any, Final, NoReturn, TypeVar

GRACE_S: Final = 3
"""Choice: how long a worker may take to leave its work; below the 5 s it may outlive its parent."""
PR_SET_PDEATHSIG: Final = 1
"""Linux, prctl(2): the signal that a process gets when the thread that started it ends."""
PARENT: Final = "LEGIBILITY_PARENT"
"""Variable by which a process that starts knows that a pool of its parent started it."""
ONE_THREAD: Final = (
    "OMP_NUM_THREADS",
    "OMP_THREAD_LIMIT",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "OPENCV_FOR_THREADS_NUM",
)
"""Variables that numeric libraries (and programs that workers start) take their threads from."""

T = TypeVar("T")


class Ended(BaseException):
    """The process was told to end; raised wherever its main thread is."""


@contextmanager
def ending() -> Iterator[None]:
    """Within the block SIGTERM and SIGHUP end the process only after everything was cleared away.

    The process still ends by that signal, as whoever started it expects. A signal that is ignored
    (``nohup``) or handled already is left alone. Also a decorator.
    """
    told: list[int] = []

    def end(number: int, _: FrameType | None) -> None:
        # A terminal that is closed says it twice, and the second time nothing is cleared away yet.
        if not told:
            told.append(number)
            raise Ended

    signals = [getattr(signal, name) for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name)]
    if threading.current_thread() is not threading.main_thread():
        signals = []
    replaced = [one for one in signals if signal.getsignal(one) is signal.SIG_DFL]
    for one in replaced:
        signal.signal(one, end)
    try:
        yield
    except Ended:
        if not told:
            raise
        for stream in (sys.stdout, sys.stderr):
            with contextlib.suppress(OSError, ValueError):
                stream.flush()
        _end_children()
    finally:
        for one in replaced:
            signal.signal(one, signal.SIG_DFL)
        if told:
            os.kill(os.getpid(), told[0])


class InlineExecutor(Executor):
    """Runs each task at once in the calling process; the right choice for a handful of items."""

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Run ``fn`` now and return its finished future."""
        future: Future[Any] = Future()
        try:
            future.set_result(fn(*args, **kwargs))
        except Exception as error:
            future.set_exception(error)
        return future


def _nothing() -> None:
    """What a worker does first where nothing need be prepared."""


class WorkerPool(ProcessPoolExecutor):
    """Fresh interpreters of one thread each; forking a process that runs threads can hang.

    Interrupting and hanging up are the parent's business. As a context manager it waits for its
    work only if the block ended well.

    Parameters
    ----------
    jobs : int
        Processes; they start at once.
    prepare : callable
        What each does first; a function of a module, because it is pickled.
    """

    def __init__(self, jobs: int, prepare: Callable[[], None] = _nothing) -> None:
        context = multiprocessing.get_context("spawn")
        heard, self._held = context.Pipe(duplex=False)
        os.environ[PARENT] = str(os.getpid())
        # Pickled here, so that a worker listens before it imports what preparing needs.
        begin = (heard, pickle.dumps(prepare))
        super().__init__(jobs, mp_context=context, initializer=_begin, initargs=begin)
        for _ in range(jobs):
            # Processes start when something waits for them, not before.
            self.submit(os.getpid)

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Have a worker call ``fn``.

        Processes are started by one thread that lasts: the system's signal comes when the thread
        that started them ends, and an interruption of the main thread must not halve a start.
        """
        future: Future[Any] = _starter().submit(super().submit, _work, fn, *args, **kwargs).result()
        return future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """End the processes; with ``cancel_futures`` also in the middle of their work."""
        if cancel_futures:
            self._held.close()
        super().shutdown(wait=wait, cancel_futures=cancel_futures)

    def __exit__(self, kind: object, *_: object) -> None:
        """Wait for what is under way, or after an error end it."""
        self.shutdown(cancel_futures=kind is not None)


@lru_cache(maxsize=1)
def _starter() -> ThreadPoolExecutor:
    return ThreadPoolExecutor(1, thread_name_prefix="starts workers")


_state: dict[str, str] = {"is": "idle"}
"""Of a worker's main thread: "idle", "working" or "ending"."""


def end_with_parent() -> None:
    """In a worker: have the system end it with its parent, also before it is ready to listen.

    Called before anything large is imported, which takes seconds on a busy machine.
    """
    parent = os.environ.get(PARENT)
    if sys.platform != "linux" or parent is None:
        return
    if parent == str(os.getppid()):
        ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGTERM)
    if not Path("/proc", parent).exists():
        os._exit(1)


def _begin(heard: Connection, prepare: bytes) -> None:
    """Begin a worker: see to its end, then to its threads, then prepare."""
    for name in ("SIGINT", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    signal.signal(signal.SIGTERM, _told_to_end)
    threading.Thread(target=_end_with_parent, args=(heard,), daemon=True).start()
    os.environ.update(dict.fromkeys(ONE_THREAD, "1"))
    if "cv2" in sys.modules:
        sys.modules["cv2"].setNumThreads(1)
    pickle.loads(prepare)()


def _end_with_parent(heard: Connection) -> None:
    """Wait until the parent closes its end or is gone."""
    with contextlib.suppress(EOFError, OSError):
        heard.recv_bytes()
    if not hasattr(signal, "alarm"):
        os._exit(1)
    # Of the system, not of the interpreter: it also ends a call into a library.
    signal.alarm(GRACE_S)
    os.kill(os.getpid(), signal.SIGTERM)


def _told_to_end(*_: object) -> None:
    was, _state["is"] = _state["is"], "ending"
    if was == "ending":
        return
    if was == "idle":
        _leave()
    if hasattr(signal, "alarm"):
        signal.alarm(GRACE_S)
    raise Ended


def _work(fn: Callable[..., T], /, *args: Any, **kwargs: Any) -> T:
    """Call ``fn`` in a worker, such that it can be left."""
    try:
        _state["is"] = "working"
        try:
            return fn(*args, **kwargs)
        finally:
            if _state["is"] == "ending":
                _leave()
            _state["is"] = "idle"
    except Ended:
        _leave()


def _leave() -> NoReturn:
    _end_children()
    os._exit(128 + signal.SIGTERM)


def _end_children() -> None:
    """End programs that this process started and left alone; where the system lists them."""
    for listed in Path("/proc/self/task").glob("*/children"):
        with contextlib.suppress(OSError):
            for child in listed.read_text().split():
                os.kill(int(child), signal.SIGKILL)


def usable_cores() -> int:
    """Cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
