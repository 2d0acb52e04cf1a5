"""Writes files as the program of today writes them, for the programs of later to open.

``python -m tests.golden.old`` writes ``old/VERSION`` anew. What a released version wrote is never
written again: when a format changes, a folder is added. ``card.jpg`` is a rendered card of K417,
``small.jpg`` and ``no-mark.jpg`` are sample photos of 420 pixels.
"""

from __future__ import annotations

import gzip
import io
import json
import shutil
import sqlite3
import sys
from contextlib import redirect_stdout
from pathlib import Path

from legibility import __version__
from legibility.store.database import create_herd
from legibility.store.importing import RegistryRow, Source, import_registry
from legibility.store.records import AnimalRow, MarkRow
from tests.evaluate.test_record_truth import MARKS, add, chip, result
from tests.herd_records import fading_herd

from .frozen import frozen
from .running import ROOT, run, said

HERE = Path(__file__).parent / "old"
PHOTOS = ("as-new.jpg", "upside-down.jpg", "no-mark.jpg")
"""Sample photos that are in the old record."""
SETTINGS = 'second_reader = false\nidentified_probability = 0.95\nherd_prefix = "HD"\n'
RULES = """\
prefix = "KT"
exclude = "IO"

[[forms]]
ear = "left"
rows = ["{prefix}", "[1-9]#{0,3}"]

[[forms]]
ear = "right"
rows = ["@@#{4}{check}"]
check = "mod-37-36"
"""
COUNTS = "true,read,count\n8,8,40\n8,3,2\n3,3,31\nB,8,1\nB,B,12\n"
COSTS = "days_to_next = 120\ncosts = { breeding = 10 }\n[acts.transponder]\nminutes = 4\n"
TEST = ("--test-numbers", "--who", "Ada")
ONE = ("--no-second-reader", "--jobs", "1")


def write_old(out: Path) -> None:
    """Everything that a user may have kept."""
    with frozen() as folder:
        shutil.copytree(ROOT / "sample_images", folder / "sample_images")
        (folder / "settings.toml").write_text(SETTINGS)
        (folder / "rules.toml").write_text(RULES)
        (folder / "counts.csv").write_text(COUNTS)
        (folder / "costs.toml").write_text(COSTS)
        _record(folder)
        _confirmed(folder)
        for name in ("card.jpg", "small.jpg", "no-mark.jpg"):
            shutil.copy(HERE / "0.1.0" / name, folder / name)
        said("proof", "card.jpg", "--mark", "K417", "--learn", "dies.toml")
        photos = [f"sample_images/{name}" for name in PHOTOS[:2]]
        said("blind", "make", *photos, "--out", "sheets", "--key", "key.json", "--seed", "3",
             "--reader", "Ada", "--reader", "Bo", "--repeats", "0.5")  # fmt: skip
        for sheet, answers in (("ada", ("J342", "C497")), ("bo", ("J34?", "C497"))):
            _fill(folder / "sheets" / f"sheet-{sheet}.csv", folder / "key.json", answers)
        said("blind", "score", "sheets/sheet-ada.csv", "sheets/sheet-bo.csv", "--key", "key.json",
             "--reliability", "reliability.json")  # fmt: skip
        said("calibrate", "--from", "confirmed.db", "--counts", "own-counts.csv",
             "--out", "calibration.json")  # fmt: skip
        said("read", "--same-animal", *photos, "--no-second-reader", "--stage", "as-found",
             "--stage", "clipped", "--registry", "sample_images/registry.csv",
             "--save-step-records", "steps.csv")  # fmt: skip
        said("dossier", "small.jpg", "--claim", "Eskel 005", "--claim", "J341", "--registry",
             "sample_images/registry.csv", "--settings", "settings.toml", "--by", "Ada",
             "--question", "Which of the two?", "--out", "case.html")  # fmt: skip
        said("registry", "sample_images/registry.csv", "--test-numbers", "--save", "learned.toml")
        run("verify", "herd.db", "--export-head", "head.json")
        said("herd", "export", "herd.db", "exported", "--as", "json")
        shutil.rmtree(out, ignore_errors=True)
        out.mkdir(parents=True)
        for name in ("settings.toml", "rules.toml", "counts.csv", "costs.toml", "dies.toml",
                     "card.jpg", "small.jpg", "no-mark.jpg", "key.json", "reliability.json",
                     "own-counts.csv", "calibration.json", "steps.csv", "case.zip", "learned.toml",
                     "head.json"):  # fmt: skip
            shutil.copy(folder / name, out / name)
        for sheet in ("sheet-ada.csv", "sheet-bo.csv"):
            shutil.copy(folder / "sheets" / sheet, out / sheet)
        for name in ("herd.db", "confirmed.db"):
            with sqlite3.connect(folder / name) as db:
                db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
                db.execute("PRAGMA journal_mode = DELETE")
            db.close()
            (out / f"{name}.gz").write_bytes(_packed((folder / name).read_bytes()))
        for file in (folder / "exported").iterdir():
            (out / f"exported-{file.name}.gz").write_bytes(_packed(file.read_bytes()))


