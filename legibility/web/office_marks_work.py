"""What the office has computed before marks are punched, and of how well they are read after it.

New marks, the proof of a punched card, and calibration on the record's own photos.
"""

from __future__ import annotations

import json
from pathlib import Path

from legibility.errors import LegibilityError, TableError
from legibility.report.writing import write_text
from legibility.web.office_bodies import Said, dies_of, rules_of, said, words
from legibility.web.office_links import as_part
from legibility.web.office_tasks import Task


def work_assign(task: Task) -> Said:
    """``legibility assign`` against all marks of the record."""
    from legibility.batch.new_marks import new_marks
    from legibility.marks.rules_file import rules_from
    from legibility.pipeline.herd_registry import registry_from
    from legibility.report.assign import assign_csv, assign_page
    from legibility.store.database import open_herd
    from legibility.store.marks import all_marks

    asked = task.asked
    entered = rules_from(asked["rules"], where="rules") if asked["rules"] else None
    rules = None if asked.get("learned") else entered or rules_of(task)
    with open_herd(task.herd, read_only=True) as db:
        registry = registry_from(db)
        current = {(animal.animal_id, animal.mark) for animal in registry}
        older = [m.text for m in all_marks(db) if (m.animal_id, m.text) not in current]
    try:
        found = new_marks(
            registry,
            rules=rules,
            count=asked["count"],
            bound=asked["bound"],
            condition=asked["condition"],
            seed=asked["seed"],
            needles_max=asked["needles"],
            dies=dies_of(task.herd, task.settings) if asked["dies"] else None,
            reuse_window=asked["reuse"],
            year=asked["year"],
            counts=task.herd if asked["own"] else None,
            older=older,
            settings=task.settings,
        )
    except LegibilityError as error:
        raise LegibilityError(str(error).replace("--bound", "the bound")) from error
    marks, summary = list(found.records()), found.summary()
    write_text(task.out / "new-marks.csv", assign_csv(marks))
    write_text(task.out / "new-marks.html", assign_page(summary, marks))
    return said(
        task,
        "New marks",
        assign_page(summary, marks, render=as_part),
        style="assign.html",
        files={"new-marks.csv": "As a table (CSV)", "new-marks.html": "As a page to keep"},
    )


def work_proof(task: Task) -> Said:
    """``legibility proof`` of a photo that was sent."""
    from legibility.photo.load import load_photo, printable_name
    from legibility.pipeline.herd_registry import herd_registry
    from legibility.pipeline.proof_file import proof_of_file, proof_record
    from legibility.report.proof import answer_of, proof_page

    card, dies = task.out / task.asked["file"], dies_of(task.herd, task.settings)
    try:
        result = proof_of_file(
            card,
            task.asked["mark"],
            rules=task.rules,
            registry=herd_registry(task.herd),
            dies=dies if task.asked["learn"] else None,
            settings=task.settings,
        )
        pixels = load_photo(card, settings=task.settings).pixels
    except LegibilityError as error:
        # Names of files of this computer mean nothing to the person who sent the photo.
        text = str(error).replace(f"{printable_name(card)}: ", "").replace("--mark: ", "")
        raise LegibilityError(text.replace(str(dies), dies.name)) from error
    record = {**proof_record(result), "photo": card.name}
    write_text(task.out / "proof.html", proof_page(record, pixels))
    write_text(task.out / "proof.json", json.dumps(record) + "\n")
    shown = said(
        task,
        "A punched card",
        proof_page(record, pixels, render=as_part),
        style="proof.html",
        files={
            "proof.html": "As a page to keep",
            "proof.json": "As JSON",
            card.name: "The photo as it was sent",
        },
    )
    return {**shown, "answer": answer_of(record)}


def work_calibrate(task: Task) -> Said:
    """``legibility calibrate --from`` the record."""
    try:
        return _calibrated(task)
    except TableError as error:
        raise TableError(str(error).replace(str(task.herd), task.herd.name)) from error


def _calibrated(task: Task) -> Said:
    from legibility.batch import FileReader, open_results
    from legibility.evaluate import record_truth as known
    from legibility.identify.calibration_file import load_final_calibration, save_final_calibration
    from legibility.report.calibration import calibration_lines, kernel_data_lines
    from legibility.store.database import open_herd

    settings = task.settings
    with open_herd(task.herd, read_only=True) as db:
        truth = known.record_truth(db, settings=settings)
    read = []
    if truth.to_read:
        reader = FileReader(settings=settings)
        with open_results(truth.to_read, reader=reader, jobs=1) as results:
            read = list(results.stream)
    results_all = known.all_results(truth, read)
    counted = known.kernel_data(truth, results_all)
    used = settings.calibration_file
    found = known.recalibrate_on_record(
        truth,
        results_all,
        settings=settings,
        current=load_final_calibration(Path(used) if used else None),
    )
    save_final_calibration(found.calibration, task.out / "calibration.json")
    write_text(task.out / "counts.csv", counted.csv())
    lines = [*calibration_lines(found), "", *kernel_data_lines(counted)]
    return words(
        task,
        "Calibration on the record's own photos",
        "Better than the calibration used so far."
        if found.better
        else "No better than the calibration used so far: keep that one.",
        "\n".join(lines) + "\n",
        files={
            "calibration.json": "The new calibration, for legibility read --calibration",
            "counts.csv": "What was read for which character (CSV)",
        },
    )
