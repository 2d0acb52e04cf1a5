"""Whole evaluations with readers that are known to be good or bad."""

from __future__ import annotations

import json

import pytest

from legibility.errors import OutputError
from legibility.evaluate import run
from legibility.evaluate.pose import SceneChoices
from legibility.evaluate.report import as_markdown
from legibility.evaluate.run import herd_photo, make_herd, run_evaluation
from legibility.evaluate.run import write_report as write
from tests.evaluate.fake_readers import FakeReader, guess

N, SEED = 24, 11
SMALL = SceneChoices(width_px=480, height_px=360, mark_share=0.7)


@pytest.fixture(scope="module")
def known():
    """Photo digest -> what is there."""
    herd = make_herd(seed=SEED)
    photos = [herd_photo(i, herd=herd, seed=SEED, choices=SMALL) for i in range(N)]
    return {
        photo.photo().sha256: "" if photo.truth.unreadable else photo.truth.mark
        for photo, _ in photos
    }


@pytest.fixture(scope="module")
def perfect(known):
    done = []
    report = run_evaluation(
        n=N,
        seed=SEED,
        reader=FakeReader(lambda photo: known[photo.sha256]),
        baselines=(),
        pairs=0,
        choices=SMALL,
        progress=done.append,
    )
    assert sum(done) == N
    return report


def row(section, name):
    return next(r for r in section.rows if name in r.values())


def test_a_perfect_reader_is_perfect(perfect):
    for name in ("person-readable", "all, no fading", "all, nearly lost"):
        found = row(perfect.section("Reading"), name)
        assert found["exact mark"].count == found["exact mark"].total
        assert found["characters"].count == found["characters"].total
    assert row(perfect.section("Reading"), "all, no fading")["exact mark"].total > 0
    registry = row(perfect.section("Registry"), "all with ink")
    assert registry["first candidate right"].value == 1.0
    assert registry["candidate set holds the truth"].value == 1.0
    assert registry["said >= 0.95 and wrong"].count == 0
    refused = row(perfect.section("Refusal"), "nothing to read")
    assert refused["refused"].count == refused["refused"].total > 0
    assert refused["characters said"] == 0


def test_a_guessing_reader_is_poor_and_found_out():
    report = run_evaluation(
        n=8, seed=SEED, reader=FakeReader(guess), baselines=(), pairs=0, choices=SMALL
    )
    marked = row(report.section("Registry"), "all with ink")
    assert marked["first candidate right"].value <= 0.5
    cells = row(report.section("Calibration"), "characters")
    assert cells["ECE, equal mass"] > 0.7
    refused = row(report.section("Refusal"), "nothing to read")
    assert refused["refused"].count == 0


def test_every_rate_is_printed_with_count_and_interval(perfect):
    text = as_markdown(perfect)
    assert "100.0 % (" in text
    for section in perfect.sections:
        assert f"## {section.title}" in text


def test_report_is_written_whole(perfect, tmp_path):
    paths = write(perfect, tmp_path / "new")
    assert sorted(p.name for p in (tmp_path / "new").iterdir()) == [
        "evaluation.json",
        "evaluation.md",
    ]
    content = json.loads(paths[0].read_text(encoding="utf-8"))
    assert content["n"] == N
    reading = content["sections"][0]["rows"][0]["exact mark"]
    assert set(reading) == {"value", "count", "total", "low", "high"}


def test_unwritable_folder_is_named(perfect, tmp_path):
    blocked = tmp_path / "file"
    blocked.write_text("")
    with pytest.raises(OutputError, match="file"):
        write(perfect, blocked)


def test_poses_show_the_same_ears():
    section = run.pose_pairs(FakeReader(guess), n=2, seed=3, width_px=480)
    assert [r["photos"] for r in section.rows] == ["upright", "upside down", "mirrored"]
    assert len({r["exact mark"].total for r in section.rows}) == 1
