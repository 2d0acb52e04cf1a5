"""The ratio model: figures that follow from its disputes, and files that cannot be used."""

from __future__ import annotations

import json
from dataclasses import replace
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
from legibility.evidence.ratio_model import against_neither, differences, ratio_model
from legibility.evidence.validity import cllr
from tests.evidence.ratio_builder import dispute, small_model


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
    assert [(v.name, v.n) for v in again.validity] == [(v.name, v.n) for v in model.validity]
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


def test_before_the_cap_and_several_photos_have_rows_of_their_own() -> None:
    model = small_model()
    rows = {row.name: row for row in model.validity}
    raw = differences(model.held_out) @ np.array(model.together)
    assert rows["all, before the cap"].cllr == pytest.approx(cllr(raw, -raw))
    assert rows["all, before the cap"].worst >= rows["all"].worst
    one, two = (rows[f"{n} of an ear, cross-validated"] for n in ("one photo", "two photos"))
    assert one.n == two.n == len(model.fitted) // 2
    # The two photos of an ear of this model err apart, so that the second one helps.
    assert two.cllr < one.cllr


def test_no_ear_is_weighed_with_what_was_fitted_on_itself() -> None:
    # The readers say nothing of four fifths of the ears, and all of the others are one fold: what
    # is fitted without that fold has no weight, so that its ratios are 1.
    silent = {"pooled": (0.0,) * 4, "network": (0.0,) * 4, "needles": (0.0,) * 4}
    fitted = [
        dispute(i // 2, 9.0, 9.0)
        if i // 2 % 5 == 0
        else replace(dispute(i // 2, 0, 0), scores=silent)
        for i in range(40)
    ]
    model = ratio_model(fitted, fitted, origin="made up", models_sha256="00")
    rows = {row.name: row for row in model.validity}
    assert model.together[0] > 0
    assert rows["two photos of an ear, cross-validated"].cllr == pytest.approx(1.0)


def test_a_photo_that_shows_no_mark_is_silent_against_neither() -> None:
    model = small_model()
    shown = [replace(d, said=1.0) for d in model.held_out[:3]]
    hidden = [replace(d, scores={}, said=0.0) for d in shown]
    true_claims, false_claims = against_neither(hidden, np.array([1.0, 1.0, -0.5]))
    assert true_claims.tolist() == false_claims.tolist() == [0.0] * 3
    said = against_neither(shown, np.array([0.0, 0.0, -0.5]))[0]
    assert said.tolist() == [-0.5] * 3


@pytest.mark.parametrize(
    "change",
    [
        {"format": 9},
        {"together": [1.0]},
        {"cap": [1.0, 2.0]},
        {"fitted": [{"ear": 1}]},
        {"alone": {}},
        {"curves": {"nothing": []}},
        {
            "held_out": [
                {"ear": 1, "condition": "", "truth": "A", "rival": "B", "scores": {}, "said": 1.5}
            ]
        },
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
