"""What the office has computed: one function a kind, the same calls that the commands make.

Each writes the part of a page that shows its result, and the files that the command would write.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from legibility.errors import SettingsError
from legibility.herd.handling import load_handling
from legibility.report.writing import write_text, write_texts
from legibility.web.office_bodies import Said, rules_of, said, words
from legibility.web.office_links import as_part
from legibility.web.office_marks_work import work_assign, work_calibrate, work_proof
from legibility.web.office_tasks import Task

if TYPE_CHECKING:
    from legibility.pipeline.herd_ranking import Ranking
    from legibility.store.database import HerdDatabase


def run_task(task: Task) -> Said:
    """Do what was asked; gives what the page around the result needs.

    Raises
    ------
    LegibilityError
        If it cannot be done; the message is for the person who asked.
    """
    return WORK[task.kind](task)


def work_worklist(task: Task) -> Said:
    """``legibility worklist``."""
    from legibility.pipeline.herd_worklist import worklist
    from legibility.report.herd_list import worklist_csv, worklist_page
    from legibility.store.database import open_herd

    asked = task.asked
    with open_herd(task.herd) as db:
        ranking = _ranking(db, task)
        found = worklist(ranking, asked["limit"], act=asked["act"], order=asked["order"])
    record = found.record()
    write_text(task.out / "worklist.csv", worklist_csv(record["items"]))
    write_text(task.out / "worklist.html", worklist_page(record))
    return said(
        task,
        "Whom to look at first",
        worklist_page(record, render=as_part),
        style="herd_worklist.html",
        files={"worklist.csv": "As a table (CSV)", "worklist.html": "As a page to keep"},
    )


def work_plan(task: Task) -> Said:
    """``legibility plan``."""
    from legibility.herd.planning import Day
    from legibility.pipeline.herd_plan import plan_day
    from legibility.pipeline.herd_sheets import sheet_details
    from legibility.report.herd_list import plan_page
    from legibility.store.database import open_herd

    asked = task.asked
    numbers = ("hands", "chutes", "transponders", "sedations")
    day = Day(float(asked["minutes"]), *(int(asked[name]) for name in numbers))
    with open_herd(task.herd) as db:
        ranking = _ranking(db, task)
        found = plan_day(ranking, day, must=asked["must"], sedated=asked["sedated"])
        pictures = sheet_details(db, [act.item for act in found.acts], settings=task.settings)
    record = found.record()
    write_text(task.out / "plan.html", plan_page(record, pictures))
    write_text(task.out / "plan.json", json.dumps(record) + "\n")
    return said(
        task,
        "Plan for the handling day",
        plan_page(record, pictures, render=as_part),
        style="herd_plan.html",
        files={"plan.html": "Plan and sheets as a page to print or keep", "plan.json": "As JSON"},
    )


def work_retention(task: Task) -> Said:
    """``legibility retention``."""
    from legibility.pipeline.herd_retention import retention
    from legibility.report.retention import retention_page
    from legibility.store.database import open_herd

    with open_herd(task.herd) as db:
        found = retention(
            db, usable_grade=load_handling(task.costs).usable_grade, settings=task.settings
        )
    record = found.record()
    write_text(task.out / "retention.html", retention_page(record))
    write_text(task.out / "retention.json", json.dumps(record) + "\n")
    return said(
        task,
        "How marks and transponders last",
        retention_page(record, render=as_part),
        style="herd_retention.html",
        files={"retention.html": "As a page to keep", "retention.json": "As JSON"},
    )


def work_risk(task: Task) -> Said:
    """``legibility risk`` over the record's own registry."""
    from legibility.batch.herd_risk import report_on
    from legibility.pipeline.herd_registry import registry_from
    from legibility.report.risk_lines import CSV_RIVALS, risk_csv
    from legibility.report.risk_page import ANIMALS_LISTED, PAIRS_DRAWN, risk_page
    from legibility.risk.ages import load_age_model
    from legibility.store.database import open_herd

    rules = rules_of(task)
    with open_herd(task.herd, read_only=True) as db:
        registry = registry_from(db, rules=rules)
    asked, files = task.asked, {"risk.csv": "All animals as a table (CSV)"}
    age_model: Path | None = None
    if asked["years"] or asked["grades"]:
        age_model = task.out / "grades-by-age.toml"
        write_text(age_model, f"years = {asked['years']}\ngrades = {asked['grades']}\n")
        try:
            load_age_model(age_model)
        except SettingsError as error:
            raise SettingsError(str(error).replace(f"{age_model}: ", "grades by age: ")) from error
        files[age_model.name] = "The grades by age, as entered"
    report = report_on(
        registry,
        rules=rules,
        condition=asked["condition"],
        age_model=age_model,
        year=asked["year"],
        counts=task.herd if asked["own"] else None,
        settings=task.settings,
        jobs=1,
    )
    grade, matrix, low, high = report.commonest()
    drawn: dict[str, Any] = {
        "herd": report.totals(pairs=PAIRS_DRAWN),
        "worst": report.worst(ANIMALS_LISTED),
        "matrix": matrix,
        "interval": (low, high),
        "grade": grade,
    }
    write_texts(task.out / "risk.csv", risk_csv(report.columns(most=CSV_RIVALS)))
    write_text(task.out / "risk.html", risk_page(**drawn))
    return said(
        task,
        "Which marks will be taken for which",
        risk_page(**drawn, render=as_part),
        style="risk.html",
        files={**files, "risk.html": "As a page to keep"},
    )


