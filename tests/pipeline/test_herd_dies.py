"""Ears read with the herd's own dies."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from legibility.alphabet import CHARACTERS
from legibility.batch import file_reader
from legibility.errors import SettingsError
from legibility.evaluate.learned_dies import figures, read_rows
from legibility.photo.load import load_photo
from legibility.pipeline import read_photo
from legibility.read.herd_dies import load_die_weights
from legibility.read.learned_dies import LearnedDies, merge, save_dies
from legibility.settings import Settings
from legibility.simulate import render, sample_scene
from legibility.simulate.press import die_needles


def test_known_dies_make_the_true_characters_likelier() -> None:
    """Dies of sources on which neither the networks nor the weights were fitted."""
    rows = list(read_rows(6, seed=40, half=1))
    everything = figures(rows, load_die_weights())[0]
    without, with_dies = everything["without"], everything["with"]
    assert isinstance(without, dict)
    assert isinstance(with_dies, dict)
    assert with_dies["log_loss"] < without["log_loss"]
    assert with_dies["right"] >= without["right"]


def test_a_reading_with_dies_names_their_needles(tmp_path: Path) -> None:
    spec = sample_scene(
        np.random.default_rng(7), mark="B806", split="held_out", wear="mild", hair=0.0,
        rotation_deg=0.0, mirrored=False, mark_share=0.5, width_px=800, clean=True,
    )  # fmt: skip
    (tmp_path / "ear.jpg").write_bytes(render(spec).jpeg)
    known = merge(LearnedDies(), [(c, die_needles(spec.dies, c)) for c in CHARACTERS])
    save_dies(known, tmp_path / "dies.toml")
    taught = Settings(second_reader=False, dies_file=str(tmp_path / "dies.toml"))
    photo = load_photo(tmp_path / "ear.jpg", settings=taught)
    result = read_photo(photo, settings=taught)
    numbers = {len(die_needles(spec.dies, c)) for c in CHARACTERS}
    cells = [cell for row in result.reading.hypotheses[0].rows for cell in row]
    assert {cell.needles.expected for cell in cells} <= numbers
    assert result.provenance.settings_sha256 != replace(taught, dies_file="").sha256


def test_a_bad_file_of_dies_is_reported_before_the_first_photo(tmp_path: Path) -> None:
    (tmp_path / "dies.toml").write_text("format = 7\n")
    with pytest.raises(SettingsError, match="format is 7"):
        file_reader(
            registry=None, rules=None, settings=None, second_reader=False,
            dies=tmp_path / "dies.toml",
        )  # fmt: skip
