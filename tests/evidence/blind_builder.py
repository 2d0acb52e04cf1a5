"""Reading sets filled in by invented readers."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from pathlib import Path

from legibility.evidence.blind import Key, KeyPhoto, Sheet, Step, draw_key
from legibility.evidence.sheets import FilledSheet, load_sheet, sheet_csv

BEFORE = (Step("sheet received", "2026-01-01T00:00:00+00:00", "ab" * 32),)


def small_key(count: int = 6, *, readers: tuple[str, ...] = ("one", "two"), seed: int = 4) -> Key:
    """A set of ``count`` photos named p0, p1, ..."""
    photos = [KeyPhoto(f"p{i}.jpg", f"{i:064x}") for i in range(count)]
    return draw_key(photos, readers, repeats=0.5, at="2026-01-01T00:00:00+00:00", seed=seed)


def filled(
    key: Key, sheet: Sheet, say: Callable[[int, bool], tuple[str, str]], folder: Path
) -> FilledSheet:
    """The sheet filled in with (reading, legibility) for each photo and whether it is a repeat."""
    rows = list(csv.DictReader(io.StringIO(sheet_csv(sheet, claims=bool(key.claims)))))
    for row, item in zip(rows, sheet.items, strict=True):
        row["reading"], row["legibility"] = say(item.photo, item.repeat)
    path = folder / f"{sheet.reader}.csv"
    with path.open("w", newline="") as file:
        writer = csv.DictWriter(file, fieldnames=list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    return load_sheet(path, key)