def work_verify(task: Task) -> Said:
    """``legibility verify``."""
    from legibility.evidence.custody import Anchor, anchor_text, load_anchor
    from legibility.evidence.verification import verification_record
    from legibility.pipeline.custody import verify_herd
    from legibility.report.custody_text import verification_text

    anchor: Anchor | None = None
    if task.asked["anchor"]:
        noted = task.out / "the noted head.txt"
        write_text(noted, task.asked["anchor"])
        anchor = load_anchor(noted)
    found = verify_herd(task.herd, anchor=anchor)
    record = verification_record(
        problems=found.problems,
        notices=found.notices,
        entries=found.entries,
        photos=found.photos,
        head=found.head,
        anchored=found.anchored,
    )
    write_text(task.out / "head.json", anchor_text(found.head))
    state = "All is as recorded." if record["sound"] else f"{len(found.problems)} problems."
    return words(
        task,
        "Is the record as it was",
        state,
        verification_text(record),
        files={"head.json": "Head of the chain, to be kept elsewhere"},
    )


def work_compare(task: Task) -> Said:
    """``legibility compare`` with photos and registry of the record."""
    from legibility.evidence.comparison_record import comparison_entry, comparison_record
    from legibility.photo.load import load_photo
    from legibility.pipeline.case_sources import photo_files
    from legibility.pipeline.compare import compare_photos
    from legibility.pipeline.custody import record_work
    from legibility.pipeline.herd_registry import registry_from
    from legibility.report.comparison_page import PhotoPictures, comparison_page
    from legibility.store.database import open_herd

    asked = task.asked
    files = photo_files(task.herd, asked["photos"])
    rules = rules_of(task)
    with open_herd(task.herd, read_only=True) as db:
        registry = registry_from(db, rules=rules)
    photos = [
        replace(load_photo(path, settings=task.settings), name=Path(row.path).name)
        for row, path in files
    ]
    result, drawn = compare_photos(
        photos,
        _two(asked),
        registry=registry,
        rules=rules,
        settings=task.settings,
        allow_different_ears=asked["different_ears"],
    )
    record = comparison_record(result)
    pictures = [PhotoPictures(p.pixels, p.rows, p.steps, p.row_steps) for p in drawn]
    write_text(task.out / "comparison.html", comparison_page(record, pictures))
    write_text(task.out / "comparison.json", json.dumps(record, allow_nan=False) + "\n")
    inputs, outputs = comparison_entry(record)
    record_work(task.herd, what="compare", who=task.who, inputs=inputs, outputs=outputs)
    return said(
        task,
        "Two claims, weighed",
        comparison_page(record, pictures, render=as_part),
        style="comparison.html",
        files={"comparison.html": "As a page to keep", "comparison.json": "As JSON"},
    )


def work_dossier(task: Task) -> Said:
    """``legibility dossier``."""
    from legibility.pipeline.case_sources import Asked, case_from_herd, case_from_record
    from legibility.pipeline.custody import record_work
    from legibility.pipeline.dossier import dossier_entry, make_dossier
    from legibility.report.comparison_text import comparison_text

    asked = task.asked
    put = Asked(
        claims=tuple(asked["claims"]),
        question=asked["question"],
        authority=asked["authority"],
        by=task.who,
        different_ears=asked["different_ears"],
        rules=task.rules,
    )
    if asked["case"]:
        case, files = case_from_herd(task.herd, asked["case"], (), put, settings=task.settings)
    else:
        case, files = case_from_record(task.herd, asked["photos"], put, settings=task.settings)
    done = make_dossier(case, files, page=task.out / "dossier.html")
    inputs, outputs = dossier_entry(done, case)
    record_work(task.herd, what="dossier", who=task.who, inputs=inputs, outputs=outputs)
    digests = "\n".join(f"{path.name}  sha256 {digest}" for path, digest in done.files.items())
    return words(
        task,
        f"Dossier, case {case.number}" if case.number else "Dossier",
        case.question,
        f"{comparison_text(done.record['figures']['comparison'])}\n{digests}\n",
        files={
            "dossier.html": "The dossier as a page that opens offline and prints",
            "dossier.zip": "Originals, settings and registry extract, to compute it again",
            "dossier.json": "The same as JSON",
        },
    )


