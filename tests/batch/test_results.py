"""From files and folders to results, also on a cluster."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from legibility.batch import open_results, without_details
from legibility.errors import LegibilityError, MissingExtraError, PhotoError
from tests.batch_readers import read_by_name
from tests.example_results import ambiguous_result


def folder_with(tmp_path: Path, *names: str) -> Path:
    for name in names:
        (tmp_path / name).write_bytes(b"")
    return tmp_path


def test_a_folder_is_read_in_natural_order(tmp_path: Path) -> None:
    folder = folder_with(tmp_path, "ear10.jpg", "ear2.jpg", "ear1.jpg", "notes.txt")
    with open_results([folder], reader=read_by_name) as results:
        assert results.n_photos == 3
        assert [Path(r.photo).name for r in results.stream] == ["ear1.jpg", "ear2.jpg", "ear10.jpg"]


def test_photos_that_are_done_are_skipped(tmp_path: Path) -> None:
    folder = folder_with(tmp_path, "a.jpg", "b.jpg")
    skip = {str(tmp_path / "a.jpg")}
    with open_results([folder], reader=read_by_name, skip=skip) as results:
        assert (results.n_photos, results.n_skipped) == (1, 1)
        assert [Path(r.photo).name for r in results.stream] == ["b.jpg"]


def test_a_photo_given_twice_gives_two_results(tmp_path: Path) -> None:
    folder_with(tmp_path, "a.jpg")
    twice = [tmp_path / "a.jpg", tmp_path / "a.jpg"]
    with open_results(twice, reader=read_by_name) as results:
        assert len(list(results.stream)) == 2


def test_an_empty_folder_is_one_clear_error(tmp_path: Path) -> None:
    with (
        pytest.raises(PhotoError, match="no photo found"),
        open_results([tmp_path], reader=read_by_name),
    ):
        pass


def test_thousands_of_results_can_be_kept() -> None:
    result = ambiguous_result()
    many = result.reading.hypotheses * 20
    kept = without_details(
        type(result)(
            **{
                name: getattr(result, name)
                for name in result.__dataclass_fields__
                if name != "reading"
            },
            reading=type(result.reading)(many, 0.0),
        )
    )
    assert len(kept.reading.hypotheses) == 1
    assert kept.identification == result.identification


# Dask closes its sockets and threads late, which pytest sees as warnings of the test that runs
# at that moment; they are no warnings about this package.
@pytest.mark.usefixtures("closed_late")
@pytest.mark.filterwarnings("default")
def test_the_same_through_a_dask_cluster(tmp_path: Path) -> None:
    distributed = pytest.importorskip("distributed")
    folder = folder_with(tmp_path, "a.jpg", "broken.jpg", "slow.jpg", "z.jpg")
    with (
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=False, dashboard_address=None
        ) as cluster,
        open_results([folder], reader=read_by_name, scheduler=cluster.scheduler_address) as results,
    ):
        shown = [(Path(r.photo).name, r.status.value) for r in results.stream]
    assert shown == [
        ("a.jpg", "read"),
        ("broken.jpg", "error"),
        ("slow.jpg", "read"),
        ("z.jpg", "read"),
    ]


@pytest.mark.usefixtures("closed_late")
@pytest.mark.filterwarnings("default")
def test_a_scheduler_that_does_not_answer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("legibility.batch.executors.SCHEDULER_TIMEOUT_S", 1)
    folder = folder_with(tmp_path, "a.jpg")
    with (
        pytest.raises(LegibilityError, match="no Dask scheduler answers"),
        open_results([folder], reader=read_by_name, scheduler="tcp://127.0.0.1:9"),
    ):
        pass


def test_dask_that_is_not_installed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    folder = folder_with(tmp_path, "a.jpg")
    with (
        pytest.raises(MissingExtraError, match=r"legibility\[scale\]"),
        open_results([folder], reader=read_by_name, scheduler="tcp://127.0.0.1:9"),
    ):
        pass
