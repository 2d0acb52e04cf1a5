"""What the photos of one animal at the chute say together, written for the page to show."""

from __future__ import annotations

import json
import pickle
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, Final

from legibility.alphabet import ROW_SEPARATOR
from legibility.containers import (
    Disagreement,
    EyeReading,
    PhotoResult,
    SessionResult,
    Stage,
    Witness,
)
from legibility.identify.stages import DEFER
from legibility.identify.step_effects import load_step_model
from legibility.photo.fingerprint import Fingerprint
from legibility.pipeline.earlier_photos import earlier_photos
from legibility.pipeline.herd_registry import herd_registry
from legibility.pipeline.session import ReadShot, Shot, combine_session
from legibility.probability import percent
from legibility.report.words import candidate_name, sentence
from legibility.settings import Settings

READ_FILE: Final = "read.pickle"
"""Result and fingerprint of a photo that was read, in the server's own folder (mode 0700)."""


@dataclass(frozen=True, slots=True)
class ChuteShot:
    """One photo of a visit."""

    folder: Path
    """Where its answer and pictures are."""
    stage: str
    ear: str = ""
    number: int = 1
    """Which photo of the visit it is, as the page counts them."""


@dataclass(frozen=True, slots=True)
class ChuteEyes:
    """What a person read of a photo."""

    upload_id: str
    text: str


@dataclass(frozen=True, slots=True)
class ChuteVisit:
    """The photos of one animal, to be combined; pickles to a few bytes."""

    herd: Path
    out: Path
    """File for the result."""
    shots: tuple[ChuteShot, ...]
    settings: Settings
    minutes: float
    """Minutes the animal has been handled."""
    eyes: tuple[ChuteEyes, ...] = ()
    scans: tuple[tuple[str, tuple[str, ...]], ...] = ()
    """Numbers that were read, and the animals that they are recorded for."""
    earlier_wrong: tuple[str, ...] = ()
    """Digests of earlier photos that a person said are of another animal."""
    one_for_sure: bool = False
    """A person looked again: it is one animal."""


def keep_read(folder: Path, result: PhotoResult, fingerprint: Fingerprint) -> None:
    """Keep a result for later combination."""
    waiting = folder / (READ_FILE + ".tmp")
    waiting.write_bytes(pickle.dumps((result, fingerprint)))
    waiting.replace(folder / READ_FILE)


def combine_chute_visit(asked: ChuteVisit) -> int:
    """Combine what was read so far; gives how many photos that were.

    Nothing is written before the first photo was read.
    """
    shots, read = [], []
    for shot in asked.shots:
        file = shot.folder / READ_FILE
        if file.exists():
            result, mark = pickle.loads(file.read_bytes())
            shots.append(Shot(file, ear=shot.ear, stage=Stage(shot.stage), number=shot.number))
            # What is said of it names no file of this computer.
            read.append(ReadShot(replace(result, photo=f"Photo {shot.number}"), mark))
    if not shots:
        return 0
    registry = herd_registry(asked.herd)
    combined = partial(
        combine_session,
        "chute",
        shots,
        read,
        registry=registry,
        settings=asked.settings,
        model=load_step_model(),
        minutes=asked.minutes,
        one_for_sure=asked.one_for_sure,
    )
    uploads = [shot.path.parent.name for shot in shots]
    witnesses = _witnesses(asked, uploads)
    session = combined(witnesses=witnesses)
    first = session.identification.candidates[:1]
    if first and first[0].animal_id is not None:
        earlier = earlier_photos(
            asked.herd,
            first[0].animal_id,
            without=[*asked.earlier_wrong, *(one.result.sha256 for one in read)],
        )
        if earlier:
            session = combined(witnesses=[*witnesses, *earlier])
    record = _record(session, uploads)
    waiting = asked.out.with_suffix(".tmp")
    waiting.write_text(json.dumps(record, allow_nan=False), "utf-8")
    waiting.replace(asked.out)
    return len(shots)


def _witnesses(asked: ChuteVisit, uploads: Sequence[str]) -> list[Witness]:
    """What people and transponders say beside the photos."""
    found = []
    numbers = {shot.folder.name: shot.number for shot in asked.shots}
    for one in asked.eyes:
        if one.upload_id in uploads and one.text:
            right = asked.settings.named_right_probability
            reading = EyeReading(one.text, accuracy=right)
            name = f"the reading by eye of photo {numbers[one.upload_id]}"
            at = uploads.index(one.upload_id)
            found.append(Witness("reading", name, reading, photo=at, what=one.upload_id))
    for number, animals in asked.scans:
        name = f"transponder {number}"
        found.append(Witness("transponder", name, animals=animals, what=number))
    return found


def _record(session: SessionResult, uploads: Sequence[str]) -> dict[str, Any]:
    """What the page is told."""
    moment = session.after_each[-1]
    advice = moment.advice
    first = session.identification.candidates[:1]
    return {
        "photos": len(session.photos),
        "verdict": advice.verdict.value,
        "reason": advice.reason,
        "who": "".join(
            f"Most likely {candidate_name(c)}, mark {c.mark or '-'} (probability "
            f"{percent(c.probability)})."
            for c in first
        ),
        "text": session.text,
        "decision": session.identification.decision.value,
        "why": sentence(session.identification.reason),
        "steps": [
            {"stage": s.stage.value, "minutes": s.minutes, "settles": s.settles, "basis": s.basis}
            for s in advice.steps
        ],
        "notices": list(session.notices),
        "defer": DEFER,
        "not_one": moment.check.not_one,
        "question": next((_question(one, uploads) for one in moment.check.disagreement), None),
    }


def _question(one: Disagreement, uploads: Sequence[str]) -> dict[str, Any]:
    """A disagreement with uploads in place of indices."""
    differ = {(at.row, at.place) for at in one.apart}
    return {
        "question": one.question,
        "sentence": one.sentence,
        "sides": [
            {
                "pieces": list(side.pieces),
                "uploads": [uploads[index] for index in side.photos],
                "animal_id": side.animal_id,
                "chance": percent(side.probability) if side.photos else "",
                "rows": [
                    [[character, (r, p) in differ] for p, character in enumerate(row, start=1)]
                    for r, row in enumerate(side.mark.split(ROW_SEPARATOR), start=1)
                ],
            }
            for side in one.sides
        ],
        "answers": [
            {
                "key": answer.key,
                "words": answer.words,
                "uploads": [uploads[index] for index in answer.photos],
                "what": answer.what,
            }
            for answer in one.answers
        ],
    }
