from __future__ import annotations

import json
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np
import pytest

from legibility.alphabet import CHARACTERS, N_CLASSES, index_of
from legibility.batch.ordered import failed_result
from legibility.containers import Animal, Decision, Identification, PhotoResult, Reading, Status
from legibility.errors import RowsError, TableError
from legibility.evaluate.recalibrate import LEAST_PHOTOS, recalibrate
from legibility.evaluate.truth_table import TruthTable, load_truth_table
from legibility.identify.animals import Registry, registry_of
from legibility.identify.calibration import FinalCalibration
from legibility.identify.calibration_file import load_final_calibration, save_final_calibration
from legibility.identify.decision import identify
from legibility.report.calibration import calibration_lines
from legibility.settings import Settings
from tests.identify.reading_builder import cell_of, reading

BOASTFUL = FinalCalibration(exponent=1.0, floor=1e-6, origin="boasts")


def herd() -> Registry:
    rng = np.random.default_rng(99)
    numbers = rng.choice(26_000, 200, replace=False)
    return registry_of([Animal(f"goat {i:03d}", written(int(n))) for i, n in enumerate(numbers)])


def written(number: int) -> str:
    return f"{CHARACTERS[number // 1000]}{number % 1000:03d}"


def seen(mark: str, rng: np.random.Generator) -> Reading:
    """A reading that says 0.995 of every character and is right in 0.8."""
    cells = []
    for character in mark:
        shown = index_of(character)
        if rng.random() > 0.8:
            shown = int(rng.choice([c for c in range(36) if c != shown]))
        p = np.full(N_CLASSES, 0.005 / 36)
        p[shown] = 0.995
        cells.append(cell_of(np.log(p)))
    return reading([cells], no_mark=1e-4)


def photos(
    count: int, rng: np.random.Generator, folder: Path
) -> tuple[TruthTable, list[PhotoResult], Registry]:
    registry = herd()
    lines, results = ["photo;animal_id"], []
    for index in range(count):
        known = rng.random() < 0.9
        animal = int(rng.integers(len(registry)))
        mark = registry.mark(animal) if known else written(int(rng.integers(26_000)))
        lines.append(f"ear{index}.jpg;{registry.animal_id(animal) if known else ''}")
        blank = failed_result(folder / f"ear{index}.jpg", "")
        results.append(
            replace(blank, status=Status.READ, sha256=f"{index:064x}", reading=seen(mark, rng))
        )
    path = folder / "truth.csv"
    path.write_text("\n".join(lines))
    return load_truth_table(path, registry), results, registry


def test_a_boastful_calibration_is_mended(tmp_path: Path) -> None:
    table, results, registry = photos(150, np.random.default_rng(5), tmp_path)
    found = recalibrate(table, results, registry, settings=Settings(), current=BOASTFUL)
    assert found.better
    assert found.after.ece < found.before.ece
    assert found.after.brier.reliability < found.before.brier.reliability
    for promise in (found.before, found.after):
        split = promise.brier
        whole = split.reliability - split.resolution + split.uncertainty + split.within
        assert split.score == pytest.approx(whole)
        assert sum(each.right.total for each in promise.bins) == 150
    assert found.before.covered is None
    assert found.after.covered is not None
    # At least 95 % by the theorem; 0.1 % binomial limit of 150.
    assert found.after.covered >= 132
    assert found.least_risk == pytest.approx(1 / 152)

    path = tmp_path / "calibration.json"
    save_final_calibration(found.calibration, path)
    loaded = load_final_calibration(path)
    assert loaded.photos_fitted == 150
    assert "150 photos of" in loaded.origin
    got = identify(results[0].reading, registry, calibration=loaded)
    assert got.set_basis.startswith("split conformal, 1")
    assert json.dumps(asdict(found), allow_nan=False)

    text = "\n".join(calibration_lines(found))
    assert "expected calibration error" in text
    assert "150 given, 150 used" in text
    assert max(map(len, text.splitlines())) <= 80


def test_a_good_calibration_is_not_called_worse_than_its_own_fit(tmp_path: Path) -> None:
    table, results, registry = photos(120, np.random.default_rng(6), tmp_path)
    first = recalibrate(table, results, registry, settings=Settings(), current=BOASTFUL)
    again = recalibrate(table, results, registry, settings=Settings(), current=first.calibration)
    assert not again.better
    assert "keep that one" in "\n".join(calibration_lines(again)).replace("\n", " ")


def test_too_few_photos_are_refused_and_others_counted(tmp_path: Path) -> None:
    table, results, registry = photos(60, np.random.default_rng(7), tmp_path)
    nothing = Identification((), (), Decision.UNREADABLE, 1.0, ())
    results[0] = replace(results[0], status=Status.ERROR)
    results[1] = replace(results[1], reading=Reading((), 0.0), identification=nothing)
    results[2] = replace(results[2], sha256=results[3].sha256)
    found = recalibrate(table, results, registry, settings=Settings(), current=BOASTFUL)
    assert found.after.photos == 57
    assert sorted(found.left_out.values()) == [1, 1, 1]
    assert "same file as another photo" in found.left_out
    with pytest.raises(TableError, match=f"at least {LEAST_PHOTOS}") as caught:
        recalibrate(
            replace(table, photos=table.photos[:40]),
            results[:40],
            registry,
            settings=Settings(),
            current=BOASTFUL,
        )
    assert "37 of 40 photos can be used" in str(caught.value)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("photo\na.jpg", "line 1: found 'photo'; expected a header with photo and animal_id"),
        ("photo,animal_id\n,goat 001", "line 2: photo is empty"),
        ("photo,animal_id\na.jpg,goat 001\na.jpg,goat 002", "line 3: photo was already on line 2"),
        ("photo,animal_id\na.jpg,nobody", "line 2: animal_id 'nobody' is not in"),
        ("photo,animal_id\n.,goat 001", "is a folder"),
        (
            "photo,animal_id\na\0.jpg,goat 001",
            "line 2: photo: found 'a\\x00.jpg', with a control character",
        ),
        (f"photo,animal_id\n{'a' * 5000},goat 001", "line 2: photo: found 5000 characters"),
    ],
)
def test_bad_lines_are_named(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "truth.csv"
    path.write_text(text)
    with pytest.raises(RowsError, match=r"truth\.csv") as caught:
        load_truth_table(path, herd())
    assert words in str(caught.value)


def test_enough_strangers_speak_for_themselves(tmp_path: Path) -> None:
    table, results, registry = photos(300, np.random.default_rng(8), tmp_path)
    strangers = sum(not known.animal_id for known in table.photos)
    assert strangers >= 20
    found = recalibrate(table, results, registry, settings=Settings(), current=BOASTFUL)
    (scores,) = found.calibration.sets
    assert (len(scores.registered), len(scores.unregistered)) == (300 - strangers, strangers)
