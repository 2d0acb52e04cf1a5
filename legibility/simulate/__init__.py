"""Renders photos of marked ears with the truth of every needle."""

from legibility.simulate.compose import Rendering, render
from legibility.simulate.folder import write_photos
from legibility.simulate.scene import SceneSpec, sample_mark, sample_scene
from legibility.simulate.truth import (
    CharacterTruth,
    NeedleTruth,
    SceneTruth,
    truth_from_json,
    truth_to_json,
)

__all__ = [
    "CharacterTruth",
    "NeedleTruth",
    "Rendering",
    "SceneSpec",
    "SceneTruth",
    "render",
    "sample_mark",
    "sample_scene",
    "truth_from_json",
    "truth_to_json",
    "write_photos",
]
