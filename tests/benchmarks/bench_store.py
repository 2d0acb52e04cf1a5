"""Time and size of a record of 100,000 animals with 500,000 readings.

Run with ``pytest -m benchmark tests/benchmarks/bench_store.py -s``; it takes some minutes and 3 GB.
The readings are one that was really stored in this form, with marks and animals exchanged:
one hypothesis of four places, ten candidates (`herd import-photos` on the sample photos gives
posteriors of 1.6 kB and details of 1.4 kB).
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from legibility.alphabet import N_CLASSES
from legibility.containers import (
    Candidate,
    CellReading,
    Decision,
    Grade,
    Hypothesis,
    Identification,
    NeedleEvidence,
    PhotoResult,
    Reading,
)
from legibility.pipeline.herd_registry import read_registry_file, registry_from
from legibility.store.columns import herd_columns
from legibility.store.database import HerdDatabase, create_herd, open_herd
from legibility.store.importing import import_readings, import_registry
from legibility.store.readings import latest_summaries, whole_reading
from legibility.store.records import PhotoRow
from tests.example_results import ambiguous_result
from tests.store.herds import digest

ANIMALS = 100_000
READINGS = 500_000


def registry_file(path: Path) -> Path:
    lines = (f"animal {i},K{i:06d},left,{2015 + i % 9}\n" for i in range(ANIMALS))
    path.write_text("animal_id,mark,ear,birth_year\n" + "".join(lines))
    return path


def readings(count: int) -> Iterator[tuple[PhotoRow, PhotoResult]]:
    rng = np.random.default_rng(1)
    base = ambiguous_result()
    for number in range(count):
        animal = number % ANIMALS
        logp = rng.normal(-8, 2, (4, N_CLASSES))
        cells = tuple(
            CellReading(logp[i], rng.normal(900, 300, (4, 2)), NeedleEvidence(12, 9.7), 0.5, 0.98)
            for i in range(4)
        )
        others = tuple(
            Candidate(f"animal {(animal + k) % ANIMALS}", f"K{(animal + k) % ANIMALS:06d}", 0.9**k)
            for k in range(10)
        )
        grade = dict.fromkeys(("ink_contrast", "needles_present", "separation", "evenness"), 3.1)
        result = replace(
            base,
            photo=f"photos/2024/{number:07d}.jpg",
            sha256=digest(str(number)),
            reading=Reading((Hypothesis(-0.01, (cells,), 12.5, False),), -4.6),
            identification=Identification(
                others, (others[0].animal_id,), Decision.IDENTIFIED, 0.02, ()
            ),
            grade=Grade(2.9, grade, "Limited by the needles that are still present."),
            text=others[0].mark,
            measures={f"measure_{i}": float(v) for i, v in enumerate(rng.normal(size=12))},
        )
        yield (
            PhotoRow(
                result.sha256,
                result.photo,
                size_bytes=3_000_000,
                taken_at=f"{2015 + number // ANIMALS}-05-01T10:00:00",
                ear="left",
                animal_id=others[0].animal_id or "",
                claimed_by="manifest",
            ),
            result,
        )


@pytest.mark.benchmark
def test_a_hundred_thousand_animals(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "herd.db"
    create_herd(path).close()
    registry = registry_file(tmp_path / "registry.csv")
    said: list[str] = []

    def timed(name: str, start: float) -> None:
        said.append(f"{name}: {time.perf_counter() - start:.1f} s")

    with open_herd(path) as db:
        start = time.perf_counter()
        found = read_registry_file(registry)
        timed("registry file read and checked", start)
        assert import_registry(db, found.rows, source=found.source).new == ANIMALS
        timed("registry imported", start)
        start = time.perf_counter()
        assert sum(1 for _ in readings(READINGS // 10)) * 10 == READINGS
        making = (time.perf_counter() - start) * 10
        start, worked = time.perf_counter(), time.process_time()
        assert import_readings(db, readings(READINGS)) == READINGS
        said.append(
            f"{READINGS} readings: {time.perf_counter() - start:.1f} s (processor "
            f"{time.process_time() - worked:.1f} s), of which about {making:.1f} s to make them up"
        )
    size = path.stat().st_size
    said.append(f"file: {size / 1e9:.2f} GB, {size / READINGS:.0f} bytes a reading")
    _look(path, said)
    with capsys.disabled():
        print("\n" + "\n".join(said))
    assert size < 4e9


def _look(path: Path, said: list[str]) -> None:
    with open_herd(path) as db:
        for name, work in (
            ("newest reading of every photo", lambda d: sum(1 for _ in latest_summaries(d))),
            ("everything as columns", lambda d: herd_columns(d).looks.time.size),
            ("registry from the record", lambda d: len(registry_from(d))),
            ("one whole reading", lambda d: whole_reading(d, READINGS // 2)),
            ("integrity check", HerdDatabase.problems),
        ):
            start, worked = time.perf_counter(), time.process_time()
            work(db)
            said.append(
                f"{name}: {time.perf_counter() - start:.2f} s "
                f"(processor {time.process_time() - worked:.2f} s)"
            )
