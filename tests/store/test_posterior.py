"""A reading comes back bit for bit, through bytes and through JSON."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from legibility.alphabet import N_CLASSES
from legibility.containers import (
    CellReading,
    Flag,
    Hypothesis,
    NeedleEvidence,
    PhotoResult,
    Reading,
)
from legibility.errors import StoreError
from legibility.store.database import create_herd
from legibility.store.photos import put_photo
from legibility.store.posterior import as_plain, decode, encode, from_plain
from legibility.store.readings import (
    add_readings,
    latest_summaries,
    read_already,
    readings_of,
    whole_reading,
)
from legibility.store.records import PhotoRow
from tests.example_results import PROVENANCE, example_results

any_float = st.floats(width=64)
cells = st.builds(
    lambda seed, numbers, expected: CellReading(
        np.random.default_rng(seed).normal(-5, 5, N_CLASSES),
        np.array(numbers[:8]).reshape(4, 2),
        NeedleEvidence(expected, numbers[8]),
        numbers[9],
        numbers[10],
        numbers[11],
    ),
    st.integers(0, 2**32),
    st.lists(any_float, min_size=12, max_size=12),
    st.integers(0, 40),
)
readings = st.builds(
    lambda hypotheses, logp: Reading(tuple(hypotheses), logp),
    st.lists(
        st.builds(
            lambda logp, rows, rotation, mirrored: Hypothesis(
                logp, tuple(tuple(row) for row in rows), rotation, mirrored
            ),
            any_float,
            st.lists(st.lists(cells, max_size=3), max_size=2),
            any_float,
            st.booleans(),
        ),
        max_size=3,
    ),
    any_float,
)


def bits(value: float) -> bytes:
    return b"nan" if math.isnan(value) else np.float64(value).tobytes()


def same(a: Reading, b: Reading) -> bool:
    """Every figure has the same bits (all "not a number" count as one)."""

    def figures(reading: Reading) -> list[object]:
        found: list[object] = [bits(reading.logp_no_mark), reading.second_opinion, reading.flags]
        for h in reading.hypotheses:
            found += [bits(h.logp), bits(h.rotation_deg), h.mirrored, [len(r) for r in h.rows]]
            for cell in (cell for row in h.rows for cell in row):
                values = [*cell.logp, *cell.quad.ravel(), cell.needles.inked, cell.ink_contrast]
                values += [cell.seen_share, cell.separation]
                found += [cell.needles.expected, *(bits(value) for value in values)]
        return found

    return figures(a) == figures(b)


@settings(deadline=None)
@given(readings)
def test_bytes_and_json_give_back_every_bit(reading: Reading) -> None:
    data = encode(reading)
    assert same(decode(data), reading)
    text = json.dumps(as_plain(data), allow_nan=False)
    assert same(decode(from_plain(json.loads(text))), reading)


@pytest.mark.parametrize("result", example_results(), ids=lambda result: str(result.status))
def test_a_stored_result_is_the_result(result: PhotoResult, tmp_path: Path) -> None:
    made = replace(PROVENANCE, calibration_sha256="c" * 64)
    result = replace(result, provenance=made)
    with create_herd(tmp_path / "herd.db") as db:
        with db.transaction():
            put_photo(db, PhotoRow(result.sha256, result.photo))
            assert add_readings(db, [result], read_at="2024") == 1
            assert add_readings(db, [result], read_at="2025") == 0
        (summary,) = readings_of(db, result.sha256)
        stored = whole_reading(db, summary.reading_id)
        assert list(latest_summaries(db)) == [summary]
        assert read_already(db, provenance=made, registry_sha256="") == {result.sha256}
        assert read_already(db, provenance=made, registry_sha256="x") == frozenset()
        assert read_already(db, provenance=PROVENANCE, registry_sha256="") == frozenset()
    assert same(stored.reading, result.reading)
    assert stored.identification == result.identification
    assert repr(stored.grade) == repr(result.grade)
    for field in ("photo", "sha256", "status", "flags", "reasons", "text", "provenance", "seconds"):
        assert getattr(stored, field) == getattr(result, field)
    assert stored.flags in Flag(stored.flags)


def test_the_figures_that_can_be_searched(tmp_path: Path) -> None:
    result = example_results()[0]
    with create_herd(tmp_path / "herd.db") as db:
        with db.transaction():
            put_photo(db, PhotoRow(result.sha256, result.photo))
            add_readings(db, [result], read_at="2024")
        (summary,) = latest_summaries(db)
    assert summary.text == "AB3/47?"
    assert (summary.first_animal, summary.first_probability) == ("goat 0142", 0.71)
    assert (summary.second_animal, summary.second_probability) == ("goat 0188", 0.22)
    # Six places of 12 needles, 10.6 of them inked.
    assert (summary.places, summary.needles_expected) == (6, 72.0)
    assert summary.needles_inked == pytest.approx(63.6)
    assert summary.grade == 2.4


@pytest.mark.parametrize(
    "data", [b"", b"LPR1", b"NOPE" + bytes(10), b"LPR1" + bytes(8) + b"\x01\x00"]
)
def test_damaged_bytes(data: bytes) -> None:
    with pytest.raises(StoreError, match="damaged"):
        decode(data)


def test_a_reading_needs_its_photo(tmp_path: Path) -> None:
    with create_herd(tmp_path / "herd.db") as db:
        with pytest.raises(StoreError, match="not in this record"), db.transaction():
            add_readings(db, example_results(), read_at="2024")
        with pytest.raises(StoreError, match="no reading 7"):
            whole_reading(db, 7)
