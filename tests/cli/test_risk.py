"""``legibility risk``."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

HERD = "animal_id,mark\nG1,K417\nG2,K471\nG3,AB/123\n@x,8223\nG5,B223\n"


def test_table_json_csv_and_page(run: Callable[..., Result], tmp_path: Path) -> None:
    Path("herd.csv").write_text(HERD, encoding="utf-8")
    done = run(
        "risk", "herd.csv", "--condition", "mild", "--json", "r.jsonl", "--csv", "r.csv",
        "--html", "r.html",
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    assert "5 animals" in done.stdout
    lines = [json.loads(line) for line in Path("r.jsonl").read_text().splitlines()]
    assert [line["animal_id"] for line in lines] == ["G1", "G2", "G3", "@x", "G5"]
    assert lines[3]["rivals"][0]["animal_id"] == "G5"
    assert lines[0]["rivals"][0]["mechanism"] == "dies 3 and 4 swapped"
    assert "'@x" in Path("r.csv").read_text()
    assert "<svg" in Path("r.html").read_text()


def test_parquet_of_the_same(run: Callable[..., Result], monkeypatch: pytest.MonkeyPatch) -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    Path("herd.csv").write_text(HERD, encoding="utf-8")
    done = run("risk", "herd.csv", "--parquet", "r.parquet", "--json", "r.jsonl")
    assert done.exit_code == 0, done.output
    rows = parquet.read_table("r.parquet").to_pylist()
    lines = [json.loads(line) for line in Path("r.jsonl").read_text().splitlines()]
    for row, line in zip(rows, lines, strict=True):
        assert list(row) == list(line)
        assert [r["mechanism"] for r in row["rivals"]] == [r["mechanism"] for r in line["rivals"]]
        assert row["risk"] == pytest.approx(line["risk"], abs=1e-6)
    monkeypatch.setitem(sys.modules, "pyarrow.parquet", None)
    done = run("risk", "herd.csv", "--parquet", "other.parquet")
    assert (done.exit_code, "legibility[parquet]" in done.stderr) == (9, True)
    assert not Path("other.parquet").exists()


def test_json_alone_on_the_output(run: Callable[..., Result]) -> None:
    Path("herd.csv").write_text(HERD, encoding="utf-8")
    done = run("risk", "herd.csv", "--json", "-")
    assert len([json.loads(line) for line in done.stdout.splitlines()]) == 5


def test_bad_input_ends_in_one_line(run: Callable[..., Result]) -> None:
    Path("herd.csv").write_text("animal_id,mark\nG1,K!17\n", encoding="utf-8")
    done = run("risk", "herd.csv")
    assert (done.exit_code, "line 2" in done.stderr) == (5, True)
    Path("herd.csv").write_text(HERD, encoding="utf-8")
    done = run("risk", "herd.csv", "--condition", "nice")
    assert (done.exit_code, "'nice'" in done.stderr) == (6, True)
    done = run("risk", "herd.csv", "--html", "herd.csv/x.html")
    assert (done.exit_code, "herd.csv/x.html" in done.stderr) == (7, True)
