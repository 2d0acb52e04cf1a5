"""Every animal's risk as JSON lines, as CSV and as Parquet, read by other programs."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from legibility.misreadings import RiskColumns
from legibility.report.risk_lines import HEADING, risk_csv, risk_json
from legibility.report.risk_parquet import write_risk_parquet
from legibility.report.rounding import millionths, round_probability

IDS = ["=1+1", 'a", "b', "Ève\n2", "back\\slash", "𝔾5", "@x, y"]
MARKS = ["K417", "K411", "AB/12", "K471", "Z9", "K417"]
PHRASES = ["both carry this mark", "7 read as 1 at 4: 6 of 12 needles lost", "row 2 not found"]


def columns(animals: list[int], start: list[int], words: list[list[int]]) -> RiskColumns:
    """Animals with rivals in a row, each the next animal of all, and how it happens."""
    rivals = np.arange(start[0], start[-1]) % len(IDS)
    n = len(animals)
    return RiskColumns(
        animal_ids=np.array(IDS, dtype=object),
        marks=np.array(MARKS, dtype=object),
        animals=np.array(animals),
        grade=np.full(n, 2.0),
        right=np.linspace(0.0, 1.0, n),
        risk=np.full(n, 0.1234567),
        unregistered=np.full(n, 1e-9),
        unread=np.full(n, 0.0000125),
        start=np.array(start) - start[0],
        rival=rivals,
        probability=0.3 / (1 + np.arange(len(rivals))),
        words_start=np.cumsum([0, *map(len, words)]),
        words=np.array([word for rival in words for word in rival], dtype=np.int32),
        phrase=PHRASES.__getitem__,
        n_phrases=len(PHRASES),
    )


def batches() -> list[RiskColumns]:
    return [
        columns([0, 1, 2], [0, 2, 2, 7], [[0], [2, 1], [1], [1, 1, 2], [2], [0], [1]]),
        columns([3, 4], [0, 0, 0], []),
        columns([5], [0, 1], [[1, 2]]),
    ]


def test_json_lines_are_the_contract() -> None:
    text = "".join(risk_json(batches()))
    assert text.isascii()
    lines = [json.loads(line) for line in text.split("\n")[:-1]]
    assert list(lines[0]) == [
        "animal_id", "mark", "grade", "right", "risk", "unregistered", "unread", "rivals"
    ]  # fmt: skip
    records = [batch.record(at) for batch in batches() for at in range(len(batch))]
    assert len(lines) == len(records) == 6
    for line, animal in zip(lines, records, strict=True):
        assert (line["animal_id"], line["mark"]) == (animal.animal_id, animal.mark)
        for name in ("grade", "right", "risk", "unregistered", "unread"):
            assert line[name] == (
                2.0 if name == "grade" else round_probability(getattr(animal, name))
            )
        assert line["rivals"] == [
            {
                "animal_id": rival.animal_id,
                "mark": rival.mark,
                "probability": round_probability(rival.probability),
                "mechanism": rival.mechanism,
            }
            for rival in animal.rivals
        ]
    assert [line["animal_id"] for line in lines] == IDS


def test_csv_cells_cannot_act_and_are_quoted() -> None:
    rows = list(csv.reader(io.StringIO("".join(risk_csv(batches())), newline="")))
    assert rows[0] == list(HEADING)
    assert rows[1][:2] == ["'=1+1", "K417"]
    assert not any(cell.startswith(("=", "+", "-", "@")) for row in rows for cell in row)
    assert rows[2] == ['a", "b', "K411", "2.0", "0.500000", "0.123457", "0.000000",
                       f"{0.0000125:.6f}", "", "", "", "", ""]  # fmt: skip
    assert rows[1][7:] == ["'=1+1", "K417", "0.300000", PHRASES[0], 'a", "b K411 0.150000']
    assert rows[3][11].count(";") == 2
    assert "".join(risk_csv(batches())).count("\r\n") == 7


def test_parquet_holds_the_same(tmp_path: Path) -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    write_risk_parquet(tmp_path / "r.parquet", batches())
    table = parquet.read_table(tmp_path / "r.parquet")
    assert table.schema.metadata[b"legibility_risk"] == b"1"
    records = [batch.record(at) for batch in batches() for at in range(len(batch))]
    for row, animal in zip(table.to_pylist(), records, strict=True):
        rivals = [tuple(rival.values()) for rival in row.pop("rivals")]
        assert rivals == [(r.animal_id, r.mark, r.probability, r.mechanism) for r in animal.rivals]
        assert row == {name: getattr(animal, name) for name in row}


@given(st.lists(st.floats(0.0, 1.0), min_size=1))
def test_millionths_are_those_of_python(values: list[float]) -> None:
    halves = [(k + 0.5) / 10**6 for k in range(0, 999_999, 77_777)]
    found = millionths(np.array(values + halves))
    assert [k / 10**6 for k in found.tolist()] == [round(value, 6) for value in values + halves]
