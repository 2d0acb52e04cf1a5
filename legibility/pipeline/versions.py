"""What figures were made with: program, networks, libraries, processor."""

from __future__ import annotations

import platform
from importlib.metadata import PackageNotFoundError, version
from typing import Any, Final

import cv2

from legibility import __version__
from legibility.evidence.ratio_file import load_ratio_model
from legibility.networks import models_sha256

LIBRARIES: Final = ("numpy", "scipy", "opencv-python", "scikit-image", "Pillow")
SAME_BITS: Final = ("system", "machine", "processor_features", "python", "libraries", "tesseract")
"""Where all of these agree, figures agree to the last bit."""


def versions(*, second_reader: bool) -> dict[str, Any]:
    """Versions as plain values."""
    return {
        "legibility": __version__,
        "models_sha256": models_sha256(),
        "ratios_sha256": load_ratio_model()[1],
        "system": platform.system(),
        "machine": platform.machine(),
        "processor_features": cv2.getCPUFeaturesLine(),
        "python": platform.python_version(),
        "libraries": {name: _installed(name) for name in LIBRARIES},
        "tesseract": _tesseract() if second_reader else "not asked",
    }


def _installed(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "another distribution"


def _tesseract() -> str:
    import pytesseract

    try:
        return str(pytesseract.get_tesseract_version())
    except (pytesseract.TesseractNotFoundError, SystemExit, OSError):
        return "not installed"
