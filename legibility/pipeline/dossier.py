"""A case documented: page, record and zip; and every figure of a zip computed again."""

from __future__ import annotations

import hashlib
import json
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

from legibility.errors import EvidenceError, LegibilityError
from legibility.evidence.case_zip import unpack, zip_bytes
from legibility.evidence.dossier import FORMAT, dossier_record
from legibility.evidence.refigure import TOLERANCE, Difference, compared
from legibility.pipeline.case_figures import CaseFigures, case_figures
from legibility.pipeline.case_files import (
    CASE,
    Case,
    case_text,
    load_case,
    load_case_settings,
    write_files,
)
from legibility.pipeline.versions import SAME_BITS, versions
from legibility.report.dossier_page import dossier_page
from legibility.report.writing import write_bytes
from legibility.settings import Settings

DOSSIER: Final = "dossier.json"
PAGE: Final = "dossier.html"
_APART: Final = frozenset({"figures", "pictures", "versions"})
"""Parts of the record that are compared in a manner of their own."""


@dataclass(frozen=True, slots=True)
class Dossier:
    """What was written."""

    record: Mapping[str, Any]
    files: Mapping[Path, str]
    """Written files and their SHA-256."""


@dataclass(frozen=True, slots=True)
class Rerun:
    """What came of computing a dossier's figures again."""

    figures: int
    differences: tuple[Difference, ...]
    same_platform: bool
    tolerance: float
    """0 where the same bits are expected."""
    changed_versions: tuple[Difference, ...]
    """What the figures were made with, and is another now."""
    pictures: int
    """Pictures compared byte by byte; 0 on another platform."""
    words: int
    """Other entries of the record compared: with the same version all, such as limits and cautions,
    else those that ask."""
    page: bool
    """Whether the page was made again and compared byte by byte."""


def make_dossier(case: Case, files: Mapping[str, bytes], *, page: Path) -> Dossier:
    """Compute everything of a case and write ``page``, and beside it the record and the zip.

    Raises
    ------
    EvidenceError
        If the claims cannot be weighed.
    LegibilityError
        If a file cannot be used or written.
    """
    contents = {**files, CASE: case_text(case).encode("ascii")}
    with tempfile.TemporaryDirectory(prefix="legibility-case-") as name:
        folder = Path(name)
        write_files(folder, contents)
        done = case_figures(folder, case)
        settings, _ = load_case_settings(folder)
    record = _record(case, done, settings)
    text = json.dumps(record, indent=1, allow_nan=False) + "\n"
    html = dossier_page(record, done.files)
    contents |= {**done.files, DOSSIER: text.encode("ascii"), PAGE: html.encode("utf-8")}
    written = {
        page: contents[PAGE],
        page.with_suffix(".json"): contents[DOSSIER],
        page.with_suffix(".zip"): zip_bytes(contents),
    }
    for path, data in written.items():
        write_bytes(path, data)
    digests = {path: hashlib.sha256(data).hexdigest() for path, data in written.items()}
    return Dossier(record, digests)


def dossier_entry(done: Dossier, case: Case) -> tuple[dict[str, Any], dict[str, Any]]:
    """Inputs and outputs for the record's chain."""
    inputs = {
        "case": case.number,
        "photos": [item.sha256 for item in case.items],
        "claims": list(case.claims),
    }
    outputs = {
        "files": {path.name: digest for path, digest in done.files.items()},
        "pictures": [
            {name: p[name] for name in ("sha256", "parent_sha256", "steps")}
            for p in done.record["pictures"]
        ],
        "log_ratio": done.record["figures"]["comparison"]["log_ratio"],
    }
    return inputs, outputs


def rerun(path: Path, *, tolerance: float = TOLERANCE) -> Rerun:
    """Compute every figure of a dossier's zip again and compare.

    Parameters
    ----------
    tolerance : float
        Allowed where system, processor or libraries are others; on the same ones the bits must be
        the same.

    Raises
    ------
    EvidenceError
        If the zip is unsafe or damaged, an original was changed, or the claims cannot be weighed.
    LegibilityError
        If another file of the case cannot be used.
    """
    with tempfile.TemporaryDirectory(prefix="legibility-rerun-") as name:
        folder = Path(name)
        unpack(path, folder)
        try:
            return _rerun(folder, tolerance)
        except LegibilityError as error:
            # Where the case lay for the moment is no help to anybody.
            raise type(error)(str(error).replace(f"{folder}/", "")) from error


def _rerun(folder: Path, tolerance: float) -> Rerun:
    case = load_case(folder)
    before = _held(folder)
    done = case_figures(folder, case)
    settings, _ = load_case_settings(folder)
    again = json.loads(json.dumps(_record(case, done, settings)))
    then, now = before["versions"], again["versions"]
    changed = compared(then, now)[1]
    same = all(then.get(name) == now[name] for name in SAME_BITS)
    same_words = then.get("legibility") == now["legibility"]
    allowed = 0.0 if same else tolerance
    count, differences = compared(before["figures"], again["figures"], tolerance=allowed)
    pictures = 0
    if same:
        pictures, others = compared(*(_digests(r["pictures"]) for r in (before, again)))
        differences += others
    asked = ("question", "items", "settings")
    names = [n for n in again if n not in _APART] if same_words else asked
    words, others = compared(*({n: r.get(n) for n in names} for r in (before, again)))
    differences += others
    page = same and same_words and not differences
    if page:
        # Nothing differs, so this is the page of the record that the zip holds.
        html = dossier_page(before, done.files).encode("utf-8")
        if not _is(folder / PAGE, html):
            differences += (Difference(PAGE, "not the page of this record", "the page of it"),)
    return Rerun(count, differences, same, allowed, changed, pictures, words, page)


def _record(case: Case, done: CaseFigures, settings: Settings) -> dict[str, Any]:
    record = dossier_record(
        asdict(case),
        done.figures,
        pictures=done.pictures,
        versions=versions(second_reader=settings.second_reader),
        unmasking=done.unmasking,
    )
    return {**record, "settings": asdict(settings)}


def _digests(pictures: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    return {"pictures": {p["file"]: {k: v for k, v in p.items() if k != "file"} for p in pictures}}


def _is(path: Path, data: bytes) -> bool:
    try:
        return path.read_bytes() == data
    except OSError:
        return False


def _held(folder: Path) -> dict[str, Any]:
    """The record in a zip."""
    values: Any
    try:
        values = json.loads((folder / DOSSIER).read_text("utf-8"))
        if values["format"] != FORMAT:
            raise ValueError(f"format is not {FORMAT}")
        for name in ("figures", "versions", "question"):
            values[name] = dict(values[name])
        values["pictures"] = [{**p, "file": str(p["file"])} for p in values["pictures"]]
        return dict(values)
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise EvidenceError(f"{DOSSIER}: cannot be used: {error}") from error
