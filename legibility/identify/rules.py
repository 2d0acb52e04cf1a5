"""Rules of marks, under the name that readings use; they live in :mod:`legibility.marks`."""

from __future__ import annotations

from legibility.marks.rules import LONGEST_ROW, Form, Rules
from legibility.marks.rules_file import load_rules

__all__ = ["LONGEST_ROW", "Form", "Rules", "load_rules"]
