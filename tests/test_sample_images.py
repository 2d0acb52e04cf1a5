"""The sample photos are what their README says, and can be made anew."""

from __future__ import annotations

import importlib.util
import io
import re
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from PIL import Image

from legibility.identify.registry import load_registry
from legibility.simulate import render
from legibility.simulate.herd import make_herd

FOLDER = Path(__file__).parent.parent / "sample_images"
PHOTOS = sorted(FOLDER.glob("*.jpg"))


@pytest.fixture(scope="module")
def script() -> ModuleType:
    spec = importlib.util.spec_from_file_location("sample_images_make", FOLDER / "make.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("path", PHOTOS, ids=lambda path: path.name)
def test_photos_are_small(path: Path) -> None:
    assert path.stat().st_size < 250_000
    with Image.open(path) as picture:
        assert picture.format == "JPEG"
        assert max(picture.size) <= 1000


def test_the_list_in_the_readme_is_whole_and_true_to_the_registry(script: ModuleType) -> None:
    text = (FOLDER / "README.md").read_text("utf-8")
    rows = re.findall(r"^\| \[(\S+)\]\(\1\) \| (?:`(\S+)`|none) \| ([^|]+) \|", text, re.MULTILINE)
    assert {name for name, _, _ in rows} == {path.name for path in PHOTOS} == set(script.SAMPLES)
    animals = list(load_registry(FOLDER / "registry.csv"))
    marks = {animal.animal_id: animal.mark for animal in animals}
    for _, mark, animal in rows:
        if animal in marks:
            assert marks[animal] == mark.replace("/", "")
        else:
            assert animal in {"none", "not in the registry"}
            assert mark is None or mark.replace("/", "") not in marks.values()


def test_a_photo_can_be_made_anew(script: ModuleType) -> None:
    """Compared as pixels: another build of the JPEG library may write other bytes."""
    herd = make_herd(np.random.default_rng(script.HERD_SEED), animals=script.ANIMALS)
    scene = script.scene(script.SAMPLES["as-new.jpg"], script.chosen(herd))
    with (
        Image.open(io.BytesIO(render(scene).jpeg)) as made,
        Image.open(FOLDER / "as-new.jpg") as shipped,
    ):
        assert made.size == shipped.size
        difference = np.asarray(made, dtype=float) - np.asarray(shipped, dtype=float)
    assert np.abs(difference).mean() < 1.0
