"""Time of reading: against a general text recogniser, a large photo, two processes against one.

Run with ``pytest -m benchmark tests/benchmarks/bench_reading.py`` on a machine with nothing else to
do. The figures are printed; the limits are aims of the project.
"""

from __future__ import annotations

import os
import time
from contextlib import ExitStack
from pathlib import Path

import cv2
import numpy as np
import pytesseract
import pytest
from PIL import Image

from legibility.batch.executors import open_workers
from legibility.batch.file_reader import FileReader
from legibility.batch.ordered import run
from legibility.containers import Photo, Status
from legibility.evaluate.speed import median_seconds, one_core
from legibility.pipeline.run import read_photo
from legibility.settings import Settings
from legibility.simulate import render, sample_scene, write_photos

ALONE = Settings(second_reader=False)
"""The package's own readers, without the recogniser they are compared with."""
LARGE_S = 2.0
"""Aim: a photo of 12 megapixels on one core."""
GAIN = 1.8
"""Aim: how much faster two processes are than one of one thread, their start not counted."""
BATCH = 24


def simulated(width_px: int, seed: int) -> Photo:
    rng = np.random.default_rng(seed)
    scene = sample_scene(rng, wear="mild", width_px=width_px, split="held_out")
    return Photo(name="simulated", sha256="", pixels=render(scene).pixels)


@pytest.mark.benchmark
def test_a_reading_takes_no_longer_than_a_page_pass(capsys: pytest.CaptureFixture[str]) -> None:
    photos = [simulated(1200, seed) for seed in range(5)]
    own, other = [], []
    with one_core():
        for photo in photos:
            picture = Image.fromarray(photo.pixels)
            own.append(median_seconds(lambda p=photo: read_photo(p, settings=ALONE), repeats=3))
            other.append(
                median_seconds(
                    lambda p=picture: pytesseract.image_to_data(p, config="--psm 11"), repeats=3
                )
            )
    with capsys.disabled():
        print(
            f"\n1200 px, one core: reading {np.median(own):.2f} s ({min(own):.2f} to "
            f"{max(own):.2f}), Tesseract psm 11 {np.median(other):.2f} s"
        )
    assert np.median(own) <= np.median(other)


@pytest.mark.benchmark
def test_a_photo_of_12_megapixels(capsys: pytest.CaptureFixture[str]) -> None:
    small = simulated(1600, 7).pixels
    large = Photo(
        name="large",
        sha256="",
        pixels=np.asarray(cv2.resize(small, (4000, 3000), interpolation=cv2.INTER_CUBIC)),
    )
    with one_core():
        seconds = median_seconds(lambda: read_photo(large, settings=ALONE), repeats=3)
    with capsys.disabled():
        print(f"\n12 megapixels, one core: {seconds:.2f} s")
    assert seconds <= LARGE_S


@pytest.mark.benchmark
def test_two_processes_against_one(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert (os.cpu_count() or 1) >= 2, "this comparison needs two cores"
    paths = write_photos(tmp_path, count=BATCH, seed=3)
    reader = FileReader(settings=ALONE)
    seconds = {}
    threads = cv2.getNumThreads()
    for jobs in (1, 2):
        with ExitStack() as stack:
            workers = stack.enter_context(open_workers(n_photos=BATCH, jobs=jobs))
            # As in the worker processes.
            cv2.setNumThreads(1)
            stack.callback(cv2.setNumThreads, threads)
            # The first photo of each process loads the networks.
            for _ in run(paths[: 2 * jobs], workers.executor, reader=reader):
                pass
            start = time.perf_counter()
            results = list(run(paths, workers.executor, reader=reader))
            seconds[jobs] = time.perf_counter() - start
        assert all(result.status is not Status.ERROR for result in results)
    with capsys.disabled():
        print(
            f"\n{BATCH} photos: one process {seconds[1]:.1f} s, two {seconds[2]:.1f} s "
            f"({seconds[1] / seconds[2]:.2f} times as fast)"
        )
    assert seconds[1] / seconds[2] >= GAIN
