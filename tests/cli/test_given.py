"""``legibility read``: what is known of the animal, readings by people, and explanations."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

from legibility import pipeline as real_pipeline
from legibility.pipeline import given as real_given
from legibility.pipeline import session as real_session
from legibility.pipeline import session_manifest as real_manifest

Run = Callable[..., Result]
SAMPLES = Path(__file__).parents[2] / "sample_images"
PHOTO = SAMPLES / "upside-down.jpg"
HERD = SAMPLES / "registry.csv"
SAID = ("--registry", HERD, "--no-second-reader")


@pytest.fixture(autouse=True)
def real_reader(monkeypatch: pytest.MonkeyPatch) -> None:
    """The reader of the package, in place of the one that this folder arranges."""
    for module in (real_pipeline, real_given, real_session, real_manifest):
        monkeypatch.setitem(sys.modules, module.__name__, module)


def test_known_read_and_explained_in_one_record(run: Run, tmp_path: Path) -> None:
    pen = tmp_path / "pen.txt"
    pen.write_text("Nettel 014\nOrlay 015\n")
    readers = tmp_path / "readers.json"
    readers.write_text(
        json.dumps({"format": 1, "readers": {"Ada": {"accuracy": 0.93, "read": 40}}})
    )
    result = run(
        "read", PHOTO, *SAID, "--present", pen, "--alive", "--born", "2010-", "--ear", "left",
        "--reading", "C[49]?7", "--reader", "Ada", "--reliability", readers,
        "--explain", "Nettel 014", "--json", "-",
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    (record,) = [json.loads(line) for line in result.stdout.splitlines()]
    said = [statement["said"] for statement in record["prior"]["statements"]]
    assert said == [f"present by {pen} (2 listed)", "alive", "born 2010 to any year"]
    assert record["candidates"][0]["animal_id"] == "Nettel 014"
    assert record["candidates"][0]["prior"] > 0.4
    (eye,) = record["by_eye"]["readings"]
    assert (eye["reader"], eye["accuracy"], eye["weight"]) == ("Ada", 0.93, 0.5)
    assert record["by_eye"]["photo_alone"][0]["animal_id"] == "Nettel 014"
    told = record["explanation"]
    assert sum(row["log_odds"] for row in told["rows"]) == pytest.approx(told["log_odds"], abs=1e-9)
    assert record["text"] == "C497"


def test_the_screen_shows_each_part(run: Run) -> None:
    result = run(
        "read", "--same-animal", PHOTO, *SAID, "--sex", "female", "--reading", "C4?7",
        "--explain", "not-registered", "--ear", "left",
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    text = result.stdout
    for part in ("Known beforehand", "Read by people", "known beforehand", "The photo alone says"):
        assert part in text
    assert "not measured: the default" in " ".join(text.split())
    assert max(map(len, text.splitlines())) <= 100


@pytest.mark.parametrize(
    ("arguments", "code", "problem"),
    [
        (["--alive"], 6, "give --registry too"),
        (["--registry", HERD, "--explain", "ghost"], 5, "no animal 'ghost'"),
        (["--registry", HERD, "--reading", "K\u041217"], 2, "CYRILLIC CAPITAL LETTER VE"),
        (["--registry", HERD, "--reader", "Ada"], 2, "--reading"),
        (["--registry", HERD, "--born", "young"], 2, "a year or a range"),
        (["--registry", HERD, "--born", "2019", "--age", "3"], 2, "not both"),
        (["--registry", HERD, "--reading", "K1", "other.jpg"], 2, "one photo"),
        (["--registry", HERD, "--ear", "left", "--ear", "right"], 2, "needs --same-animal"),
        (["--registry", HERD, "--present", "nowhere.txt"], 5, "nowhere.txt"),
    ],
)
def test_what_cannot_be_meant_is_refused_before_any_reading(
    run: Run, arguments: list[str | Path], code: int, problem: str
) -> None:
    result = run("read", PHOTO, *arguments)
    assert problem in result.output
    assert result.exit_code == code
