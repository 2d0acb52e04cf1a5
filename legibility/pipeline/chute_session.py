"""What the photos of one animal at the chute say together, written for the page to show."""

from __future__ import annotations

import json
import pickle
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from legibility.containers import PhotoResult, Stage
from legibility.identify.stages import DEFER
from legibility.identify.step_effects import load_step_model
from legibility.photo.fingerprint import Fingerprint
from legibility.pipeline.herd_registry import herd_registry
from legibility.pipeline.session import ReadShot, Shot, combine_session
from legibility.report.words import candidate_name, percent
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
class ChuteVisit:
    """The photos of one animal, to be combined; pickles to a few bytes."""

    herd: Path
    out: Path
    """File for the result."""
    shots: tuple[ChuteShot, ...]
    settings: Settings
    minutes: float
    """Minutes the animal has been handled."""


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
            shots.append(Shot(file, ear=shot.ear, stage=Stage(shot.stage)))
            # What is said of it names no file of this computer.
            read.append(ReadShot(replace(result, photo=f"Photo {shot.number}"), mark))
    if not shots:
        return 0
    session = combine_session(
        "chute",
        shots,
        read,
        registry=herd_registry(asked.herd),
        settings=asked.settings,
        model=load_step_model(),
        minutes=asked.minutes,
    )
    advice = session.after_each[-1].advice
    first = session.identification.candidates[:1]
    record = {
        "photos": len(shots),
        "verdict": advice.verdict.value,
        "reason": advice.reason,
        "who": "".join(
            f"Most likely {candidate_name(c)}, mark {c.mark or '-'} (probability "
            f"{percent(c.probability)})."
            for c in first
        ),
        "text": session.text,
        "decision": session.identification.decision.value,
        "steps": [
            {"stage": s.stage.value, "minutes": s.minutes, "settles": s.settles, "basis": s.basis}
            for s in advice.steps
        ],
        "notices": list(session.notices),
        "defer": DEFER,
    }
    waiting = asked.out.with_suffix(".tmp")
    waiting.write_text(json.dumps(record, allow_nan=False), "utf-8")
    waiting.replace(asked.out)
    return len(shots)
