"""A list that writes no row breaks, and the herd's own photos that show them."""

from __future__ import annotations

import csv
import hashlib
import json
import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from PIL import Image

from legibility import __version__
from legibility.cli import cli
from legibility.containers import (
    Candidate,
    Decision,
    Flag,
    PhotoResult,
    Provenance,
    Reading,
)
from legibility.identify.decision import identify
from legibility.identify.registry import Registry
from legibility.networks import models_sha256
from legibility.photo.load import load_photo
from legibility.pipeline import herd_registry as kept
from legibility.pipeline.herd_registry import herd_registry, registry_from
from legibility.pipeline.run import final_calibration
from legibility.settings import Settings
from legibility.store.database import open_herd
from legibility.store.readings import newest_reading, whole_reading
from tests.example_results import cell, hypothesis, identified_result

ANIMALS = 14
EVEN, LEARNED = "any row break is as likely as any other", "row breaks of {} marks seen in the ear"


def call(*arguments: str | Path) -> Result:
    return CliRunner().invoke(cli, ["herd", *map(str, arguments)])


def mark(number: int) -> str:
    return f"HD{770 + number}"


def two_rows(number: int) -> Reading:
    """Photo of a mark in two rows, read without a doubt."""
    letters, figures = mark(number)[:2], mark(number)[2:]
    rows = [tuple(cell(c, 0.97, 30.0 * x) for x, c in enumerate(row)) for row in (letters, figures)]
    return Reading((hypothesis(*rows),), -7.0)


