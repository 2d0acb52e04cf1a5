"""A value that all processes of this machine use: its arrays lie once in a file that each maps."""

from __future__ import annotations

import mmap
import pickle
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Generic, TypeVar

from legibility.errors import OutputError

ALIGNED: Final = 64
"""Choice: arrays begin at multiples of so many bytes, a processor's cache line."""

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Shared(Generic[T]):
    """Where a value lies; small, and valid as long as :func:`shared` is open."""

    path: Path
    spans: tuple[tuple[int, int], ...]
    """Start and end of each array in the file; last of the value without them."""

    def value(self) -> T:
        """The value; its arrays are read as they are used and cannot be written to."""
        with self.path.open("rb") as file:
            whole = memoryview(mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ))
        *arrays, value = (whole[start:end] for start, end in self.spans)
        found: T = pickle.loads(value, buffers=arrays)
        return found


@contextmanager
def shared(value: T) -> Iterator[Shared[T]]:
    """Lay a value down for other processes, until the end of the block.

    Raises
    ------
    OutputError
        If the folder for temporary files has no room.
    """
    arrays: list[pickle.PickleBuffer] = []
    rest = pickle.dumps(value, protocol=5, buffer_callback=arrays.append)
    # A folder that only this user may look into: what lies there is trusted when it is read.
    with tempfile.TemporaryDirectory(prefix="legibility-") as folder:
        path = Path(folder, "shared")
        yield Shared(path, _write(path, [*(array.raw() for array in arrays), rest]))


def _write(path: Path, parts: list[Any]) -> tuple[tuple[int, int], ...]:
    spans, at = [], 0
    try:
        with path.open("wb") as file:
            for part in parts:
                at += file.write(b"\0" * (-at % ALIGNED))
                at += file.write(part)
                spans.append((at - len(part), at))
    except OSError as error:
        raise OutputError(
            f"{path.parent}: temporary files cannot be written: {error.strerror or error}; make "
            "room, name another folder in TMPDIR, or use --jobs 1"
        ) from error
    return tuple(spans)
