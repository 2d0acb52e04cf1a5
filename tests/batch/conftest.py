"""What tests with Dask leave behind is cleared away within them."""

from __future__ import annotations

import gc
from collections.abc import Iterator

import pytest


@pytest.fixture
def closed_late() -> Iterator[None]:
    """Sockets that Dask closes late are collected in the test that may warn of them."""
    yield
    gc.collect()