@pytest.fixture(autouse=True)
def arranged_reader(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each photo's name says which animal it names, in which rows, and what is wrong with it."""

    def read(path: Path, *, registry: Registry, settings: Settings) -> PhotoResult:
        animal, text, flag = path.stem.split(" ")
        _, calibration = final_calibration(settings)
        found = identified_result(str(path))
        chosen = Candidate(f"goat {animal}", text.replace("+", ""), 0.99)
        identification = replace(
            found.identification,
            candidates=(chosen,),
            candidate_set=(chosen.animal_id,),
            decision=Decision.IDENTIFIED if flag != "open" else Decision.AMBIGUOUS,
            layouts=registry.layouts.basis,
        )
        return replace(
            found,
            sha256=load_photo(path, settings=settings).sha256,
            text=text.replace("+", "/"),
            flags=Flag.BLURRED if flag == "blurred" else Flag.NONE,
            identification=identification,
            provenance=Provenance(__version__, models_sha256(), settings.sha256, calibration),
        )

    monkeypatch.setattr("legibility.pipeline.read", read)
    kept._counted.clear()
    kept._kept_registry.cache_clear()


@pytest.fixture
def herd(tmp_path: Path) -> Path:
    """A record from a list that writes ``HD-770``."""
    listed = tmp_path / "list.csv"
    rows = "".join(f"goat {n},{mark(n)[:2]}-{mark(n)[2:]}\n" for n in range(ANIMALS))
    listed.write_text("animal_id,mark\n" + rows)
    path = tmp_path / "herd.db"
    assert call("new", path).exit_code == 0
    done = call("import-registry", path, listed, "--who", "Ada")
    assert done.exit_code == 0, done.output
    return path


def photographed(herd: Path, *names: str) -> Result:
    """Photos of these names in the record; the pixels of each are its own."""
    folder = herd.parent / hashlib.sha256(" ".join(names).encode()).hexdigest()[:8]
    folder.mkdir()
    for name in names:
        colour = tuple(hashlib.sha256(name.encode()).digest()[:3])
        Image.new("RGB", (320, 240), colour).save(folder / f"{name}.png")
    done = call("import-photos", herd, folder, "--jobs", "1")
    assert done.exit_code == 0, done.output
    return done


def shown(number: int, *, rows: int = 2, note: str = "clear") -> str:
    text = mark(number) if rows == 1 else f"{mark(number)[:2]}+{mark(number)[2:]}"
    return f"{number} {text} {note}"


def history(herd: Path, animal: str) -> str:
    return " ".join(call("history", herd, animal).output.split())


def test_a_mark_is_shown_as_written_and_kept_so(herd: Path, tmp_path: Path) -> None:
    assert "mark HD770, written HD-770" in history(herd, "goat 0")
    assert "stands in the ear" not in history(herd, "goat 0")
    for form in ("csv", "json"):
        again = tmp_path / f"{form}.db"
        assert call("export", herd, tmp_path / form, "--as", form).exit_code == 0
        assert call("new", again, "--from", tmp_path / form).exit_code == 0
        assert "mark HD770, written HD-770" in history(again, "goat 0")
    with open_herd(herd) as db:
        registry = registry_from(db)
    assert (registry.mark(3), registry.written_mark(3)) == ("HD773", "HD-773")


def test_the_rows_of_identified_photos_are_learned(herd: Path) -> None:
    first = photographed(herd, *(shown(n) for n in range(9)))
    assert EVEN in first.stderr
    with open_herd(herd) as db:
        assert registry_from(db).layouts.basis == EVEN
    photographed(herd, shown(9))
    assert LEARNED.format(10) in photographed(herd, shown(9, note="again")).stderr
    said = history(herd, "goat 9")
    assert "stands in the ear as HD over 779, read on 2 photos" in said
    assert "as HD over 770, read on 1 photo " in history(herd, "goat 0") + " "
    with open_herd(herd) as db:
        before, now = registry_from(db, seen=()), registry_from(db)
        last = newest_reading(db, load_photo_digest(herd, shown(9, note="again")))
        assert last is not None
        assert whole_reading(db, last).identification.layouts == LEARNED.format(10)
    # Of five characters 10 seen as 2 + 3; beforehand 4 marks, half of them in one row, an eighth
    # in each of the four breaks (``identify.layouts``): (10 + 4 / 8) / 14 and 2 / 14.
    assert now.layouts.basis == LEARNED.format(10)
    assert now.layouts.probability[5, [2, 0]] == pytest.approx([0.75, 1 / 7])
    # An animal that no photo has shown yet is known better by what the others showed.
    reading = two_rows(13)
    chances = [identify(reading, one).candidates[0] for one in (before, now)]
    assert [one.animal_id for one in chances] == ["goat 13"] * 2
    assert chances[1].probability > chances[0].probability


def load_photo_digest(herd: Path, name: str) -> str:
    (path,) = herd.parent.glob(f"*/{name}.png")
    return load_photo(path, settings=Settings()).sha256


def counts(herd: Path) -> dict[tuple[int, int], float]:
    with open_herd(herd) as db:
        return dict(kept.layouts_of_herd(db))


def test_what_counts(herd: Path) -> None:
    photographed(
        herd,
        shown(0),
        shown(0, note="again"),
        shown(1, rows=1),
        shown(2, note="open"),
        shown(3, note="blurred"),
        f"4 {mark(5)[:2]}+{mark(5)[2:]} clear",
        shown(6),
        shown(7),
    )
    assert counts(herd) == {(5, 2): 3, (5, 0): 1}
    # Both ways are said, the one seen most often first; each counts once.
    photographed(herd, shown(0, rows=1))
    assert counts(herd) == {(5, 2): 3, (5, 0): 2}
    said = "as HD over 770, read on 2 photos; or in one row, read on 1 photo"
    assert said in history(herd, "goat 0")
    # A person gives one photo to another animal; a mark is pressed anew after another photo.
    (photo,) = herd.parent.glob(f"*/{shown(6)}.png")
    done = call("correct", "photo", herd, photo, "--animal", "goat 8", "--who", "Ada", "--why", "x")
    assert done.exit_code == 0, done.output
    assert counts(herd) == {(5, 2): 2, (5, 0): 2}
    call("record", herd, "re-marked", "--animal", "goat 7", "--text", "HD/999", "--who", "Ada")
    assert counts(herd) == {(5, 2): 1, (5, 0): 2}
    assert call("undo", herd, "--who", "Bo").exit_code == 0
    assert counts(herd) == {(5, 2): 2, (5, 0): 2}


def test_a_list_that_writes_the_row_breaks_is_not_counted_twice(tmp_path: Path) -> None:
    herd, listed = tmp_path / "herd.db", tmp_path / "list.csv"
    listed.write_text(
        "animal_id,mark\n" + "".join(f"goat {n},HD/{770 + n}\n" for n in range(ANIMALS))
    )
    call("new", herd)
    call("import-registry", herd, listed)
    photographed(herd, shown(0))
    assert "as HD over 770, read on 1 photo" in history(herd, "goat 0")
    assert counts(herd) == {}
    with open_herd(herd) as db:
        basis = registry_from(db).layouts.basis
    assert basis == f"row breaks that the list writes for {ANIMALS} marks"


def test_the_kept_registry_learns_by_tenths(herd: Path) -> None:
    """Choice of ``pipeline.herd_registry``: ten marks at least, then at each tenth more."""
    learned = []
    for number in range(ANIMALS):
        photographed(herd, shown(number))
        registry = herd_registry(herd)
        assert registry is not None
        assert herd_registry(herd) is registry
        learned.append(registry.layouts.basis)
    assert learned == [EVEN] * 9 + [LEARNED.format(n) for n in (10, 11, 11, 13, 13)]


def test_old_records_and_exports_open(herd: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    assert call("export", herd, out).exit_code == 0
    with (out / "marks.csv").open(newline="", encoding="utf-8") as file:
        rows = [dict(row) for row in csv.DictReader(file)]
    assert rows[0].pop("written") == "HD-770"
    with (out / "marks.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(rows[0]), extrasaction="ignore")
        writer.writeheader()
        writer.writerows(rows)
    assert call("new", tmp_path / "old.db", "--from", out).exit_code == 0
    shown_marks = json.loads(call("history", tmp_path / "old.db", "goat 0", "--json", "-").stdout)
    assert shown_marks["marks"] == [["HD770", "", "", "", "", ""]]
    # A list that is imported again fills in how it writes the mark.
    done = call("import-registry", tmp_path / "old.db", herd.parent / "list.csv")
    assert f"{ANIMALS} changed" in done.output
    assert "written HD-770" in history(tmp_path / "old.db", "goat 0")
    connection = sqlite3.connect(tmp_path / "old.db")
    assert connection.execute("SELECT count(*) FROM marks").fetchone() == (ANIMALS,)
    connection.close()


def test_a_list_that_comes_with_or_without_row_breaks_is_the_same_list(herd: Path) -> None:
    listed = herd.parent / "broken.csv"
    rows = "".join(f"goat {n},{mark(n)[:2]}/{mark(n)[2:]}\n" for n in range(ANIMALS))
    listed.write_text("animal_id,mark\n" + rows)
    kept_before = herd_registry(herd)
    done = call("import-registry", herd, listed, "--json", "-")
    report = json.loads(done.stdout)
    assert (report["new"], report["changed"], report["cases"]) == (0, ANIMALS, 0)
    assert "mark HD/770, written HD-770" in history(herd, "goat 0")
    now = herd_registry(herd)
    assert now is not None
    assert now is not kept_before
    assert now.mark(0) == "HD/770"
    # The list without row breaks again: nothing is lost, and nothing contradicts.
    report = json.loads(
        call("import-registry", herd, herd.parent / "list.csv", "--json", "-").stdout
    )
    assert (report["same"], report["cases"]) == (ANIMALS, 0)
    # Another row break is another mark.
    listed.write_text("animal_id,mark\ngoat 0,HD7/70\n")
    assert json.loads(call("import-registry", herd, listed, "--json", "-").stdout)["cases"] == 1
