"""``legibility train``: what is handed on, and what is said without the extra."""

from __future__ import annotations

import shlex
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

from legibility.errors import MissingExtraError


def test_options_reach_the_training(
    run: Callable[..., Result], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    given: dict[str, object] = {}

    def train_network(network: str, **options: object) -> Path:
        given.update(options, network=network)
        return tmp_path / "reader.onnx"

    monkeypatch.setattr(sys.modules["legibility.cli.train"], "train_network", train_network)
    result = run(
        *shlex.split("train reader --minutes 2 --batch 64 --seed 5 --rate-start 1e-3"),
        *shlex.split("--rate-end 1e-4 --resume old.pt --photographs b.npz --out here"),
        *shlex.split("--device cpu"),
    )
    assert result.exit_code == 0, result.output
    assert result.output == f"Network: {tmp_path / 'reader.onnx'}\n"
    del given["say"]
    assert given == {
        "network": "reader",
        "minutes": 2.0,
        "batch": 64,
        "seed": 5,
        "rate_start": 0.001,
        "rate_end": 0.0001,
        "resume": Path("old.pt"),
        "photographs": Path("b.npz"),
        "out": Path("here"),
        "device": "cpu",
    }


@pytest.mark.parametrize("missing", ["torch", "onnx"])
def test_without_the_extra_the_command_says_what_to_install(
    missing: str, run: Callable[..., Result], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, missing, None)
    result = run("train", "reader", "--minutes", "1")
    assert result.exit_code == MissingExtraError.exit_code
    assert "pip install 'legibility[train]'" in result.output


def test_rates_and_minutes_must_be_positive(run: Callable[..., Result]) -> None:
    for wrong in ("--minutes", "--rate-start", "--rate-end", "--batch"):
        result = run("train", "spotter", wrong, "0")
        assert result.exit_code == 2
        assert wrong in result.output
