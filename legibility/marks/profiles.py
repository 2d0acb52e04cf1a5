"""Ready-made rules from published texts, each with its source and the source's date."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from legibility.errors import SettingsError
from legibility.marks.rules import Rules
from legibility.marks.rules_file import rules_from


@dataclass(frozen=True, slots=True)
class RuleProfile:
    """Published rules, ready to use."""

    name: str
    title: str
    source: str
    dated: str
    """Date of the source, as far as it is stated."""
    note: str
    """What the rules cannot say, and what was chosen where the source is silent."""
    text: str
    """The rules as TOML."""
    rules: Rules


@cache
def rule_profiles() -> tuple[RuleProfile, ...]:
    """All ready-made rules, by name."""
    found = []
    for name, text in sorted(_texts().items()):
        head, _, body = text.partition("[rules]\n")
        about = tomllib.loads(head)
        rules = rules_from(tomllib.loads(body), where=f"profile {name}")
        found.append(RuleProfile(name=name, text=body, rules=rules, **about))
    return tuple(found)


def profile_values(name: object, *, where: str) -> dict[str, Any]:
    """Values of a ready-made profile as a rules file would have them.

    Raises
    ------
    SettingsError
        If there is none of that name.
    """
    texts = _texts()
    if not isinstance(name, str) or name not in texts:
        known = ", ".join(sorted(texts))
        raise SettingsError(f"{where}: profile is {name!r}; known: {known}")
    return tomllib.loads(texts[name].partition("[rules]\n")[2])


@cache
def _texts() -> dict[str, str]:
    folder = files("legibility.marks") / "data"
    return {
        item.name.removesuffix(".toml"): item.read_text(encoding="utf-8")
        for item in folder.iterdir()
        if item.name.endswith(".toml")
    }
