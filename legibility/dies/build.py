"""Build glyph sources from faces, single-stroke lettering and dot matrices.

``python -m legibility.dies.build MANIFEST.toml [--faces FOLDER]`` reads a list of sources and
writes ``strokes.npz`` and the table of origins beside it. It needs the faces that the list names
(Debian packages, all under licences that allow derived coordinates) and is not run by users.
"""

from __future__ import annotations

import argparse
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS
from legibility.dies.strokes import MAX_ASPECT, QUANTUM, Glyph, GlyphSource, save_sources

CAP_PX: Final = 160
"""Choice: height of a capital in pixels when a face is thinned."""
PRUNE: Final = 0.09
"""Choice: branches of a middle line shorter than this (heights) are artefacts."""
CLOSE: Final = 0.10
"""Choice: junctions nearer than this (heights) are one crossing."""
TOLERANCE: Final = 0.008
"""Choice: largest error of a simplified line, heights."""
FACES: Final = Path("/usr/share/fonts")
TABLE_MARKER: Final = "<!-- table written by legibility.dies.build -->"


def face_glyphs(
    path: Path, *, prune: float = PRUNE, close: float = CLOSE, serif: float = 0.0
) -> tuple[Glyph, ...]:
    """Middle lines of the 36 characters of an outline face."""
    from PIL import Image, ImageDraw, ImageFont

    from legibility.dies.skeleton import trace

    face = ImageFont.truetype(str(path), 200)
    top, bottom = face.getbbox("H")[1::2]
    face = face.font_variant(size=round(200 * CAP_PX / (bottom - top)))
    glyphs = []
    for character in CHARACTERS:
        canvas = Image.new("L", (4 * CAP_PX, 3 * CAP_PX))
        ImageDraw.Draw(canvas).text((CAP_PX, CAP_PX // 2), character, fill=255, font=face)
        filled = np.asarray(canvas) > 127
        lines = trace(
            filled,
            prune=prune * CAP_PX,
            close=close * CAP_PX,
            tolerance=TOLERANCE * CAP_PX,
            serif=serif * CAP_PX,
        )
        glyphs.append(normalised(lines))
    return tuple(glyphs)


def normalised(lines: Sequence[NDArray[np.float64]]) -> Glyph:
    """Lines moved and scaled to height 1 from the origin, squeezed to the widest aspect allowed."""
    if not lines:
        raise ValueError("a glyph without lines; expected at least one")
    points = np.concatenate(lines)
    low = points.min(axis=0)
    width, height = points.max(axis=0) - low
    if height <= 0:
        raise ValueError("a glyph without height; expected lines that span some")
    squeeze = min(1.0, MAX_ASPECT * height / width) if width > 0 else 1.0
    scale = np.array([squeeze, 1.0]) / height
    out: list[NDArray[np.float32]] = []
    for line in lines:
        unit = np.rint((line - low) * scale * QUANTUM) / QUANTUM
        if len(unit) > 1:
            step = np.any(np.diff(unit, axis=0) != 0, axis=1)
            unit = unit[np.concatenate([[True], step])]
        out.append(unit.astype(np.float32))
    return tuple(out)


def build(manifest: Path, faces: Path) -> list[GlyphSource]:
    """Sources that a manifest lists, in its order.

    Raises
    ------
    ValueError
        If an entry is of an unknown kind or a glyph of it has no lines.
    """
    listed: list[dict[str, Any]] = tomllib.loads(manifest.read_text("utf-8"))["source"]
    numbers: dict[str, int] = {}
    sources = []
    for entry in listed:
        split = entry["split"]
        numbers[split] = numbers.get(split, 0) + 1
        glyphs = _glyphs(entry, manifest.parent, faces)
        sources.append(
            GlyphSource(
                name=f"{split.replace('_', '-')}-{numbers[split]:03d}",
                kind=entry["kind"],
                split=split,
                strokes=glyphs,
                origin=entry["origin"],
                licence=entry["licence"],
            )
        )
    return sources


def _glyphs(entry: dict[str, Any], folder: Path, faces: Path) -> tuple[Glyph, ...]:
    if entry["kind"] == "skeleton":
        options = {key: entry[key] for key in ("prune", "close", "serif") if key in entry}
        return face_glyphs(faces / entry["file"], **options)
    from legibility.dies import lettering

    if entry["kind"] == "grid":
        return lettering.grid_glyphs(folder / entry["file"], entry["name"])
    if entry["file"].endswith(".jhf"):
        return lettering.hershey_glyphs(faces.parent / "hershey-fonts" / entry["file"])
    return lettering.stroke_glyphs(folder / entry["file"], entry["name"])


def origins_table(listed: Sequence[dict[str, Any]], sources: Sequence[GlyphSource]) -> str:
    """Markdown table of sources, the file each was made from, and its licence."""
    rows = ["| source | kind | origin | made from | licence |", "| --- | --- | --- | --- | --- |"]
    for entry, source in zip(listed, sources, strict=True):
        made_from = Path(entry["file"]).name + (f" [{entry['name']}]" if "name" in entry else "")
        rows.append(
            f"| {source.name} | {source.kind} | {source.origin} | {made_from} | {source.licence} |"
        )
    return "\n".join(rows) + "\n"


def _write_table(readme: Path, table: str) -> None:
    """Replace what stands below the marker line of a readme."""
    head = readme.read_text("utf-8").split(TABLE_MARKER)[0] if readme.exists() else ""
    readme.write_text(f"{head}{TABLE_MARKER}\n\n{table}", "utf-8")


def main(arguments: Sequence[str] | None = None) -> None:
    """Build the sources of one manifest."""
    parser = argparse.ArgumentParser(prog="python -m legibility.dies.build")
    parser.add_argument("manifest", type=Path)
    parser.add_argument("--faces", type=Path, default=FACES)
    options = parser.parse_args(arguments)
    sources = build(options.manifest, options.faces)
    save_sources(options.manifest.parent / "strokes.npz", sources)
    listed = tomllib.loads(options.manifest.read_text("utf-8"))["source"]
    _write_table(options.manifest.parent / "README.md", origins_table(listed, sources))
    print(f"{len(sources)} sources")


if __name__ == "__main__":
    main()
