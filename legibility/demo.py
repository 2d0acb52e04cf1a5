"""The demo: an invented herd, photographed by the simulator, read and listed."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from legibility.batch import FileReader, open_results, without_details
from legibility.batch.ordered import PhotoReader
from legibility.batch.overview import entry_pictures, worklist_entries
from legibility.containers import Decision, PhotoResult, Status
from legibility.photo.load import printable_name
from legibility.report.worklist import WorklistEntry, write_worklist_page

ANIMALS: Final = 60
"""Choice: animals of the registry; enough for near-twins."""

PHOTOS: Final = 16
"""Choice: photos that are rendered; they take most of the time."""

TITLE: Final = "An invented herd"
INTRODUCTION: Final = (
    "No animal here exists: the registry is invented and the photos are rendered. The reader was "
    "given the photos and the registry, and nothing else."
)


@dataclass(frozen=True, slots=True)
class HerdFiles:
    """An invented herd on disk."""

    registry: Path
    photos: tuple[Path, ...]
    animal_ids: Mapping[str, str | None]
    """Printable name of a photo -> the animal in it; None when it is not registered."""


@dataclass(frozen=True, slots=True)
class Demo:
    """What the demo made."""

    worklist: tuple[WorklistEntry, ...]
    summary: str
    """How often the reader was right, in a sentence."""
    page: Path


def make_demo(
    folder: Path,
    *,
    seed: int = 1,
    jobs: int = 0,
    herd: Callable[[Path, int], HerdFiles] | None = None,
    reader: Callable[[Path], PhotoReader] | None = None,
) -> Demo:
    """Render an invented herd into ``folder``, read it, and write one page with pictures.

    Parameters
    ----------
    folder : Path
        Made when it does not exist; files of an earlier demo are replaced.
    seed : int
        The same seed gives the same herd.
    jobs : int
        Processes to use, 0 for one a core.
    herd : callable, optional
        Writes the herd's files into a folder, for a seed; the simulator's herd by default.
    reader : callable, optional
        Makes the reader for a registry; the pipeline by default.

    Raises
    ------
    OutputError
        If the folder cannot be written.
    """
    files = (herd or rendered_herd)(folder, seed)
    make_reader = reader or FileReader
    with open_results(files.photos, reader=make_reader(files.registry), jobs=jobs) as results:
        read = [without_details(result) for result in results.stream]
    registry, _ = FileReader(files.registry).inputs()
    entries = worklist_entries(read, registry)
    page = folder / "worklist.html"
    summary = score(read, files.animal_ids)
    write_worklist_page(
        page,
        entries,
        title=TITLE,
        introduction=f"{INTRODUCTION} {summary}",
        pictures=entry_pictures(files.photos, read),
    )
    return Demo(entries, summary, page)


def score(results: list[PhotoResult], animal_ids: Mapping[str, str | None]) -> str:
    """How often the reader was right, in two sentences that hide no error.

    Examples
    --------
    >>> score([], {})
    'Of 0 photos 0 were read. The first candidate was right in 0 of these. 0 of 0 animals that \
were called identified were right.'
    """
    read = [result for result in results if result.status is Status.READ]
    named = [
        (result, result.identification.candidates[0].animal_id == animal_ids.get(result.photo))
        for result in read
        if result.identification.candidates
    ]
    right = sum(correct for _, correct in named)
    identified = [
        correct
        for result, correct in named
        if result.identification.decision is Decision.IDENTIFIED
    ]
    return (
        f"Of {len(results)} photos {len(read)} were read. The first candidate was right in "
        f"{right} of these. {sum(identified)} of {len(identified)} animals that were called "
        "identified were right."
    )


def rendered_herd(folder: Path, seed: int) -> HerdFiles:
    """The simulator's herd: registry, photos and who is in them."""
    from legibility.simulate.herd import write_herd

    written = write_herd(folder, seed=seed, animals=ANIMALS, photos=PHOTOS)
    return HerdFiles(
        written.registry,
        written.photos,
        {
            printable_name(path): who
            for path, who in zip(written.photos, written.animal_ids, strict=True)
        },
    )
