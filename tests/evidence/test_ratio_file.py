"""The ratio model: figures that follow from its disputes, and files that cannot be used."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from legibility.errors import ModelError
from legibility.evidence.ratio_file import (
    RATIOS_FILE,
    load_ratio_model,
    ratio_card,
    save_ratio_model,
)
from legibility.evidence.ratio_model import differences, ratio_model
from legibility.evidence.validity import cllr
from tests.evidence.ratio_builder import small_model


def test_a_model_is_read_as_it_was_written(tmp_path: Path) -> None:
    model = small_model()
    save_ratio_model(model, tmp_path / "ratios.json")
    again, digest = load_ratio_model(tmp_path / "ratios.json")
    assert again == model
    assert len(digest) == 64
    assert (tmp_path / "ratios.md").read_text("utf-8") == ratio_card(model)


def test_the_shipped_model_follows_from_its_disputes() -> None:
    model, _ = load_ratio_model(RATIOS_FILE)
    again = ratio_model(
        model.fitted, model.held_out, origin=model.origin, models_sha256=model.models_sha256
    )
    assert again.together == pytest.approx(model.together, rel=1e-6, abs=1e-9)
    assert again.cap == pytest.approx(model.cap, abs=0.03)
    assert [v.n for v in again.validity] == [v.n for v in model.validity]
    for ours, theirs in zip(again.validity, model.validity, strict=True):
        assert ours.cllr == pytest.approx(theirs.cllr, abs=1e-3)


def test_shipped_ratios_say_more_than_nothing() -> None:
    model, _ = load_ratio_model(RATIOS_FILE)
    everything = model.validity[0]
    assert everything.cllr < 1.0
    assert everything.cllr_min <= everything.cllr
    assert 0 < model.cap[1] <= np.log(len(model.held_out) + 1) + 0.03


def test_validity_is_of_the_ratios_as_reported() -> None:
    model = small_model()
    ratios = np.clip(differences(model.held_out) @ np.array(model.together), *model.cap)
    assert model.validity[0].cllr == pytest.approx(cllr(ratios, -ratios))
    assert {v.name for v in model.validity} >= {"all", "mild", "faint", "a claim against neither"}


@pytest.mark.parametrize(
    "change",
    [
        {"format": 9},
        {"together": [1.0]},
        {"cap": [1.0, 2.0]},
        {"fitted": [{"ear": 1}]},
        {"alone": {}},
        {"curves": {"nothing": []}},
    ],
)
def test_a_damaged_file_is_refused(tmp_path: Path, change: dict[str, object]) -> None:
    path = tmp_path / "ratios.json"
    save_ratio_model(small_model(count=6), path)
    path.write_text(json.dumps({**json.loads(path.read_text("utf-8")), **change}), "utf-8")
    with pytest.raises(ModelError, match="ratio model"):
        load_ratio_model(path)
    with pytest.raises(ModelError, match="ratio model"):
        load_ratio_model(tmp_path / "missing.json")


def test_no_disputes_no_model() -> None:
    with pytest.raises(ValueError, match="expected some"):
        ratio_model([], [], origin="", models_sha256="")
