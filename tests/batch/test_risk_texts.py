"""Risk files put together by several processes: the bytes of one process, read by other readers."""

from __future__ import annotations

import csv
import io
import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from legibility.batch.executors import open_workers
from legibility.batch.herd_risk import registry_report
from legibility.batch.risk_report import RegistryReport
from legibility.batch.risk_texts import risk_columns, risk_csv_texts, risk_json_texts
from legibility.batch.shared import shared
from legibility.errors import LegibilityError, OutputError
from legibility.in_order import in_order
from legibility.report.risk_lines import risk_csv, risk_json
from legibility.report.rounding import round_probability
from legibility.workers import InlineExecutor
from tests.risk.herds import random_marks

IDS = ("=1+1", '"quoted, "', "Ève", "back\\slash", "-7", "@x; y", "𝔾5")


@pytest.fixture
def report(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> RegistryReport:
    """Animals with hostile names, some of the same mark, seven at a time."""
    marks = random_marks(90, seed=4, characters="BD8O06")
    with (tmp_path / "herd.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["animal_id", "mark"])
        writer.writerows(
            [IDS[i] if i < len(IDS) else f"G{i}", mark]
            for i, mark in enumerate([*marks, *marks[:9]])
        )
    monkeypatch.setattr("legibility.batch.risk_report.AT_A_TIME", 7)
    monkeypatch.setattr("legibility.batch.risk_texts.ANIMALS_FOR_A_POOL", 1)
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    return registry_report(tmp_path / "herd.csv", condition="mild")


def test_several_processes_write_the_bytes_of_one(report: RegistryReport, tmp_path: Path) -> None:
    alone, several = (list(risk_json_texts(report, jobs=jobs)) for jobs in (1, 2))
    assert several == alone == list(risk_json(report.columns()))
    assert len(several) == 15
    one, two = ("".join(risk_csv_texts(report, jobs=jobs)) for jobs in (1, 2))
    assert one == two == "".join(risk_csv(report.columns(most=4)))
    assert not list(tmp_path.glob("legibility-*"))


def test_other_readers_find_what_the_report_says(report: RegistryReport) -> None:
    lines = [json.loads(line) for line in "".join(risk_json_texts(report, jobs=2)).splitlines()]
    table = io.StringIO("".join(risk_csv_texts(report, jobs=2)), newline="")
    rows = list(csv.DictReader(table))
    assert len(lines) == len(rows) == len(report) == 99
    for index in (0, 1, 2, 6, 40, 89, 98):
        animal, line, row = report.animal(index), lines[index], rows[index]
        assert line["animal_id"] == animal.animal_id
        assert line["risk"] == round_probability(animal.risk)
        assert [tuple(rival.values()) for rival in line["rivals"]] == [
            (r.animal_id, r.mark, round_probability(r.probability), r.mechanism)
            for r in animal.rivals
        ]
        assert row["animal_id"].removeprefix("'") == animal.animal_id
        assert float(row["risk"]) == pytest.approx(animal.risk, abs=1e-6)
        assert row["mechanism"] == animal.rivals[0].mechanism
    assert [row["animal_id"] for row in rows[:7]] == [
        "'=1+1", '"quoted, "', "Ève", "back\\slash", "'-7", "'@x; y", "𝔾5"
    ]  # fmt: skip


def test_columns_of_several_processes_are_the_same(report: RegistryReport) -> None:
    records = [
        [batch.record(at) for batch in risk_columns(report, jobs=jobs) for at in range(len(batch))]
        for jobs in (1, 2)
    ]
    assert records[0] == records[1]


def test_nothing_is_left_behind_when_it_is_broken_off(
    report: RegistryReport, tmp_path: Path
) -> None:
    texts = risk_json_texts(report, jobs=2)
    next(texts)
    assert list(tmp_path.glob("legibility-*"))
    texts.close()
    assert not list(tmp_path.glob("legibility-*"))


def test_shared_arrays_are_the_same_and_cannot_be_changed() -> None:
    value = {"a": np.arange(5), "b": np.zeros((0, 3)), "c": ["x", np.ones((2, 2), order="F")]}
    with shared(value) as there:
        found = there.value()
        assert repr(found) == repr(value)
        with pytest.raises(ValueError, match="read-only"):
            found["a"][0] = 1
    assert not there.path.exists()


def test_no_room_for_temporary_files_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "open", full)
    with pytest.raises(OutputError, match=r"No space left.*TMPDIR"), shared(np.arange(3)):
        pass


def test_in_order_draws_only_so_far_ahead() -> None:
    drawn: list[int] = []

    def items() -> Iterator[int]:
        for item in range(20):
            drawn.append(item)
            yield item

    done = in_order(InlineExecutor(), str, items(), look_ahead=3)
    assert next(done) == "0"
    assert drawn == [0, 1, 2]
    assert list(done) == [str(item) for item in range(1, 20)]


def _dies(number: int) -> int:
    if number == 2:
        os.kill(os.getpid(), signal.SIGKILL)
    return number


def test_a_killed_process_ends_in_one_line() -> None:
    work: Callable[[int], int] = _dies
    with (
        open_workers(n_photos=9, jobs=2) as workers,
        pytest.raises(LegibilityError, match="--jobs 1"),
    ):
        list(in_order(workers.executor, work, range(9), look_ahead=4))


_PARENT = """
import os, time
from legibility.batch.executors import open_workers
if __name__ == "__main__":
    with open_workers(n_photos=9, jobs=2) as workers:
        pids = set()
        while len(pids) < 2:
            pids |= set(workers.executor.map(wait_a_little, range(4)))
        print(*pids, flush=True)
        time.sleep(600)
"""


def wait_a_little(_: int) -> int:
    time.sleep(0.2)
    return os.getpid()


@pytest.mark.skipif(not hasattr(os, "fork"), reason="looks for processes as POSIX does")
def test_processes_end_when_the_one_that_asked_is_killed(tmp_path: Path) -> None:
    script = tmp_path / "parent.py"
    name = f"from {__name__} import wait_a_little\n"
    script.write_text(name + _PARENT, encoding="utf-8")
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    with subprocess.Popen(
        [sys.executable, str(script)], env=environment, stdout=subprocess.PIPE, text=True
    ) as parent:
        assert parent.stdout is not None
        pids = [int(pid) for pid in parent.stdout.readline().split()]
        assert len(pids) == 2
        parent.kill()
    waited = time.monotonic() + 60
    while any(_alive(pid) for pid in pids):
        assert time.monotonic() < waited
        time.sleep(0.05)


def _alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    # Nobody may have asked yet how an orphan ended.
    state = Path(f"/proc/{pid}/stat")
    return not state.exists() or ") Z" not in state.read_text()
