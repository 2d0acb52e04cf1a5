"""Files that are either written whole or not at all."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from legibility.errors import OutputError


@contextmanager
def replacing(path: Path) -> Iterator[IO[bytes]]:
    """A file to write to under a temporary name; renamed into place when all went well.

    Raises
    ------
    OutputError
        If the folder cannot be made or the file cannot be written; an older file stays as it was.
    """
    temporary: str | None = None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=".tmp-", suffix=path.suffix)
        with os.fdopen(handle, "wb") as file:
            yield file
        os.chmod(temporary, 0o666 & ~_umask())
        os.replace(temporary, path)
    except (OSError, ValueError) as error:
        raise OutputError(output_message(path, error)) from error
    finally:
        if temporary is not None:
            Path(temporary).unlink(missing_ok=True)


def write_bytes(path: Path, data: bytes) -> None:
    """Write a file whole, as :func:`replacing`."""
    with replacing(path) as file:
        file.write(data)


def write_texts(path: Path, texts: Iterable[str]) -> None:
    """Write texts one after the other, as :func:`write_text`, with one of them in memory."""
    with replacing(path) as file:
        for text in texts:
            file.write(text.encode("utf-8", errors="backslashreplace"))


def write_text(path: Path, text: str) -> None:
    """Like :func:`write_bytes`, in UTF-8 with line ends as given."""
    write_bytes(path, text.encode("utf-8", errors="backslashreplace"))


def output_message(path: Path, error: OSError | ValueError) -> str:
    """One line that names the output, the reason and what to do."""
    reason = (error.strerror if isinstance(error, OSError) else None) or str(error)
    return (
        f"{printable(str(path))}: cannot be written: {reason}; choose another place with --out or "
        "--json, or make room or change the permissions"
    )


def printable(text: str) -> str:
    """Text that cannot move the cursor, reorder a line or fail to encode.

    Control, format and unpaired surrogate characters are written as escapes.

    Examples
    --------
    >>> print(printable("ear" + chr(27) + "[31m.jpg"))
    ear\\x1b[31m.jpg
    """
    return "".join(
        character
        if character.isprintable()
        else character.encode("unicode_escape", errors="surrogatepass").decode("ascii")
        for character in text
    )


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
