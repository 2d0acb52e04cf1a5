"""A command line whose reader is arranged by the test."""

from __future__ import annotations

import sys
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from types import ModuleType

import pytest
from click.testing import CliRunner, Result
from PIL import Image

from legibility.containers import PhotoResult, Steps
from tests.batch_readers import read_by_name
from tests.example_results import ambiguous_result
from tests.example_steps import example_pixels, example_steps


@pytest.fixture(autouse=True)
def arranged_reader(monkeypatch: pytest.MonkeyPatch) -> None:
    """Replace the pipeline by a reader that goes by the file's name."""

    def read(path: Path, **_: object) -> PhotoResult:
        return ambiguous_result(str(path)) if "doubt" in path.name else read_by_name(path)

    def read_steps(path: Path, **options: object) -> tuple[PhotoResult, Steps]:
        return read(path, **options), example_steps()

    path = import_module("legibility.pipeline").__path__
    pipeline = ModuleType("legibility.pipeline")
    # Its other modules are found as always.
    pipeline.__dict__.update(read=read, read_steps=read_steps, __path__=path)
    monkeypatch.setitem(sys.modules, "legibility.pipeline", pipeline)


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Callable[..., Result]:
    """Run the program in an empty folder."""
    from legibility.cli import cli

    monkeypatch.chdir(tmp_path)

    def call(*arguments: str | Path) -> Result:
        result = CliRunner().invoke(cli, [str(argument) for argument in arguments])
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            raise result.exception
        return result

    return call


@pytest.fixture
def photo(tmp_path: Path) -> Path:
    """A picture that can be decoded."""
    path = tmp_path / "ear.png"
    Image.fromarray(example_pixels()).save(path)
    return path
