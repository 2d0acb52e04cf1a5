"""One ear in several photos: what steps take away and what stays."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from legibility.containers import Stage
from legibility.identify.registry import load_registry
from legibility.simulate import SceneSpec, render
from legibility.simulate.staged_folder import write_staged
from legibility.simulate.stages import clipped, found_scene, repeated_scene, stage_scene
from tests.resaved_photos import resaved


def dirty_ear(seed: int = 1) -> SceneSpec:
    scene = found_scene(np.random.default_rng(seed), mark="B27", wear="mild", width_px=500)
    return replace(scene, wear=replace(scene.wear, dirt=0.4, wax=0.1))


def at(scene: SceneSpec, stage: Stage, *done: Stage, seed: int = 5) -> SceneSpec:
    return stage_scene(scene, done, stage, np.random.default_rng(seed))


def amounts(scene: SceneSpec) -> list[float]:
    return [n.amount for row in render(scene).truth.rows for c in row for n in c.needles]


def test_the_ink_of_every_needle_is_that_of_the_ear_in_all_its_photos() -> None:
    scene = dirty_ear()
    known = amounts(at(scene, Stage.AS_FOUND))
    for stage in Stage:
        assert amounts(at(scene, stage, Stage.CLEANED)) == pytest.approx(known)


def test_cleaning_uncovers_needles_and_stays() -> None:
    scene = dirty_ear()

    def hidden(spec: SceneSpec) -> float:
        return float(
            np.mean([n.hidden for row in render(spec).truth.rows for c in row for n in c.needles])
        )

    found, cleaned = at(scene, Stage.AS_FOUND), at(scene, Stage.CLEANED)
    later = at(scene, Stage.OTHER_ANGLE, Stage.CLEANED)
    assert hidden(cleaned) < hidden(found)
    assert later.wear == cleaned.wear
    assert at(scene, Stage.OTHER_ANGLE).wear == scene.wear


def test_clipping_leaves_stubble() -> None:
    hair = dirty_ear().hair
    short = clipped(hair)
    assert short.long_hairs == 0
    assert short.fur_cover < hair.fur_cover
    assert at(dirty_ear(), Stage.OTHER_ANGLE, Stage.CLIPPED).hair == clipped(dirty_ear().hair)


def test_light_from_behind_comes_through_and_is_seen_in_a_mirror_half_of_the_time() -> None:
    shots = [at(dirty_ear(), Stage.LIT_FROM_BEHIND, seed=seed) for seed in range(60)]
    assert all(shot.light.behind > 0 for shot in shots)
    # Binomial(60, 0.5): 15 or fewer, or 45 or more, once in 7,000.
    assert 15 < sum(shot.pose.mirrored for shot in shots) < 45
    assert not at(dirty_ear(), Stage.OTHER_ANGLE, Stage.LIT_FROM_BEHIND).light.behind


def test_the_next_frame_of_a_burst_has_other_grain_and_the_same_view() -> None:
    first = at(dirty_ear(), Stage.AS_FOUND)
    again = repeated_scene(first, np.random.default_rng(2))
    assert again.camera.shot != first.camera.shot
    assert again.wear == first.wear
    moved = np.subtract(again.pose.centre_px, first.pose.centre_px)
    assert np.hypot(*moved) < 0.02 * first.pose.width_px
    assert not np.array_equal(render(first).pixels, render(again).pixels)


def test_a_photo_depends_on_its_generator_alone() -> None:
    assert at(dirty_ear(), Stage.CLIPPED) == at(dirty_ear(), Stage.CLIPPED)


def test_storing_again_changes_the_size() -> None:
    pixels = render(at(dirty_ear(), Stage.AS_FOUND)).pixels
    assert resaved(pixels, quality=50, scale=0.5).shape[1] == 250


def test_a_handling_day_on_disk(tmp_path: Path) -> None:
    files = write_staged(tmp_path / "day", count=1, seed=3)
    rows = list(csv.DictReader(files.manifest.read_text().splitlines()))
    assert [row["stage"].replace(" ", "_") for row in rows] == [stage.value for stage in Stage]
    assert {row["session"] for row in rows} == {"ear 1"}
    assert all((tmp_path / "day" / row["photo"]).is_file() for row in rows)
    known = {animal.animal_id: animal.mark for animal in load_registry(files.registry)}
    lines = (tmp_path / "day" / "truth.jsonl").read_text().splitlines()
    truths = [json.loads(line) for line in lines]
    in_ear = [truth["mark"].replace("/", "") for truth in truths]
    assert [known[truth["animal_id"]] for truth in truths] == in_ear
