"""``import legibility``: names that users rely on, and what importing costs."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

import legibility
from legibility.errors import PhotoError, RegistryError
from tests.example_steps import example_pixels

GOLDEN = Path(__file__).parent / "data" / "public_names.txt"


def run_python(code: str) -> str:
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=300, check=False
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


def test_public_names_are_those_of_the_golden_file() -> None:
    assert sorted(legibility.__all__) == GOLDEN.read_text().split()


@pytest.mark.parametrize("name", GOLDEN.read_text().split())
def test_every_public_name_exists_and_is_documented(name: str) -> None:
    assert name in dir(legibility)
    value = getattr(legibility, name)
    assert name == "__version__" or value.__doc__


def test_an_unknown_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="raed"):
        _ = legibility.raed  # type: ignore[attr-defined]


def test_importing_the_package_loads_nothing_heavy() -> None:
    loaded = run_python(
        "import legibility, sys; print([m for m in "
        "('numpy', 'cv2', 'scipy', 'skimage', 'PIL', 'click', 'jinja2') if m in sys.modules])"
    )
    assert loaded == "[]"


def test_the_command_line_loads_no_networks_and_no_plotting() -> None:
    loaded = run_python(
        "import legibility.cli, sys; print([m for m in "
        "('skimage', 'jinja2', 'torch', 'matplotlib', 'distributed', 'pytesseract') "
        "if m in sys.modules])"
    )
    assert loaded == "[]"


def test_functions_stay_functions_after_their_subpackages_are_imported() -> None:
    shown = run_python(
        "import legibility, legibility.read, legibility.enhance\n"
        "from legibility.read import cells\n"
        "print(callable(legibility.read), callable(legibility.enhance), cells.__name__)"
    )
    assert shown == "True True legibility.read.cells"


def test_check_and_enhance_take_a_path(tmp_path: Path) -> None:
    from PIL import Image

    path = tmp_path / "ear.png"
    Image.fromarray(example_pixels()).save(path)
    assert legibility.check(str(path)).measures
    assert legibility.enhance(path, without=frozenset({"hair"})).ink.shape == (300, 420)


def test_files_that_cannot_be_used_raise_their_own_errors(tmp_path: Path) -> None:
    with pytest.raises(PhotoError, match=r"gone\.jpg"):
        legibility.check(tmp_path / "gone.jpg")
    with pytest.raises(RegistryError, match=r"gone\.csv"):
        legibility.read(tmp_path / "gone.jpg", registry=tmp_path / "gone.csv")
