"""Order, errors, lost workers and memory of a batch."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from legibility.batch import InlineExecutor, open_workers, run
from legibility.containers import Decision, PhotoResult, Status
from legibility.errors import ModelError
from tests.batch_readers import read_by_name, tell_process
from tests.example_results import identified_result


def names(results: Iterator[PhotoResult]) -> list[str]:
    return [result.photo for result in results]


@given(
    st.lists(st.sampled_from(["a", "broken", "bug", "b"]), max_size=12),
    st.integers(min_value=1, max_value=5),
)
@settings(max_examples=25, deadline=None)
def test_one_result_a_photo_in_order(kinds: list[str], look_ahead: int) -> None:
    paths = [Path(f"{index}-{kind}") for index, kind in enumerate(kinds)]
    with ThreadPoolExecutor(3) as pool:
        results = list(run(paths, pool, reader=read_by_name, look_ahead=look_ahead))
    assert [result.photo for result in results] == [str(path) for path in paths]
    for path, result in zip(paths, results, strict=True):
        failed = "broken" in path.name or "bug" in path.name
        assert (result.status is Status.ERROR) == failed


def test_a_slow_photo_does_not_lose_its_place() -> None:
    paths = [Path(name) for name in ("slow", "b", "c", "d")]
    with ThreadPoolExecutor(4) as pool:
        assert names(run(paths, pool, reader=read_by_name)) == ["slow", "b", "c", "d"]


def test_reasons_of_failures_are_one_line() -> None:
    broken, bug = run([Path("broken"), Path("bug")], InlineExecutor(), reader=read_by_name)
    assert broken.reasons == ("broken: the file is cut off; copy it again",)
    assert "unexpected ZeroDivisionError: line one line two" in bug.reasons[0]
    assert bug.identification.decision is Decision.UNREADABLE
    assert bug.reading.hypotheses == ()
    assert bug.grade is None


def test_paths_are_drawn_only_as_far_ahead_as_needed() -> None:
    drawn = 0

    def paths() -> Iterator[Path]:
        nonlocal drawn
        for index in range(1000):
            drawn += 1
            yield Path(str(index))

    with ThreadPoolExecutor(2) as pool:
        stream = run(paths(), pool, reader=read_by_name, look_ahead=7)
        for seen, _ in enumerate(stream, start=1):
            assert drawn <= seen + 7
            if seen == 50:
                break
        stream.close()  # type: ignore[attr-defined]
    assert drawn < 60


def test_a_missing_model_ends_the_run_instead_of_failing_every_photo() -> None:
    with pytest.raises(ModelError):
        list(run([Path("nomodel")], InlineExecutor(), reader=read_by_name))


@pytest.mark.parametrize("value", [0, -1])
def test_look_ahead_must_be_positive(value: int) -> None:
    with pytest.raises(ValueError, match="look_ahead"):
        list(run([], InlineExecutor(), reader=read_by_name, look_ahead=value))


def test_only_the_photo_that_kills_its_worker_is_lost() -> None:
    kinds = ["a", "b", "kills-1", "c", "slow", "kills-2", "d", "e", "f", "g"]
    with open_workers(n_photos=len(kinds), jobs=2) as workers:
        results = list(
            run(
                [Path(kind) for kind in kinds],
                workers.executor,
                reader=read_by_name,
                reopen=workers.reopen,
                look_ahead=4,
            )
        )
    assert [result.photo for result in results] == kinds
    failed = [result.photo for result in results if result.status is Status.ERROR]
    assert failed == ["kills-1", "kills-2"]
    assert "killed" in results[2].reasons[0]


def test_without_a_way_to_reopen_the_rest_is_reported_as_failed() -> None:
    with open_workers(n_photos=9, jobs=2) as workers:
        paths = [Path("kills"), *(Path(str(index)) for index in range(8))]
        results = list(run(paths, workers.executor, reader=read_by_name, look_ahead=3))
    assert len(results) == 9
    assert results[0].status is Status.ERROR
    assert results[-1].status is Status.ERROR


def test_workers_use_one_thread_and_are_other_processes() -> None:
    import os

    with open_workers(n_photos=8, jobs=2) as workers:
        results = list(run([Path(str(i)) for i in range(8)], workers.executor, reader=tell_process))
    processes = {result.photo.split()[0] for result in results}
    assert str(os.getpid()) not in processes
    assert {result.photo.split()[1] for result in results} == {"1"}


def test_a_few_photos_start_no_processes() -> None:
    with open_workers(n_photos=2, jobs=8) as workers:
        assert isinstance(workers.executor, InlineExecutor)
    with open_workers(n_photos=0) as workers:
        assert isinstance(workers.executor, InlineExecutor)


class CancellingExecutor(Executor):
    """Gives futures that somebody else has cancelled."""

    def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
        future: Future[Any] = Future()
        future.cancel()
        return future


def test_cancelled_work_is_reported() -> None:
    (result,) = run([Path("a")], CancellingExecutor(), reader=read_by_name)
    assert result.status is Status.ERROR
    assert "cancelled" in result.reasons[0]


def test_any_callable_is_a_reader() -> None:
    (result,) = run([Path("x")], InlineExecutor(), reader=lambda path: identified_result("y"))
    assert result.photo == "y"
