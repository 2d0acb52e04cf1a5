"""False "lost" and false "re-mark": what the record says of good, of readable, and of gone marks.

``python -m legibility.evaluate.losses LOOKS.jsonl [MORE.jsonl] --fit FIT.jsonl`` puts the looks of
each ear (see ``looks``) into a record of its own animal, asks worklist and plan, and prints counts
with intervals. The chances of a refusal are counted on other looks, ``--fit``; with ``--write``
they are kept in ``legibility/models/refusals.json``.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import date, timedelta
from hashlib import sha256
from pathlib import Path
from typing import Final

import numpy as np

from legibility.containers import (
    Candidate,
    Decision,
    Flag,
    Grade,
    Identification,
    PhotoResult,
    Provenance,
    Reading,
    Status,
)
from legibility.evaluate.looks import COVERED as COVERED_EARS
from legibility.evaluate.looks import GONE, READABLE, Look, load_looks
from legibility.herd import handling as h
from legibility.herd import refusals
from legibility.herd.planning import Day
from legibility.herd.priorities import RISK_WORTH_A_MARK
from legibility.herd.refusals import AS_FOUND, COVERED, PREPARED, Chance, Refusals
from legibility.herd.worklist import worklist
from legibility.intervals import wilson
from legibility.pipeline.herd_plan import plan_day
from legibility.pipeline.herd_ranking import rank_herd
from legibility.pipeline.mark_looks import OVER_THE_MARK
from legibility.store.database import HerdDatabase, create_herd
from legibility.store.events import append_event
from legibility.store.importing import RegistryRow, Source, import_registry
from legibility.store.photos import put_photo
from legibility.store.readings import add_readings
from legibility.store.records import AnimalRow, MarkRow, PhotoRow

TODAY: Final = date(2026, 6, 1)
"""Choice: any day will do; all others are counted from it."""
DAYS: Final = (200, 20)
"""Choice: days before today on which the two looks were taken."""
MARKED_DAYS_AGO: Final = 1100
"""Choice: age of the marks, three years, at which the assumed curve has lost a third of them."""
NEW_MARKS: Final = frozenset((h.TRANSPONDER, h.OTHER_EAR, h.IN_LINE))
"""What the worklist says where it wants a new mark or a transponder."""


@dataclass(frozen=True, slots=True)
class Told:
    """What a person is told of one ear after its looks."""

    lost: bool
    remark: bool
    """Worklist or plan say to mark anew, or to chip, and not for a rival's sake."""
    for_rival: bool
    """They say so because it is taken for another animal too often."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the table."""

    what: str
    count: int
    of: int

    def __str__(self) -> str:
        if not self.of:
            return f"{self.what:<66} none"
        low, high = wilson(self.count, self.of)
        share = f"{100 * self.count / self.of:.1f} %"
        return (
            f"{self.what:<66} {self.count:>4} of {self.of:<4} {share:>7} "
            f"({100 * low:.1f} to {100 * high:.1f} %)"
        )


def counted(looks: Sequence[Look], *, origin: str) -> Refusals:
    """Chances of a refusal among photos that passed the capture check."""

    def chance(chosen: Iterable[Look]) -> Chance:
        judged = [look for look in chosen if look.status != Status.RETAKE.value]
        return Chance(sum(look.status == Status.UNREADABLE.value for look in judged), len(judged))

    hidden = [look for look in looks if look.group == COVERED_EARS]
    return Refusals(
        {
            AS_FOUND: chance(hidden),
            COVERED: chance(look for look in hidden if look.flags & int(OVER_THE_MARK)),
            PREPARED: chance(look for look in looks if look.group == READABLE),
        },
        chance(look for look in looks if look.group == GONE),
        origin,
    )


def told(looks: Sequence[Look], stages: Sequence[str]) -> Mapping[str, Told]:
    """What worklist and plan say of each ear, by its name.

    Parameters
    ----------
    looks : sequence of Look
    stages : sequence of str
        What is said of the first and of the second look.
    """
    out: dict[str, Told] = {}
    for part in _parts(looks):
        with _record(part, stages) as db:
            ranking = rank_herd(db, today=TODAY, keep=False)
            animals = [str(name) for name in ranking.state.animal]
            plan = plan_day(ranking, Day(1e5, hands=2, chutes=4, transponders=0))
        planned = {act.item.animal_id for act in plan.acts if "re-mark" in act.what}
        for look in part:
            place = animals.index(look.animal_id)
            is_lost = not np.isnan(ranking.state.first_lost[place])
            new = str(ranking.found.act[place]) in NEW_MARKS or look.animal_id in planned
            rival = not is_lost and ranking.state.risk[place] >= RISK_WORTH_A_MARK
            out[look.ear] = Told(is_lost, new and not rival, new and bool(rival))
    return out


