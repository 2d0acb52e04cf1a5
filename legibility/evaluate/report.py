"""The figures of one evaluation, as JSON and as tables, every rate with its count and interval."""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeAlias

from legibility.errors import OutputError
from legibility.intervals import Rate

Cell: TypeAlias = "str | int | float | Rate"
Row: TypeAlias = "Mapping[str, Cell]"


@dataclass(frozen=True, slots=True)
class Section:
    """One table."""

    title: str
    rows: tuple[Row, ...]
    note: str = ""


@dataclass(frozen=True, slots=True)
class Report:
    """Everything measured in one run."""

    n: int
    seed: int
    sections: tuple[Section, ...]
    facts: Mapping[str, str] = field(default_factory=dict)
    """Versions and digests that the figures hold for."""

    def section(self, title: str) -> Section:
        """A table by its title.

        Raises
        ------
        KeyError
            If there is none of that title.
        """
        for section in self.sections:
            if section.title == title:
                return section
        raise KeyError(f"no table {title!r}; there are: {[s.title for s in self.sections]}")


def as_json(report: Report) -> str:
    """The report as JSON; a rate is ``{value, count, total, low, high}``."""
    content = {
        "n": report.n,
        "seed": report.seed,
        "facts": dict(report.facts),
        "sections": [
            {
                "title": section.title,
                "note": section.note,
                "rows": [{k: _json_cell(v) for k, v in row.items()} for row in section.rows],
            }
            for section in report.sections
        ],
    }
    return json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _json_cell(cell: Cell) -> object:
    if isinstance(cell, Rate):
        value = cell.value if cell.total else None
        return {
            "value": value,
            "count": cell.count,
            "total": cell.total,
            "low": cell.low,
            "high": cell.high,
        }
    if isinstance(cell, float) and cell != cell:
        return None
    return cell


def as_markdown(report: Report) -> str:
    """The report as tables of plain text."""
    lines = [f"# Evaluation: {report.n} photos, seed {report.seed}", ""]
    lines += [f"- {name}: {value}" for name, value in report.facts.items()]
    for section in report.sections:
        lines += ["", f"## {section.title}", ""]
        if section.note:
            lines += [section.note, ""]
        lines += _table(section.rows)
    lines += ["", "Rates: share (count/total; Clopper-Pearson 95 % interval).", ""]
    return "\n".join(lines)


def _table(rows: Sequence[Row]) -> list[str]:
    if not rows:
        return ["(nothing to show)"]
    names = list(dict.fromkeys(name for row in rows for name in row))
    body = [[_text_cell(row.get(name, "")) for name in names] for row in rows]
    widths = [max(len(line[i]) for line in [names, *body]) for i in range(len(names))]

    def joined(cells: Sequence[str]) -> str:
        padded = (cell.ljust(width) for cell, width in zip(cells, widths, strict=True))
        return "| " + " | ".join(padded) + " |"

    return [joined(names), "|" + "|".join("-" * (w + 2) for w in widths) + "|", *map(joined, body)]


def _text_cell(cell: Cell) -> str:
    if isinstance(cell, Rate):
        if not cell.total:
            return "- (0/0)"
        return (
            f"{100 * cell.value:.1f} % ({cell.count}/{cell.total}; "
            f"{100 * cell.low:.1f}-{100 * cell.high:.1f})"
        )
    if isinstance(cell, float):
        return "-" if cell != cell else f"{cell:.4g}"
    return str(cell).replace("|", "\\|")


def write_report(report: Report, folder: Path) -> tuple[Path, ...]:
    """Write ``evaluation.json`` and ``evaluation.md``; each appears whole or not at all.

    Raises
    ------
    OutputError
        If the folder or a file cannot be written.
    """
    texts = {"evaluation.json": as_json(report), "evaluation.md": as_markdown(report)}
    written = []
    for name, text in texts.items():
        path = folder / name
        try:
            folder.mkdir(parents=True, exist_ok=True)
            _write_whole(path, text)
        except OSError as error:
            raise OutputError(f"{path}: cannot be written: {error.strerror}") from error
        written.append(path)
    return tuple(written)


def _write_whole(path: Path, text: str) -> None:
    handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as stream:
            stream.write(text)
        Path(temporary).chmod(0o644)
        Path(temporary).replace(path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise
