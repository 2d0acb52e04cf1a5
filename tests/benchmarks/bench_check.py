"""Time of the capture check beyond decoding.

Run with ``pytest -m benchmark tests/benchmarks/bench_check.py``.
Processor time of one thread, so that other work on the machine counts little.
"""

from __future__ import annotations

import io
import time
from collections.abc import Callable

import cv2
import numpy as np
import pytest
import skimage.data
from PIL import Image

from legibility.photo.capture import MarkBox, check_capture
from legibility.photo.load import load_photo_bytes

LIMIT_S = 0.150
"""Purpose of ``legibility check``: at most 150 ms beyond decoding a 12-megapixel JPEG."""


def best_of(times: int, work: Callable[[], object]) -> float:
    durations = []
    for _ in range(times):
        start = time.process_time()
        work()
        durations.append(time.process_time() - start)
    return min(durations)


@pytest.mark.benchmark
def test_check_of_12_megapixels_beyond_decoding(capsys: pytest.CaptureFixture[str]) -> None:
    threads = cv2.getNumThreads()
    cv2.setNumThreads(1)
    try:
        picture = cv2.resize(skimage.data.chelsea(), (4000, 3000), interpolation=cv2.INTER_CUBIC)
        noise = np.random.default_rng(0).normal(0, 3, picture.shape)
        buffer = io.BytesIO()
        noisy = np.clip(picture + noise, 0, 255).astype(np.uint8)
        Image.fromarray(noisy).save(buffer, "JPEG", quality=92)
        data = buffer.getvalue()
        box = np.array([[0.0, 0], [300, 0], [300, 400], [0, 400]])
        mark = MarkBox(tuple(box + np.array([800 + 320 * i, 1000]) for i in range(5)))
        photo = load_photo_bytes("benchmark", data)
        load = best_of(7, lambda: load_photo_bytes("benchmark", data))
        check = best_of(7, lambda: check_capture(photo))
        of_mark = best_of(7, lambda: check_capture(photo, mark=mark))
    finally:
        cv2.setNumThreads(threads)
    with capsys.disabled():
        print(
            f"\nload {load * 1e3:.0f} ms, check {check * 1e3:.0f} ms, "
            f"check with a mark box {of_mark * 1e3:.0f} ms"
        )
    assert max(check, of_mark) <= LIMIT_S
