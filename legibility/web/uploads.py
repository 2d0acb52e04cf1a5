"""Photos as they came, each in a folder of its own: what was acknowledged is on the disk.

A folder appears by a renaming, so that it is there whole or not at all. Its name is the id that the
phone made: the same photo sent again meets the same folder and is not doubled.
"""

from __future__ import annotations

import hashlib
import os
import secrets
import shutil
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import IO, Any, Final

from legibility.errors import LegibilityError, StoreError
from legibility.photo.formats import describe_unknown, format_of
from legibility.pipeline.chute import ANSWER_FILE, CHECK_FILE
from legibility.web.keeping import is_client_id, read_json, sync_folder, write_json

CHUNK: Final = 1 << 16


class UploadRefused(LegibilityError):
    """A photo that is not taken."""

    def __init__(self, message: str, *, status: int, kind: str, again: bool = False) -> None:
        super().__init__(message)
        self.status = status
        """HTTP status."""
        self.kind = kind
        """One word for the metrics."""
        self.again = again
        """Whether the same photo may be taken when it is sent again."""


@dataclass(frozen=True, slots=True)
class Upload:
    """A photo that was acknowledged."""

    upload_id: str
    visit_id: str
    sha256: str
    size_bytes: int
    stage: str
    ear: str
    received_at: float
    """Seconds since 1970."""
    taken_at: str = ""
    device_id: str = ""
    drawn: tuple[tuple[float, float], tuple[float, float]] | None = None
    drawn_from: str = ""
    """Upload whose photo this is with a row drawn on it; empty for a photo of its own."""


class Uploads:
    """The folder of uploads."""

    def __init__(self, folder: Path, *, max_bytes: int) -> None:
        self._folder = folder
        self._max_bytes = max_bytes
        folder.mkdir(parents=True, exist_ok=True)
        for left_over in folder.glob(".tmp-*"):
            shutil.rmtree(left_over, ignore_errors=True)

    def folder_of(self, upload_id: str) -> Path:
        """Where an upload lies.

        Raises
        ------
        UploadRefused
            If the id is none that a phone makes: it never becomes part of a path then.
        """
        if not is_client_id(upload_id):
            raise UploadRefused("this is no id of a photo", status=404, kind="id")
        return self._folder / upload_id

    def find(self, upload_id: str) -> Upload | None:
        """What is known of an upload, or None."""
        kept = read_json(self.folder_of(upload_id) / "upload.json")
        if kept is None:
            return None
        if kept["drawn"] is not None:
            kept["drawn"] = tuple(tuple(point) for point in kept["drawn"])
        return Upload(**kept)

    def photo_file(self, upload_id: str) -> Path:
        """The photo as it came."""
        return self.folder_of(upload_id) / "photo"

    def answer(self, upload_id: str) -> dict[str, Any] | None:
        """The answer, or None while there is none."""
        found: dict[str, Any] | None = read_json(self.folder_of(upload_id) / ANSWER_FILE)
        return found

    def check(self, upload_id: str) -> dict[str, Any] | None:
        """What the photo shows of itself before it is read, or None while that is not known."""
        found: dict[str, Any] | None = read_json(self.folder_of(upload_id) / CHECK_FILE)
        return found

    def fail(self, upload_id: str, reason: str) -> None:
        """Answer that the photo could not be used."""
        write_json(self.folder_of(upload_id) / ANSWER_FILE, {"status": "error", "reason": reason})

    def receive(self, stream: IO[bytes], length: int, upload: Upload) -> tuple[Upload, bool]:
        """Take a photo in; gives the upload and whether it is new.

        Raises
        ------
        StoreError
            If the disk is full or cannot be written.
        UploadRefused
            If it is empty, cut short, too large, no picture, or another photo has its id.
        """
        target = self.folder_of(upload.upload_id)
        waiting = self._folder / f".tmp-{secrets.token_hex(8)}"
        waiting.mkdir()
        try:
            sha256, size = save_photo(stream, length, waiting / "photo", max_bytes=self._max_bytes)
            return self._keep(target, waiting, upload, sha256, size)
        except OSError as error:
            raise StoreError(f"the photo cannot be kept: {error.strerror or error}") from error
        finally:
            shutil.rmtree(waiting, ignore_errors=True)

    def redraw(self, upload: Upload, source: Path, sha256: str) -> tuple[Upload, bool]:
        """The photo of an earlier upload again, with a row drawn on it."""
        waiting = self._folder / f".tmp-{secrets.token_hex(8)}"
        waiting.mkdir()
        try:
            shutil.copyfile(source, waiting / "photo")
            size = (waiting / "photo").stat().st_size
            return self._keep(self.folder_of(upload.upload_id), waiting, upload, sha256, size)
        finally:
            shutil.rmtree(waiting, ignore_errors=True)

    def move(self, upload_id: str, visit_id: str) -> None:
        """Give a photo to another visit."""
        known = self.find(upload_id)
        if known is not None:
            kept = {**asdict(known), "visit_id": visit_id}
            write_json(self.folder_of(upload_id) / "upload.json", kept)

    def unanswered(self) -> Iterator[Upload]:
        """Acknowledged uploads without an answer, oldest first; what a restart goes on with."""
        found = []
        for folder in self._folder.iterdir():
            if is_client_id(folder.name) and not (folder / ANSWER_FILE).exists():
                upload = self.find(folder.name)
                if upload is not None:
                    found.append(upload)
        yield from sorted(found, key=lambda upload: (upload.received_at, upload.upload_id))

    def _keep(
        self, target: Path, waiting: Path, upload: Upload, sha256: str, size: int
    ) -> tuple[Upload, bool]:
        kept = {**asdict(upload), "sha256": sha256, "size_bytes": size}
        write_json(waiting / "upload.json", kept)
        try:
            os.rename(waiting, target)
        except OSError as error:
            known = self.find(upload.upload_id)
            if known is None:
                raise StoreError(f"{target}: cannot be written: {error.strerror}") from error
            if known.sha256 != sha256 or known.visit_id != upload.visit_id:
                raise UploadRefused(
                    "another photo was sent under this id", status=409, kind="other"
                ) from error
            return known, False
        sync_folder(self._folder)
        found = self.find(upload.upload_id)
        assert found is not None
        return found, True


def save_photo(stream: IO[bytes], length: int, target: Path, *, max_bytes: int) -> tuple[str, int]:
    """Write a photo that is sent to a file; gives digest and size.

    Raises
    ------
    UploadRefused
        If it is empty, cut short, too large or no picture.
    """
    if length <= 0:
        raise UploadRefused("the photo is empty", status=400, kind="empty")
    if length > max_bytes:
        raise UploadRefused(
            f"the photo has {length / 2**20:.1f} MiB, the limit is {max_bytes / 2**20:g} MiB",
            status=413,
            kind="large",
        )
    digest, left = hashlib.sha256(), length
    with target.open("wb") as file:
        while left > 0:
            chunk = stream.read(min(CHUNK, left))
            if not chunk:
                raise UploadRefused(
                    "the photo did not come whole; it is sent again",
                    status=400,
                    kind="cut",
                    again=True,
                )
            if left == length and not format_of(chunk[:16]):
                raise UploadRefused(
                    f"this is no photo but {describe_unknown(chunk[:16])}", status=415, kind="type"
                )
            digest.update(chunk)
            file.write(chunk)
            left -= len(chunk)
        file.flush()
        os.fsync(file.fileno())
    return digest.hexdigest(), length
