"""Workers: who ends them, what they leave, how many threads they have; results in input order."""

from __future__ import annotations

import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import psutil
import pytest

from legibility.errors import LegibilityError
from legibility.in_order import in_order, mapped, told
from legibility.workers import GRACE_S, ONE_THREAD, WorkerPool
from tests.ended import OUTLIVE_S, PATIENCE_S, ROOT
from tests.worker_tasks import (
    cleared_away,
    dies_at,
    divided,
    environment,
    forever_in_a_library,
    pid,
    slow,
)


def test_results_come_in_input_order_whatever_the_chunk() -> None:
    expected = [slow(item) for item in range(11)]
    for jobs, chunk in ((1, 1), (2, 1), (2, 4)):
        assert list(mapped(slow, range(11), jobs=jobs, chunk=chunk)) == expected


def test_no_more_is_drawn_than_is_looked_ahead() -> None:
    drawn: list[int] = []
    items = (drawn.append(item) or item for item in range(100))
    with WorkerPool(2) as pool:
        results = in_order(pool, slow, items, look_ahead=5)
        for number, _ in enumerate(results, start=1):
            assert len(drawn) <= number + 5
            if number == 10:
                break
        results.close()  # type: ignore[attr-defined]
    assert len(drawn) < 20


def test_a_killed_worker_ends_mapped_work_in_one_line() -> None:
    with pytest.raises(LegibilityError, match=r"killed.*--jobs 1"):
        list(mapped(dies_at, [0, 1, 2, 3], jobs=2))


def test_only_what_ends_its_worker_is_lost() -> None:
    with WorkerPool(2) as pool:
        found = list(
            in_order(
                pool,
                dies_at,
                range(8),
                look_ahead=4,
                reopen=lambda: WorkerPool(2),
                failed=lambda item, error: -item,
            )
        )
    assert found == [0, 1, -2, 3, 4, 5, 6, 7]


def test_an_error_is_raised_as_it_was() -> None:
    with pytest.raises(ZeroDivisionError):
        list(mapped(divided, [1, 0], jobs=2))


def test_workers_have_one_thread_each() -> None:
    with WorkerPool(1) as pool:
        threads, variables = pool.submit(environment).result()
    assert threads == 1
    assert variables == dict.fromkeys(ONE_THREAD, "1")


def test_how_far_it_is_is_said() -> None:
    said: list[str] = []
    assert list(told(iter("abcde"), 5, "ears", every=2, say=said.append)) == list("abcde")
    assert [line.split(",")[0] for line in said] == ["2 of 5 ears", "4 of 5 ears", "5 of 5 ears"]
    assert said[-1].endswith("about 0.0 min left")


def test_work_is_left_as_by_an_error(tmp_path: Path) -> None:
    """Its temporary files are removed, and a program that it started ends with it."""
    pool = WorkerPool(1)
    pool.submit(cleared_away, tmp_path)
    told_pid = wait_for(tmp_path / "program")
    pool.shutdown(cancel_futures=True)
    assert not (tmp_path / "temporary").exists()
    assert not lives(told_pid)


def test_a_worker_within_a_library_ends_too(tmp_path: Path) -> None:
    pool = WorkerPool(1)
    pool.submit(forever_in_a_library, tmp_path)
    worker = wait_for(tmp_path / "worker")
    started = time.monotonic()
    pool.shutdown(cancel_futures=True)
    assert time.monotonic() - started >= GRACE_S - 1, "its end was not the system's alarm"
    assert not lives(worker)


def test_workers_survive_the_thread_that_asked_first() -> None:
    """Linux tells a process of the end of the thread that started it, not of the process."""
    pools: list[WorkerPool] = []
    asking = threading.Thread(target=lambda: pools.append(WorkerPool(1)))
    asking.start()
    asking.join()
    with pools[0] as pool:
        first = pool.submit(pid).result()
        time.sleep(0.2)
        assert pool.submit(pid).result() == first


@pytest.mark.skipif(sys.platform != "linux", reason="prctl is Linux's")
def test_a_stopped_parent_that_is_killed_takes_its_workers_along(tmp_path: Path) -> None:
    code = (
        "import sys; from pathlib import Path; from legibility.workers import WorkerPool\n"
        "from tests.worker_tasks import forever_in_a_library\n"
        "pool = WorkerPool(1)\n"
        "pool.submit(forever_in_a_library, Path(sys.argv[1])).result()\n"
    )
    parent = subprocess.Popen([sys.executable, "-c", code, str(tmp_path)], cwd=ROOT)
    worker = wait_for(tmp_path / "worker")
    parent.send_signal(signal.SIGSTOP)
    parent.kill()
    parent.wait()
    ended = time.monotonic()
    while lives(worker) and time.monotonic() < ended + OUTLIVE_S:
        time.sleep(0.02)
    assert not lives(worker)


def wait_for(path: Path) -> int:
    """A process id that another process writes."""
    until = time.monotonic() + PATIENCE_S
    while time.monotonic() < until:
        if path.exists() and (text := path.read_text()).endswith("\n"):
            return int(text)
        time.sleep(0.01)
    raise AssertionError(f"{path} was not written")


def lives(process: int) -> bool:
    """Whether it runs; one that ended and was not asked for its status does not."""
    try:
        return bool(psutil.Process(process).status() != psutil.STATUS_ZOMBIE)
    except psutil.NoSuchProcess:
        return False
