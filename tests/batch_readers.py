"""Readers for batch tests; they live in a module so that worker processes can import them."""

from __future__ import annotations

import os
import time
from pathlib import Path

from legibility.containers import PhotoResult
from legibility.errors import ModelError, PhotoError
from tests.example_results import identified_result


def read_by_name(path: Path) -> PhotoResult:
    """What happens depends on the file's name, which makes every case easy to arrange."""
    name = path.name
    if "slow" in name:
        time.sleep(0.2)
    if "broken" in name:
        raise PhotoError(f"{name}: the file is cut off; copy it again")
    if "bug" in name:
        raise ZeroDivisionError("line one\nline two")
    if "kills" in name:
        os._exit(3)
    if "nomodel" in name:
        raise ModelError("spotter.onnx is missing")
    return identified_result(str(path))


def tell_process(path: Path) -> PhotoResult:
    """Gives the number of OpenCV's threads in the place of the text."""
    import cv2

    return identified_result(f"{os.getpid()} {cv2.getNumThreads()}")
