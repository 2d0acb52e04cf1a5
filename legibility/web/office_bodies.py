"""What computations of the office have in common: their results, and the herd's own files."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeAlias

from legibility.report.writing import write_text
from legibility.settings import Settings
from legibility.web.office_links import as_part
from legibility.web.office_tasks import BODY_FILE, Task

if TYPE_CHECKING:
    from legibility.identify.rules import Rules

Said: TypeAlias = dict[str, Any]
"""What the page around a result needs."""
DIES_FILE: Final = "dies.toml"


def said(task: Task, title: str, body: str, *, style: str, files: Mapping[str, str]) -> Said:
    """Keep the body of a page and name the files that belong to it."""
    write_text(task.out / BODY_FILE, body)
    return {"title": title, "style": style, "files": dict(files)}


def words(task: Task, title: str, headline: str, text: str, *, files: Mapping[str, str]) -> Said:
    """A result that is text in the terminal."""
    body = as_part("words.html", title=title, headline=headline, text=text)
    return said(task, title, body, style="words.html", files=files)


def rules_of(task: Task) -> Rules | None:
    """The herd's rules of marks; None without any."""
    from legibility.identify.rules import load_rules

    return None if task.rules is None else load_rules(task.rules)


def dies_of(herd: Path, settings: Settings) -> Path:
    """Where the herd's dies are: the file that the settings name, or one beside the record."""
    if settings.dies_file:
        return Path(settings.dies_file)
    return herd.with_suffix(".web") / DIES_FILE
