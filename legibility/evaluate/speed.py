"""How long reading takes, against one page pass of a general program, on one core in one run."""

from __future__ import annotations

import os
import resource
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Final

import cv2

from legibility.containers import Photo
from legibility.evaluate.baselines import tesseract_lines
from legibility.evaluate.outcome import PhotoReader
from legibility.evaluate.pose import SceneChoices
from legibility.evaluate.report import Row, Section
from legibility.evaluate.scene import evaluation_set

PAGE_PX: Final = 1200
"""Contract: width of the photo that a page pass is compared on."""

LARGE_PX: Final = (4000, 3000)
"""Contract: a 12-megapixel photo."""

IMPORT_RUNS: Final = 5
"""Choice: the median of so many fresh interpreters."""


@contextmanager
def one_core() -> Iterator[None]:
    """Hold this process, OpenCV and Tesseract to one core and one thread."""
    threads = cv2.getNumThreads()
    limit = os.environ.get("OMP_THREAD_LIMIT")
    cores = os.sched_getaffinity(0) if hasattr(os, "sched_getaffinity") else None
    cv2.setNumThreads(1)
    os.environ["OMP_THREAD_LIMIT"] = "1"
    if cores:
        os.sched_setaffinity(0, {min(cores)})
    try:
        yield
    finally:
        cv2.setNumThreads(threads)
        if limit is None:
            os.environ.pop("OMP_THREAD_LIMIT", None)
        else:
            os.environ["OMP_THREAD_LIMIT"] = limit
        if cores:
            os.sched_setaffinity(0, cores)


def median_seconds(work: Callable[[], object], *, repeats: int, warm_up: int = 1) -> float:
    """Median wall time of a call, after calls that are not counted."""
    for _ in range(warm_up):
        work()
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def import_seconds(module: str = "legibility", *, runs: int = IMPORT_RUNS) -> float:
    """Median time a fresh interpreter needs to import a module, its own start not counted."""
    code = f"import time; t = time.perf_counter(); import {module}; print(time.perf_counter() - t)"
    times = [
        float(
            subprocess.run(
                [sys.executable, "-c", code], check=True, capture_output=True, text=True
            ).stdout
        )
        for _ in range(runs)
    ]
    return statistics.median(times)


def memory_growth_mib(work: Callable[[], object], *, warm_up: int, repeats: int) -> float:
    """How much the process's memory grows over repeated calls, after a warm-up.

    Resident memory where the system tells it (Linux), else the peak so far.
    """
    for _ in range(warm_up):
        work()
    before = _memory_mib()
    for _ in range(repeats):
        work()
    return _memory_mib() - before


def _memory_mib() -> float:
    status = Path("/proc/self/statm")
    if status.exists():
        pages = int(status.read_text(encoding="ascii").split()[1])
        return pages * resource.getpagesize() / 1024.0**2
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / 1024.0 if sys.platform != "darwin" else peak / 1024.0**2


def measure_speed(
    *,
    read: PhotoReader,
    check: Callable[[Photo], object] | None = None,
    photos: int = 5,
    repeats: int = 3,
    memory_reads: int = 40,
    seed: int = 0,
) -> Section:
    """Times on one core: reading against a page pass, a large photo, the check, import, memory.

    Parameters
    ----------
    read : PhotoReader
        Without its second reader.
    check : callable, optional
        The capture check on a decoded photo.
    photos, repeats : int
        Medians over so many photos of so many calls.
    memory_reads : int
        Reads over which memory must stay flat.
    seed : int
    """
    with one_core():
        pages = [
            photo.photo()
            for photo in evaluation_set(
                n=photos, seed=seed, choices=SceneChoices(width_px=PAGE_PX, height_px=900)
            )
        ]
        (large,) = (
            photo.photo()
            for photo in evaluation_set(
                n=1, seed=seed, choices=SceneChoices(width_px=LARGE_PX[0], height_px=LARGE_PX[1])
            )
        )
        reading = [median_seconds(partial(read, p), repeats=repeats) for p in pages]
        page = [
            median_seconds(
                partial(tesseract_lines, p.pixels, page_mode=11), repeats=repeats, warm_up=0
            )
            for p in pages
        ]
        rows: list[Row] = [
            {"what": f"reading, {PAGE_PX} px", "seconds": statistics.median(reading)},
            {"what": f"Tesseract psm 11, {PAGE_PX} px", "seconds": statistics.median(page)},
            {
                "what": "reading over page pass",
                "seconds": statistics.median(r / p for r, p in zip(reading, page, strict=True)),
            },
            {
                "what": "reading, 12 megapixels",
                "seconds": median_seconds(lambda: read(large), repeats=repeats),
            },
        ]
        if check is not None:
            rows.append(
                {
                    "what": "check, 12 megapixels, beyond decoding",
                    "seconds": median_seconds(lambda: check(large), repeats=repeats),
                }
            )
        rows.append({"what": "import legibility", "seconds": import_seconds()})
        growth = memory_growth_mib(lambda: read(pages[0]), warm_up=5, repeats=memory_reads)
        rows.append({"what": f"memory growth over {memory_reads} reads, MiB", "seconds": growth})
    return Section("Speed", tuple(rows), "One core, medians; the last row is in MiB.")
