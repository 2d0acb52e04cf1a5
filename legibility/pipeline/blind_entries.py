"""What the record's chain keeps of blind readings: digests, never what a code stands for."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from legibility.evidence.blind import Key
from legibility.store.photo_folder import digest_of

Entry = tuple[dict[str, Any], dict[str, Any]]


def made_entry(key: Key, files: Sequence[Path], *, key_file: Path) -> Entry:
    """Inputs and outputs of a set that was made."""
    inputs = {
        "photos": sorted(photo.sha256 for photo in key.photos),
        "readers": [sheet.reader for sheet in key.sheets],
        "claims_shown": list(key.claims),
    }
    sheets = {file.name: digest_of(file) for file in files}
    return inputs, {"key_sha256": digest_of(key_file), "files": sheets}


def scored_entry(record: Mapping[str, Any], sheets: Sequence[Path], *, key_file: Path) -> Entry:
    """Inputs and outputs of sheets that were compared."""
    inputs = {
        "key_sha256": digest_of(key_file),
        "sheets": {sheet.name: digest_of(sheet) for sheet in sheets},
    }
    outputs = {"alpha": dict(record["alpha"]), "to_decide": len(record["adjudicate"])}
    return inputs, outputs