def table(looks: Sequence[Look]) -> list[Line]:
    """Counts of all groups."""
    of = {
        group: [look for look in looks if look.group == group]
        for group in (COVERED_EARS, READABLE, GONE)
    }
    lines = []
    for name, group, stages in (
        ("hairy, dirty or wet, good mark, as found twice", COVERED_EARS, ("as_found", "as_found")),
        ("readable, said to be cleaned and clipped", READABLE, ("cleaned", "clipped")),
    ):
        found = told(of[group], stages).values()
        photos = of[group]
        alone = worklist([result_of(look) for look in photos], None)
        lines += [
            Line(f"{name}: photos refused", sum(map(_refused, photos)), len(photos)),
            Line(
                f"{name}: 're-mark' by photo alone",
                sum("re-mark" in row.action for row in alone),
                len(photos),
            ),
            Line(f"{name}: ears 'seen lost'", sum(t.lost for t in found), len(found)),
            Line(f"{name}: ears to re-mark", sum(t.remark for t in found), len(found)),
            Line(f"{name}: ears with a rival", sum(t.for_rival for t in found), len(found)),
        ]
    careless = told(of[COVERED_EARS], ("cleaned", "clipped")).values()
    lines.append(
        Line(
            "hairy, dirty or wet, but said to be clean and clipped: 'seen lost'",
            sum(t.lost for t in careless),
            len(careless),
        )
    )
    good = {look.ear for look in of[GONE]} - {
        look.ear for look in of[GONE] if look.status == Status.RETAKE.value
    }
    for kind in ("", *dict.fromkeys(look.kind for look in of[GONE])):
        chosen = [x for x in of[GONE] if x.ear in good and kind in ("", x.kind)]
        found = told(chosen, ("cleaned", "clipped")).values()
        name = f"gone{', ' + kind if kind else ''}, after two good looks: found"
        lines.append(Line(name, sum(t.lost for t in found), len(found)))
    return lines


def result_of(look: Look) -> PhotoResult:
    """The look as a result, without the reading itself."""
    candidates = [Candidate(look.first or None, look.text, look.first_probability)]
    return PhotoResult(
        photo=f"{look.ear} {look.number}",
        sha256=sha256(f"{look.ear} {look.group} {look.number}".encode()).hexdigest(),
        status=Status(look.status),
        flags=Flag(look.flags),
        reasons=(),
        text=look.text,
        reading=Reading((), 0.0),
        identification=Identification(
            tuple(candidates) if look.first or look.first_probability else (),
            (),
            Decision(look.decision),
            look.misread_risk,
            (),
        ),
        grade=None if look.grade is None else Grade(look.grade, look.parameters, ""),
        provenance=Provenance("study", "", ""),
        seconds=0.0,
        measures=look.measures,
    )


def _refused(look: Look) -> bool:
    return look.status == Status.UNREADABLE.value


def _parts(looks: Sequence[Look]) -> Iterator[list[Look]]:
    """Records in which each animal has the looks of one ear."""
    parts: list[dict[str, str]] = []
    placed: dict[int, list[Look]] = {}
    for look in looks:
        number = next(
            (n for n, part in enumerate(parts) if part.get(look.animal_id, look.ear) == look.ear),
            len(parts),
        )
        if number == len(parts):
            parts.append({})
        parts[number][look.animal_id] = look.ear
        placed.setdefault(number, []).append(look)
    yield from placed.values()


@contextmanager
def _record(looks: Sequence[Look], stages: Sequence[str]) -> Iterator[HerdDatabase]:
    marked = (TODAY - timedelta(days=MARKED_DAYS_AGO)).isoformat()
    with tempfile.TemporaryDirectory() as folder, create_herd(Path(folder) / "herd.db") as db:
        animals = {look.animal_id: look.mark for look in looks}
        rows = [
            RegistryRow(AnimalRow(name), MarkRow(name, mark, ear="left", applied_on=marked))
            for name, mark in animals.items()
        ]
        import_registry(db, rows, source=Source("study.csv", "0" * 64))
        with db.transaction():
            for look in looks:
                result = result_of(look)
                day = TODAY - timedelta(days=DAYS[look.number])
                row = PhotoRow(
                    result.sha256,
                    result.photo,
                    stage=stages[look.number],
                    taken_at=f"{day}T10:00:00",
                    ear="left",
                    animal_id=look.animal_id,
                    claimed_by="manifest",
                )
                put_photo(db, row)
                add_readings(db, [result], read_at=f"{day}T12:00:00Z")
            append_event(db, what="study")
        yield db


def _loaded(paths: Sequence[Path]) -> list[Look]:
    """Looks of several files, each ear with a name of its own."""
    out = []
    for path in paths:
        ear = 0
        for look in load_looks(path):
            ear += look.number == 0
            out.append(replace(look, ear=f"{path.stem} {ear}"))
    return out


def main() -> None:
    """Command line of the module."""
    parser = argparse.ArgumentParser(prog="python -m legibility.evaluate.losses")
    parser.add_argument("looks", nargs="*", type=Path, help="files that evaluate.looks wrote")
    parser.add_argument("--fit", type=Path, action="append", default=[], help="other looks")
    parser.add_argument("--write", action="store_true", help="keep the chances of --fit")
    given = parser.parse_args()
    if given.fit:
        names = ", ".join(path.name for path in given.fit)
        origin = (
            f"Counted on simulated evaluation photos ({names}, made and read by python -m "
            "legibility.evaluate.looks --seed, the number in the name) by "
            f"python -m legibility.evaluate.losses --write --fit {names}"
        )
        chances = counted(_loaded(given.fit), origin=origin)
        for look, chance in chances.legible.items():
            print(Line(f"refused, legible, {look}", chance.refused, chance.of))
        print(Line("refused, gone", chances.lost.refused, chances.lost.of))
        if given.write:
            refusals.save_refusals(chances, refusals.DEFAULT_FILE)
            refusals.load_refusals.cache_clear()
    if given.looks:
        print(*table(_loaded(given.looks)), sep="\n")


if __name__ == "__main__":
    main()
