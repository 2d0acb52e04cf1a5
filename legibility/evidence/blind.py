"""Blind reading sets: what is shown to whom in which order, and the key that undoes it.

A sheet shows cropped marks under codes that say nothing, some of them twice, in an order of its
own. What each code stands for is in the key, a file kept apart; its digest is printed on every
sheet, so that a key cannot be exchanged afterwards. Nobody sees an expected mark before the first
reading is handed in: sheets with claims are only made against filled-in first sheets, and the
order of the steps is recorded in their key (sequential unmasking).
"""

from __future__ import annotations

import hashlib
import json
import math
import secrets
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from legibility.errors import EvidenceError

FORMAT: Final = 1
CODE_LETTERS: Final = "BCDFGHJKLMNPRSTVWXZ"
"""Choice: codes without vowels spell no word, and no digits look like a mark."""
CODE_LENGTH: Final = 4
REPEAT_GAP: Final = 3
"""Choice: pictures between a mark and its repetition, where the set is large enough."""
TRIES: Final = 200
"""Choice: orders drawn in search of one that keeps repetitions apart."""


@dataclass(frozen=True, slots=True)
class SheetItem:
    """One picture of a sheet."""

    item: str
    """Code printed on the sheet."""
    position: int
    """1 = shown first."""
    photo: int
    """Index into the key's photos."""
    repeat: bool
    """Shown before on this sheet."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """What one reader is given."""

    sheet: str
    """Code of the sheet."""
    reader: str
    items: tuple[SheetItem, ...]


@dataclass(frozen=True, slots=True)
class KeyPhoto:
    """One photo of the set."""

    photo: str
    sha256: str
    picture_sha256: str = ""
    """Of the picture that sheets show. It does not name its original itself: that would tell
    which two pictures are one mark."""
    steps: tuple[str, ...] = ()
    """What was done to the original for that picture, in order."""


@dataclass(frozen=True, slots=True)
class Step:
    """One step on the way from nothing known to everything known."""

    what: str
    at: str
    """ISO 8601, UTC, by this machine's clock."""
    sha256: str = ""
    """Digest of the file the step is about; empty for the step that the key itself records."""


@dataclass(frozen=True, slots=True)
class Key:
    """Everything a sheet does not say."""

    photos: tuple[KeyPhoto, ...]
    sheets: tuple[Sheet, ...]
    claims: tuple[str, ...]
    """Expected marks or animals shown on the sheets; empty for first readings."""
    order: tuple[Step, ...]
    nonce: str
    """Random, so that the printed digest does not give the order away."""


def draw_key(
    photos: Sequence[KeyPhoto],
    readers: Sequence[str],
    *,
    repeats: float,
    at: str,
    seed: int | None = None,
    claims: Sequence[str] = (),
    before: Sequence[Step] = (),
) -> Key:
    """Draw codes, repetitions and an order of its own for each reader.

    Parameters
    ----------
    photos : sequence of KeyPhoto
    readers : sequence of str
        Their names, each once.
    repeats : float, 0..1
        Share of the photos that are shown twice; rounded up.
    at : str
        Time of the step.
    seed : int, optional
        Makes the draw repeatable, and so guessable: for tests and demonstrations. Without it the
        system's own randomness is used.
    claims : sequence of str
        Only after first readings: see ``before``.
    before : sequence of Step
        Steps that led here.

    Raises
    ------
    EvidenceError
        If there is no photo or no reader, a reader is named twice, or claims would be shown first.
    """
    if not photos or not readers:
        raise EvidenceError("a reading set needs at least one photo and one reader")
    if len(set(readers)) != len(readers) or not all(name.strip() for name in readers):
        raise EvidenceError(f"readers {list(readers)}: each needs a name of its own")
    if claims and not before:
        raise EvidenceError(
            "claims are shown only after the first readings: name the filled-in sheets with "
            "--after and their key with --first-key"
        )
    entropy = secrets.randbits(128) if seed is None else seed
    rng = np.random.default_rng(entropy)
    count = min(len(photos), math.ceil(repeats * len(photos)))
    used: set[str] = set()
    sheets = []
    for reader in readers:
        again = rng.permutation(len(photos))[:count].tolist()
        order = _order(list(range(len(photos))) + again, rng)
        seen: set[int] = set()
        items = []
        for position, photo in enumerate(order, start=1):
            items.append(SheetItem(_code(rng, used), position, photo, photo in seen))
            seen.add(photo)
        sheets.append(Sheet(_code(rng, used), reader, tuple(items)))
    what = "sheets with claims made" if claims else "sheets for first readings made"
    return Key(
        photos=tuple(photos),
        sheets=tuple(sheets),
        claims=tuple(claims),
        order=(*before, Step(what, at)),
        nonce=rng.bytes(16).hex(),
    )


def key_text(key: Key) -> str:
    """The key as it is written; its digest is that of these bytes in ASCII."""
    return json.dumps({"format": FORMAT, **asdict(key)}, indent=1, sort_keys=True) + "\n"


def text_sha256(text: str) -> str:
    """Digest of a text's bytes in UTF-8."""
    return hashlib.sha256(text.encode()).hexdigest()


def load_key(path: Path) -> tuple[Key, str]:
    """A key and the digest of its file.

    Raises
    ------
    EvidenceError
        If the file cannot be read as a key.
    """
    try:
        data = path.read_bytes()
        values = json.loads(data)
        if not isinstance(values, Mapping) or values.get("format") != FORMAT:
            raise ValueError(f"format is not {FORMAT}")
        return _key(values), hashlib.sha256(data).hexdigest()
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise EvidenceError(
            f"{path}: cannot be read as the key of a reading set: {error}"
        ) from error


def _key(values: Mapping[str, Any]) -> Key:
    photos = tuple(
        KeyPhoto(
            str(p["photo"]),
            str(p["sha256"]),
            str(p.get("picture_sha256", "")),
            tuple(map(str, p.get("steps", ()))),
        )
        for p in values["photos"]
    )
    sheets = []
    for row in values["sheets"]:
        items = tuple(
            SheetItem(str(i["item"]), int(i["position"]), int(i["photo"]), bool(i["repeat"]))
            for i in row["items"]
        )
        if any(not 0 <= item.photo < len(photos) for item in items):
            raise ValueError(f"sheet {row['sheet']!r} shows a photo that is not in the key")
        sheets.append(Sheet(str(row["sheet"]), str(row["reader"]), items))
    return Key(
        photos=photos,
        sheets=tuple(sheets),
        claims=tuple(map(str, values["claims"])),
        order=tuple(Step(str(s["what"]), str(s["at"]), str(s["sha256"])) for s in values["order"]),
        nonce=str(values["nonce"]),
    )


def _order(photos: list[int], rng: np.random.Generator) -> list[int]:
    """A random order in which a repetition comes late after its first showing."""
    best: list[int] = photos
    widest = -1
    for _ in range(TRIES):
        order = [photos[int(i)] for i in rng.permutation(len(photos))]
        last: dict[int, int] = {}
        gap = len(photos)
        for place, photo in enumerate(order):
            gap = min(gap, place - last.get(photo, -len(photos)) - 1)
            last[photo] = place
        if gap > widest:
            best, widest = order, gap
        if gap >= REPEAT_GAP:
            break
    return best


def _code(rng: np.random.Generator, used: set[str]) -> str:
    while True:
        drawn = rng.integers(len(CODE_LETTERS), size=CODE_LENGTH)
        code = "".join(CODE_LETTERS[int(i)] for i in drawn)
        if code not in used:
            used.add(code)
            return code
