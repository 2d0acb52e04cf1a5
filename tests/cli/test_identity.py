from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

import legibility.pipeline
from legibility.cli import cli
from tests.identify.reading_builder import cell, reading


@pytest.fixture(autouse=True)
def real_pipeline(arranged_reader: None, monkeypatch: pytest.MonkeyPatch) -> None:
    """The other tests of this folder replace it; here stored readings do."""
    monkeypatch.setitem(sys.modules, "legibility.pipeline", legibility.pipeline)


def test_stored_readings_give_tables(tmp_path: Path) -> None:
    from legibility.pipeline.known_readings import KnownReading, save_known_readings

    rng = np.random.default_rng(2)
    known = []
    for index in range(8):
        mark = f"F{rng.integers(100, 1000)}"
        cells = [cell({c: float(rng.uniform(0.8, 0.99))}) for c in mark]
        known.append(KnownReading(f"7-{index}", mark, "worn", reading([cells])))
    path, out = tmp_path / "readings.npz", tmp_path / "identity"
    save_known_readings(known, path, origin="by hand")
    arguments = ["--identity", "--count", "8", "--readings", str(path), "--out", str(out)]
    done = CliRunner().invoke(cli, ["evaluate", *arguments])
    assert done.exit_code == 0, done.output
    assert "10,000 animals" in done.stdout
    # 26,000 marks are built like F123: too few for 100,000 animals in at most four ways.
    assert "100,000 animals" not in done.stdout
    assert max(map(len, done.stdout.splitlines()[:6])) <= 100
    written = json.loads((out / "evaluation.json").read_text())
    assert written["facts"]["calibration"]
    assert written["sections"][0]["rows"][0]["covered"]["total"] >= 32
