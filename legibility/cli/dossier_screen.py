"""From the words of the command line to a case, and from a dossier to the record's chain."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from legibility.cli.custody_screen import enter
from legibility.pipeline.case_files import Case
from legibility.pipeline.case_sources import Asked, case_from_herd, case_from_photos
from legibility.pipeline.dossier import Dossier, dossier_entry
from legibility.settings import Settings


def asked_from(words: Mapping[str, Any]) -> Asked:
    """What the options say of a case."""
    return Asked(
        claims=tuple(words["claims"]),
        question=words["question"],
        authority=words["authority"],
        by=words["by"],
        different_ears=words["different_ears"],
        rules=words["rules"],
        key=words["key"],
        sheets=tuple(words["sheets"]),
    )


def gathered(
    case: tuple[Path, ...],
    asked: Asked,
    *,
    herd: Path | None,
    registry: Path | None,
    columns: Mapping[str, str],
    settings: Settings,
) -> tuple[Case, dict[str, bytes]]:
    """The case and its files."""
    if herd is None:
        if len(case) == 1 and str(case[0]).isdecimal() and not case[0].exists():
            raise click.UsageError(f"case {case[0]} of which record? Name it with --herd")
        from legibility.batch.finding import photos_in

        return case_from_photos(
            photos_in(case), asked, registry=registry, columns=columns, settings=settings
        )
    if registry is not None:
        raise click.UsageError("--registry: with --herd the registry is that of the record")
    number = str(case[0])
    if not number.isdecimal() or len(number) > 9:
        raise click.UsageError(f"{number!r} is no number of a case; `legibility herd check` lists")
    return case_from_herd(herd, int(number), case[1:], asked, settings=settings)


def enter_dossier(
    done: Dossier, case: Case, *, record_file: Path | None, herd: Path | None
) -> None:
    """Enter a dossier into the record it is from, or the one that was named."""
    inputs, outputs = dossier_entry(done, case)
    enter(record_file or herd, by=case.made_by, what="dossier", inputs=inputs, outputs=outputs)