def _packed(data: bytes) -> bytes:
    packed = io.BytesIO()
    with gzip.GzipFile(fileobj=packed, mode="wb", mtime=0) as file:
        file.write(data)
    return packed.getvalue()


def _record(folder: Path) -> None:
    """A herd whose marks fade, and animals of the sample photos with all that people do."""
    fading_herd(folder / "herd.db", animals=24).close()
    photos = folder / "photos"
    photos.mkdir()
    for name in PHOTOS:
        shutil.copy(folder / "sample_images" / name, photos / name)
    (photos / "photos.csv").write_text(
        "file,ear,stage,taken_at\n"
        "as-new.jpg,left,as-found,2026-05-04 09:00\n"
        "upside-down.jpg,left,clipped,2026-05-04 09:05\n"
        "no-mark.jpg,left,clipped,2026-05-04 09:10\n"
    )
    (folder / "scans.csv").write_text(
        "number,time,reader\n999058523759006,2026-05-04 09:05:10,pen 1\n"
        "276000000000003,2026-05-04 09:30:00,pen 1\n"
    )
    said("herd", "import-registry", "herd.db", "sample_images/registry.csv", *TEST)
    said("herd", "import-photos", "herd.db", "photos", "--manifest", "photos/photos.csv", "--copy",
         *ONE, *TEST)  # fmt: skip
    said("herd", "import-scans", "herd.db", "scans.csv", "--pair-within", "30", *TEST)
    said("herd", "look", "herd.db", "--animal", "Ewe 003", "--read", "K1?9", "--blind", "--usable",
         "--who", "Bo", "--at", "2026-05-04", "--ear", "left")  # fmt: skip
    said("herd", "record", "herd.db", "re-marked", "--animal", "Ewe 005", "--ear", "left",
         "--text", "A798", "--who", "Ada", "--at", "2026-05-05")  # fmt: skip
    said("herd", "give", "herd.db", "photos/as-new.jpg", "--to", "Eskel 005", "--who", "Ada")
    said("herd", "correct", "reading", "herd.db", "1", "--take-back", "--who", "Bo",
         "--why", "it was the ewe behind her")  # fmt: skip
    with sqlite3.connect(folder / "herd.db") as db:
        for name in PHOTOS:
            db.execute(
                "UPDATE photos SET path = ? WHERE path LIKE ?", (f"/photos/{name}", f"%/{name}")
            )
    db.close()


def _confirmed(folder: Path) -> None:
    """Photos whose animal a transponder confirms, enough to calibrate on."""
    with create_herd(folder / "confirmed.db") as db:
        rows = [
            RegistryRow(AnimalRow(f"goat {i}"), MarkRow(f"goat {i}", mark, ear="left"), chip(i))
            for i, mark in enumerate(MARKS)
        ]
        import_registry(db, rows, source=Source("r", "0" * 64))
        for number in range(70):
            add(db, result(number), number)


def _fill(sheet: Path, key: Path, answers: tuple[str, str]) -> None:
    """Answers of a reader, in the sheet's own order."""
    kept = json.loads(key.read_text("utf-8"))
    lines = sheet.read_text("utf-8").splitlines()
    heading = lines[0].split(",")
    (items,) = [s["items"] for s in kept["sheets"] if s["sheet"] == lines[1].split(",")[0]]
    for at, item in enumerate(items, start=1):
        cells = dict(zip(heading, lines[at].split(","), strict=True))
        cells["reading"], cells["legibility"] = answers[item["photo"]], "3"
        lines[at] = ",".join(cells.values())
    sheet.write_text("\r\n".join(lines) + "\r\n", "utf-8")


if __name__ == "__main__":
    with redirect_stdout(sys.stderr):
        write_old(HERE / __version__)