def work_rerun(task: Task) -> Said:
    """``legibility rerun`` of a dossier made here."""
    from legibility.pipeline.dossier import rerun
    from legibility.report.rerun_text import rerun_record, rerun_text

    done = rerun(task.out.parent / task.asked["of"] / "dossier.zip")
    record = rerun_record(
        figures=done.figures,
        differences=done.differences,
        same_platform=done.same_platform,
        tolerance=done.tolerance,
        changed_versions=done.changed_versions,
        pictures=done.pictures,
        words=done.words,
        page=done.page,
    )
    state = "Every figure is the same again." if record["reproduced"] else "Figures differ."
    return words(task, "A dossier computed again", state, rerun_text(record), files={})


def work_blind(task: Task) -> Said:
    """``legibility blind make``: sheets for readers, and the key, which stays here."""
    from legibility.pipeline.blind_entries import made_entry
    from legibility.pipeline.blind_sets import make_blind
    from legibility.pipeline.case_sources import photo_files
    from legibility.pipeline.custody import record_work

    asked = task.asked
    key_file = task.out / "key" / "key.json"
    first = task.out.parent / asked["after"] if asked["after"] else None
    key, files = make_blind(
        [path for _, path in photo_files(task.herd, asked["photos"])],
        folder=task.out / "sheets",
        key_file=key_file,
        readers=asked["readers"],
        repeats=asked["repeats"],
        claims=asked["claims"],
        after=received(first) if first else (),
        first_key=first / "key" / "key.json" if first else None,
    )
    inputs, outputs = made_entry(key, files, key_file=key_file)
    record_work(task.herd, what="blind make", who=task.who, inputs=inputs, outputs=outputs)
    names = {f"sheets/{file.name}": _sheet_words(file) for file in files if file.suffix != ".json"}
    sheets = "\n".join(f"{sheet.reader}: sheet {sheet.sheet}" for sheet in key.sheets)
    text = (
        f"{len(key.photos)} marks for {len(key.sheets)} readers.\n{sheets}\n\n"
        "Print each reader's own sheet, or hand out the file. What the codes stand for is in the\n"
        "key, which stays on this computer until the sheets are scored.\n"
    )
    return words(task, "Blind reading sheets", "", text, files=names)


def received(folder: Path) -> list[Path]:
    """Filled sheets of a set that came back, a reader each."""
    return sorted((folder / "received").glob("*.txt"))


def work_score(task: Task) -> Said:
    """``legibility blind score`` of the sheets that came back."""
    from legibility.evidence.blind_record import score_record
    from legibility.pipeline.blind_entries import scored_entry
    from legibility.pipeline.blind_sets import score_blind
    from legibility.pipeline.custody import record_work
    from legibility.report.blind_text import blind_text

    folder = task.out.parent / task.asked["of"]
    sheets = received(folder)
    key_file = folder / "key" / "key.json"
    record = score_record(score_blind(sheets, key_file=key_file))
    # A person at a phone needs the file's name, not where it lies on the laptop.
    named = [{**mark, "photo": Path(mark["photo"]).name} for mark in record["adjudicate"]]
    write_text(task.out / "score.json", json.dumps(record) + "\n")
    inputs, outputs = scored_entry(record, sheets, key_file=key_file)
    record_work(task.herd, what="blind score", who=task.who, inputs=inputs, outputs=outputs)
    return words(
        task,
        "Readers compared",
        f"{len(sheets)} sheets came back.",
        blind_text({**record, "adjudicate": named}),
        files={"score.json": "As JSON"},
    )


WORK: Final[Mapping[str, Callable[[Task], Said]]] = {
    "worklist": work_worklist,
    "plan": work_plan,
    "retention": work_retention,
    "risk": work_risk,
    "verify": work_verify,
    "compare": work_compare,
    "dossier": work_dossier,
    "rerun": work_rerun,
    "blind": work_blind,
    "score": work_score,
    "assign": work_assign,
    "proof": work_proof,
    "calibrate": work_calibrate,
}


def _sheet_words(file: Path) -> str:
    if file.suffix == ".html":
        return f"{file.stem}: pictures, to print or to hand out"
    return f"{file.stem}: table to fill in (CSV)"


def _ranking(db: HerdDatabase, task: Task) -> Ranking:
    from legibility.pipeline.herd_ranking import rank_herd

    today = date.fromisoformat(task.asked["today"])
    handling = load_handling(task.costs)
    return rank_herd(db, handling=handling, settings=task.settings, today=today)


def _two(asked: Mapping[str, Any]) -> tuple[str, str]:
    first, second = asked["claims"]
    return str(first), str(second)
