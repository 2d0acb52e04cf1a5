from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from legibility.containers import Reading
from legibility.errors import ModelError
from legibility.identify.likelihood import registry_log_likelihood
from legibility.identify.marktable import build_mark_table
from legibility.pipeline.known_readings import (
    KnownReading,
    load_known_readings,
    save_known_readings,
)
from legibility.pipeline.simulated_herds import herd_records
from legibility.settings import Settings
from tests.identify.reading_builder import random_cell, reading, sure


def known() -> list[KnownReading]:
    rng = np.random.default_rng(1)
    mixed = reading([[random_cell(rng)] * 3, [random_cell(rng)]], [[random_cell(rng)] * 4])
    return [
        KnownReading("1-0", "F042", "new", sure("F042")),
        KnownReading("1-1", "BX/F042", "worn", mixed),
        KnownReading("1-2", "", "", Reading((), 0.0)),
    ]


def test_stored_readings_identify_alike(tmp_path: Path) -> None:
    path = tmp_path / "readings.npz"
    save_known_readings(known(), path, origin="by hand")
    assert [p.name for p in tmp_path.iterdir()] == ["readings.npz"]
    back, origin = load_known_readings(path)
    assert origin == "by hand"
    assert [(k.photo, k.mark, k.condition, k.usable) for k in back] == [
        (k.photo, k.mark, k.condition, k.usable) for k in known()
    ]
    table = build_mark_table(["F042", "F043", "BX/F042", "K317"])
    for before, after in zip(known()[:2], back[:2], strict=True):
        values = [
            registry_log_likelihood(k.reading, table, settings=Settings()) for k in (before, after)
        ]
        np.testing.assert_allclose(values[1], values[0], atol=1e-4)


def test_damaged_files_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "readings.npz"
    with pytest.raises(ModelError, match="cannot be read"):
        load_known_readings(path)
    save_known_readings(known(), path, origin="by hand")
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])
    with pytest.raises(ModelError, match="cannot be read"):
        load_known_readings(path)
    np.savez(path, schema=7)
    with pytest.raises(ModelError, match="schema 1"):
        load_known_readings(path)
    path.write_bytes(data)
    with np.load(path) as archive:
        values = {name: archive[name] for name in archive.files}
    values["cells"][0] += 1
    with path.open("wb") as file:
        np.savez(file, **values)
    with pytest.raises(ModelError, match="counts"):
        load_known_readings(path)


def test_records_of_a_photo_are_those_of_its_herds() -> None:
    sizes = (20, 300)
    found = herd_records(known()[0], seed=5, sizes=sizes, settings=Settings())
    assert [record.animals for record in found] == [20, 300]
    again = herd_records(known()[0], seed=5, sizes=sizes, settings=Settings())
    assert [record.own for record in again] == [record.own for record in found]
    other = herd_records(known()[0], seed=6, sizes=sizes, settings=Settings())
    assert not np.array_equal(other[1].others, found[1].others)
    assert found[0].weights == pytest.approx((0.9, 0.1))
    assert all(record.own > record.others[0] for record in found)
    assert herd_records(known()[2], seed=5, sizes=sizes, settings=Settings()) == ()
