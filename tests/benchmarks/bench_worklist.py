"""Time of worklist, plan and report on a record of 100,000 animals with 500,000 readings.

Run with ``pytest -m benchmark tests/benchmarks/bench_worklist.py -s``; making the record takes
some minutes and 3 GB. ``LEGIBILITY_ANIMALS`` sets another number of animals, five readings each;
``LEGIBILITY_RECORD`` names a file where the record is kept for the next run.
Marks are lost by a Weibull law (shape 2, scale 5 years) and graded by what is left of their time.
"""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from legibility.containers import PhotoResult, Status
from legibility.herd.planning import Day
from legibility.pipeline.herd_plan import plan_day
from legibility.pipeline.herd_ranking import rank_herd
from legibility.pipeline.herd_record import record_event, record_reading
from legibility.pipeline.herd_registry import read_registry_file
from legibility.pipeline.herd_retention import retention
from legibility.pipeline.herd_worklist import worklist
from legibility.store.database import create_herd, open_herd
from legibility.store.importing import import_readings, import_registry
from legibility.store.records import HandlingEvent, HumanReading, PhotoRow
from tests.benchmarks import bench_store

ANIMALS = int(os.environ.get("LEGIBILITY_ANIMALS", "100000"))


def registry_file(path: Path) -> Path:
    rows = (
        f"animal {i},K{i:06d},left,2014-0{1 + i % 3}-15,{('dark', 'pale')[i % 2]},"
        f"{('Ada', 'Bo', 'Cy')[i % 3]},{('breeding', '', 'for sale')[i % 3]}\n"
        for i in range(ANIMALS)
    )
    heading = "animal_id,mark,ear,applied_on,skin,operator,status\n"
    path.write_text(heading + "".join(rows))
    return path


def fading_readings(count: int) -> Iterator[tuple[PhotoRow, PhotoResult]]:
    lost = 5.0 * np.random.default_rng(2).weibull(2.0, ANIMALS)
    for number, (photo, result) in enumerate(bench_store.readings(count)):
        age, own = 1.0 + number // ANIMALS, lost[number % ANIMALS]
        if age >= own or result.grade is None:
            yield photo, replace(result, status=Status.UNREADABLE, grade=None)
        else:
            grade = replace(result.grade, overall=round(4.0 - 2.9 * age / own, 1))
            yield photo, replace(result, grade=grade)


@pytest.mark.benchmark
def test_a_hundred_thousand_animals(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bench_store, "ANIMALS", ANIMALS)
    path = Path(os.environ.get("LEGIBILITY_RECORD", str(tmp_path / "herd.db")))
    said: list[str] = []

    @contextmanager
    def timed(name: str) -> Iterator[None]:
        start, worked = time.perf_counter(), time.process_time()
        yield
        took, work = time.perf_counter() - start, time.process_time() - worked
        said.append(f"{name}: {took:.2f} s (processor {work:.2f} s)")

    if not path.exists():
        with timed("record made"):
            make_record(path)
    said.append(f"file: {path.stat().st_size / 1e9:.2f} GB")
    Path(f"{path}.derived.npz").unlink(missing_ok=True)
    count = 0

    def look() -> None:
        name, ear = f"animal {number + 5}", "left"
        seen = HumanReading("Ada", "2020-01-05", "", ear, name, usable=True, note=str(number))
        record_reading(db, seen)

    def re_mark() -> None:
        event = HandlingEvent("2020-01-06", "re-marked", f"animal {number + 9}", "Ada", "left")
        record_event(db, replace(event, text=f"Z{number:05d}"))

    with open_herd(path) as db:
        number = db.count("handling_events") * 7 % ANIMALS
        for name, change in (
            ("worklist, first time", None),
            ("worklist, nothing changed", None),
            ("worklist, after a look at one animal", look),
            ("worklist, after a re-marking", re_mark),
        ):
            if change is not None:
                change()
            with timed(name):
                ranking = rank_herd(db)
                count += len(worklist(ranking, 20).items)
        assert count == 80
        with timed("plan"):
            plan = plan_day(ranking, Day(180, 2, 1, 20, 3))
        said.append(
            f"plan: {plan.considered} acts, gap {100 * plan.gap:.3f} %, solver {plan.seconds:.2f} "
            f"s; avoids {plan.gain:.1f}, the ranked list {plan.ranked_gain:.1f}"
        )
        with timed("retention"):
            report = retention(db, usable_grade=1.0)
        said.append(f"{report.marks_lost} marks lost")
    with capsys.disabled():
        print("\n" + "\n".join(said))
    assert plan.gap <= 0.01


def make_record(path: Path) -> None:
    create_herd(path).close()
    with open_herd(path) as db:
        found = read_registry_file(registry_file(path.with_suffix(".csv")))
        import_registry(db, found.rows, source=found.source)
        import_readings(db, fading_readings(5 * ANIMALS))
