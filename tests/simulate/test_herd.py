"""The invented herd and the files of rendered photos."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest

from legibility.alphabet import split_mark
from legibility.errors import OutputError
from legibility.identify.registry import load_registry
from legibility.simulate import truth_from_json, write_photos
from legibility.simulate.herd import NEAR_TWINS, make_herd, write_herd


def test_a_herd_has_different_animals_and_near_twins() -> None:
    herd = make_herd(np.random.default_rng(1), animals=200)
    assert len({animal.animal_id for animal in herd}) == 200
    marks = {animal.mark for animal in herd}
    assert len(marks) == 200
    for animal in herd:
        split_mark(animal.mark)
        assert animal.ear in ("left", "right")
        assert animal.sex in ("female", "male")
        assert 2000 < animal.birth_year < 2030
    twins = sum(
        any(
            mark[:i] + NEAR_TWINS.get(mark[i], "?") + mark[i + 1 :] in marks
            for i in range(len(mark))
        )
        for mark in marks
    )
    assert twins >= 30
    with pytest.raises(ValueError, match="expected 40 to 400"):
        make_herd(np.random.default_rng(1), animals=39)


def test_chips_are_of_the_test_range() -> None:
    # ISO 11784: three digits of code, twelve of national number, at most 2**38 - 1 =
    # 274877906943 (ICAR's slides on the coding of the transponder); 999 is the test code.
    chips = [animal.chip for animal in make_herd(np.random.default_rng(2), animals=300)]
    carried = [chip for chip in chips if chip]
    assert carried
    for chip in carried:
        assert len(chip) == 15
        assert chip.startswith("999")
        assert 0 <= int(chip[3:]) <= 274_877_906_943


def test_herd_files(tmp_path: Path) -> None:
    files = write_herd(tmp_path / "herd", seed=3, animals=40, photos=6, width_px=200)
    with files.registry.open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    by_id = {row["Goat"]: row["Tattoo left ear"] or row["Tattoo right ear"] for row in rows}
    assert len(by_id) == 40
    registry = load_registry(files.registry)
    assert {animal.animal_id: animal.mark for animal in registry} == by_id
    assert list(registry.columns) == ["animal_id", "ear", "sex", "chip", "status"]
    assert (registry.birth_years > 0).all()
    assert len(files.photos) == len(files.animal_ids) == 6
    assert files.animal_ids.count(None) == 1
    truths = json.loads(files.truth.read_text())["photos"]
    for path, who, truth in zip(files.photos, files.animal_ids, truths, strict=True):
        assert path.read_bytes()[:2] == b"\xff\xd8"
        assert truth["animal_id"] == who
        assert truth["photo"] == f"photos/{path.name}"
        if who is None:
            assert truth["mark"].replace("/", "") not in by_id.values()
        else:
            assert truth["mark"].replace("/", "") == by_id[who]
    again = write_herd(tmp_path / "again", seed=3, animals=40, photos=6, width_px=200)
    assert again.registry.read_bytes() == files.registry.read_bytes()
    assert [p.read_bytes() for p in again.photos] == [p.read_bytes() for p in files.photos]
    assert not list(tmp_path.rglob("*.tmp"))


def test_a_longer_run_begins_with_the_shorter_one(tmp_path: Path) -> None:
    seen: list[int] = []
    short = write_photos(tmp_path / "short", count=1, seed=5, progress=seen.append)
    longer = write_photos(tmp_path / "long", count=2, seed=5)
    assert seen == [1]
    assert [path.name for path in longer] == ["ear-0001.jpg", "ear-0002.jpg"]
    assert short[0].read_bytes() == longer[0].read_bytes()
    lines = (tmp_path / "long" / "truth.jsonl").read_text().splitlines()
    assert len(lines) == 2
    record = json.loads(lines[1])
    assert record.pop("photo") == "ear-0002.jpg"
    assert truth_from_json(json.dumps(record)).width_px >= 800


def test_a_folder_that_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError, match="file"):
        write_photos(tmp_path / "file", count=1, seed=1)
    with pytest.raises(OutputError, match="file"):
        write_herd(tmp_path / "file" / "below", seed=1, animals=40, photos=0)
