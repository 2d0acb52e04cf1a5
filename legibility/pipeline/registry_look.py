"""What a registry file says, as understood: columns, reasons, and what would be refused."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from legibility.errors import RegistryError
from legibility.tables.choice import choice_text
from legibility.tables.sheet import Table, letters
from legibility.tables.understanding import Understood

if TYPE_CHECKING:
    from collections.abc import Mapping

    from legibility.identify.animals import Registry
    from legibility.identify.rules import Rules
    from legibility.marks.learned import LearnedRules
    from legibility.pipeline.herd_registry import RegistryFile


@dataclass(frozen=True, slots=True)
class RegistryLook:
    """A registry file, understood and checked; nothing was imported."""

    name: str
    table: Table
    found: Understood
    file: RegistryFile | None
    """None while it is not clear which column holds what."""
    problem: str = ""
    """Why no row at all can be used."""
    has_forms: bool = False
    """Rules were given that say what marks look like."""

    @property
    def is_good(self) -> bool:
        """Whether every command would take the file as it is."""
        return not self.found.questions and not self.problem and not self.refused

    @property
    def refused(self) -> list[dict[str, Any]]:
        """Rows and cells that cannot be used."""
        return [
            {
                "line": problem.line,
                "field": problem.field,
                "where": problem.where or f"line {problem.line}",
                "problem": problem.problem,
            }
            for problem in (self.file.problems if self.file is not None else ())
        ]

    @property
    def registry(self) -> Registry | None:
        """The animals that can be used."""
        return self.file.registry if self.file is not None else None

    def record(self) -> dict[str, Any]:
        """All of it as JSON."""
        found = self.found
        return {
            "registry": self.name,
            "form": self.table.form,
            "sheet": found.sheet.name,
            "header_line": found.header.line,
            "rows": self.file.found if self.file is not None else 0,
            "animals": len(self.file.rows) if self.file is not None else 0,
            "columns": [
                {
                    "role": column.role,
                    "column": letters(column.place),
                    "heading": column.heading,
                    "confidence": column.confidence,
                    "reasons": list(column.reasons),
                    "examples": list(column.examples),
                }
                for column in found.columns
            ],
            "dates": {role: order.why for role, order in found.orders.items() if order.why},
            "unused": [{"heading": heading, "why": why} for heading, why in found.unused],
            "questions": [
                {
                    "question": question.text,
                    "answers": [
                        choice_text({**found.choice, **answer}) for answer in question.answers
                    ],
                }
                for question in found.questions
            ],
            "refused": self.refused,
            "problem": self.problem,
            "notices": list(self._notices()),
            "choice": self._choice(),
            "forms": self._forms(),
        }

    @property
    def learned(self) -> LearnedRules | None:
        """The forms that the marks show; None without a mark, or where rules say the forms."""
        if self.registry is None or self.has_forms:
            return None
        from legibility.identify.learned_forms import forms_of

        return forms_of(self.registry)

    def _forms(self) -> dict[str, Any] | None:
        """What was learned of the marks, as JSON."""
        from legibility.identify.learned_forms import animal_of

        learned, herd = self.learned, self.registry
        if learned is None or herd is None:
            return None
        forms = zip(
            learned.rules.forms, learned.counts, learned.words, learned.examples, strict=True
        )
        return {
            "title": learned.title,
            "forms": [
                {
                    "marks": marks,
                    "words": words,
                    "rows": list(form.rows),
                    "ear": form.ear,
                    "check": form.check,
                    "examples": list(examples),
                }
                for form, marks, words, examples in forms
            ],
            "exceptions": [
                {
                    "animal_id": herd.animal_id(animal_of(herd, odd)),
                    "mark": odd.mark,
                    "why": odd.why,
                }
                for odd in learned.exceptions
            ],
            "rare_share": round(learned.rare_share, 6),
            "notes": list(learned.notes),
            "toml": learned.toml(),
        }

    def _choice(self) -> str:
        """What to say by hand; empty where nothing need be said."""
        words = self.found.in_words()
        named = all(key == value for key, value in words.items())
        return "" if self.found.questions or named else choice_text(words)

    def _notices(self) -> tuple[str, ...]:
        notices = self.file.notices if self.file is not None else self.found.notices
        return tuple(n for n in notices if not n.startswith(("columns not used", "columns read")))


def look_at_registry(
    path: Path,
    *,
    rules: Rules | None = None,
    columns: Mapping[str, str] | None = None,
    allow_test: bool = False,
) -> RegistryLook:
    """Understand and check a registry file.

    Parameters
    ----------
    path, rules, columns
        As :func:`legibility.load_registry`.
    allow_test : bool
        Take transponder numbers of the test range for identities.

    Raises
    ------
    RegistryError
        If the file cannot be read as a table, or a column that was named is not there.
    """
    from legibility.identify.registry import understood
    from legibility.marks.rules import of_marks
    from legibility.pipeline.herd_registry import read_registry_file

    columns = columns or (dict(rules.columns) if rules is not None else {})
    table, found = understood(path, columns=columns)
    if found.questions:
        return RegistryLook(table.name, table, found, None)
    try:
        file = read_registry_file(
            path, rules=rules, columns=columns, allow_test=allow_test, accept_good=True
        )
    except RegistryError as error:
        return RegistryLook(table.name, table, found, None, str(error))
    return RegistryLook(table.name, table, found, file, has_forms=of_marks(rules) is not None)
