"""Claims, dossiers and blind sheets in the office, with a photo that is really read."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from legibility.batch.executors import InlineExecutor
from legibility.cli import cli
from legibility.pipeline.compare import compare_files
from legibility.settings import Settings
from legibility.store.database import create_herd
from legibility.store.importing import import_photo
from legibility.store.photo_folder import digest_of
from legibility.store.records import PhotoRow
from legibility.web.config import ServerConfig
from legibility.web.state import open_server
from tests.herd_records import reading

from .conftest import Phone
from .test_office import call, joined, words

SAMPLES = Path(__file__).parents[2] / "sample_images"
PHOTO = SAMPLES / "as-new.jpg"
FAST = Settings(second_reader=False)


@pytest.fixture
def desk(tmp_path: Path, pair: Callable[..., Phone]) -> Phone:
    """An office over the sample registry and one of the sample photos."""
    herd = tmp_path / "herd.db"
    create_herd(herd).close()
    call("herd", "import-registry", herd, SAMPLES / "registry.csv", "--test-numbers")
    config = ServerConfig(herd=herd, host_names=("localhost",), settings=FAST)
    server = open_server(config, open_pool=InlineExecutor)
    with server_record(herd) as db:
        row = PhotoRow(digest_of(PHOTO), str(PHOTO), taken_at="2025-05-01T10:00:00")
        import_photo(db, row, result=result_of(PHOTO), registry_sha256="", who="Ada")
    return pair(server)
