"""Which of the learned forms a mark keeps to, for going through many of them quickly."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from legibility.alphabet import CHARACTERS, LOOK_ALIKE, ROW_SEPARATOR
from legibility.marks.check_characters import DIGITS, LETTERS, SCHEMES, check_characters
from legibility.marks.rules import COVERS, Form, Rules

_FIELD: Final = re.compile(r"\{(prefix|year|check)\}|[@#*]")
_CALLED: Final = {"O": "the letter O", "0": "the figure 0", "I": "the letter I", "1": "a figure 1"}


@dataclass(frozen=True, slots=True)
class Kept:
    """What a mark is among the forms."""

    form: int
    """From 0; -1 for none."""
    why: str = ""
    """What keeps it from being one; empty when it is one, or nothing small would help."""


class Matcher:
    """The forms of learned rules as expressions; row breaks that are not written do not matter."""

    def __init__(self, rules: Rules) -> None:
        self._rules = rules
        texts = [_expression(rules, form, number) for number, form in enumerate(rules.forms)]
        # A mark without a break is one of a form in one row, where there is such a one.
        self._order = sorted(range(len(texts)), key=lambda n: len(rules.forms[n].rows))
        self._any = re.compile("|".join(f"(?P<f{n}>{texts[n]})" for n in self._order))
        self._each = [re.compile(f"(?P<f{n}>{text})") for n, text in enumerate(texts)]
        self._two = [n for n, form in enumerate(rules.forms) if len(form.rows) == 2]
        self._kept = [Kept(number) for number in range(len(texts))]
        self._plain = [not form.ear for form in rules.forms]
        self._quick = not rules.year_letters and not any(form.check for form in rules.forms)

    def kept(self, mark: str, year: int = 0, *, ear: str = "") -> Kept:
        """Form of one plain mark.

        Parameters
        ----------
        mark : str
            As :func:`learned_lines.plain_marks` gives it.
        year : int
            Of birth; 0 = not known.
        ear : str
            ``"left"`` or ``"right"``; anything else: not known.
        """
        found = self._any.fullmatch(mark)
        if found is not None and self._quick:
            number = int(str(found.lastgroup)[1:])
            if self._plain[number]:
                return self._kept[number]
        kept = self._slowly(mark, year, ear)
        if kept.form >= 0 or ROW_SEPARATOR not in mark:
            return kept
        whole = mark.replace(ROW_SEPARATOR, "")
        # Where the herd breaks such marks elsewhere the break is what is odd.
        for number in self._two:
            if self._each[number].fullmatch(whole):
                return Kept(-1, "its rows break at another place")
        return self._slowly(whole, year, ear)

    def hint(self, mark: str, year: int = 0, *, ear: str = "") -> str:
        """What makes an odd mark one of the forms: a letter O where others have 0, or the like."""
        for place, character in enumerate(mark):
            other = LOOK_ALIKE.get(character)
            if other is None:
                continue
            for changed in (
                mark[:place] + other + mark[place + 1 :],
                mark[:place] + mark[place:].replace(character, other),
            ):
                if self.kept(changed, year, ear=ear).form >= 0:
                    return f"{_CALLED[character]} where {changed} has {_CALLED[other]}"
        return ""

    def year_place(self, mark: str, form: int) -> int:
        """Where the year's letter stands in a mark of a form; -1 for nowhere."""
        found = self._each[form].fullmatch(mark)
        group = f"y{form}"
        return found.start(group) if found and group in found.re.groupindex else -1

    def _slowly(self, mark: str, year: int, ear: str) -> Kept:
        why = ""
        for number in self._order:
            form, found = self._rules.forms[number], self._each[number].fullmatch(mark)
            if found is None:
                continue
            if form.ear and ear in ("left", "right") and ear != form.ear:
                why = why or f"a mark of the {form.ear} ear in the {ear} one"
                continue
            problem = self._problem(form, number, found, year)
            if not problem:
                return self._kept[number]
            why = why or problem
        return Kept(-1, why)

    def _problem(self, form: Form, number: int, found: re.Match[str], year: int) -> str:
        text = found[0].replace(ROW_SEPARATOR, "")
        if form.check:
            scheme = SCHEMES[form.check]
            wanted = check_characters(scheme, text[: -scheme.length], COVERS[form.check_covers])
            if not wanted or not text.endswith(wanted):
                return f"its check character ({form.check}) would be {wanted or 'none'}"
        table = self._rules.year_table
        if table is not None and year and f"y{number}" in found.re.groupindex:
            letter, wanted = found[f"y{number}"], table.letter(year)
            if letter != wanted:
                return f"year letter {letter}, but {year} has {wanted} ({table.name})"
        return ""


def _expression(rules: Rules, form: Form, number: int) -> str:
    scheme = SCHEMES.get(form.check)
    table = rules.year_table
    kinds = {
        "@": _class(LETTERS, rules),
        "#": _class(DIGITS, rules),
        "*": _class(CHARACTERS, rules),
        "{prefix}": rules.prefix,
        "{year}": f"(?P<y{number}>[{table.letters if table else ''}])",
        "{check}": f"[{scheme.written}]{{{scheme.length}}}" if scheme else "",
    }
    rows = [_FIELD.sub(lambda token: kinds[token[0]], row) for row in form.rows]
    return f"{ROW_SEPARATOR}?".join(rows)


def _class(characters: str, rules: Rules) -> str:
    return f"[{''.join(c for c in characters if c in rules.in_use)}]"
