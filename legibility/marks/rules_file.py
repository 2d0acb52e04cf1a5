"""Rules from a TOML file; every error names the file and the key."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from legibility.alphabet import CHARACTERS, index_of
from legibility.errors import SettingsError
from legibility.marks.check_characters import SCHEMES
from legibility.marks.rules import COVERS, LONGEST_ROW, Form, Rules, layouts_of
from legibility.marks.year_letters import PROFILES as YEAR_TABLES
from legibility.marks.year_letters import unnamed_reason
from legibility.tables.choice import checked_choice

_COLUMNS: Final = re.compile(r"^\[columns\][^\n]*\n(?:(?!\[)[^\n]*\n?)*", re.MULTILINE)
_TEXTS: Final = ("characters", "exclude", "prefix", "year_letters", "name")
_NUMBERS: Final = ("shortest_row", "longest_row", "max_rows")
_FORM_KEYS: Final = ("rows", "ear", "check", "check_covers")
KEYS: Final = ("characters", *_NUMBERS, *_TEXTS[1:], "forms", "profile", "columns")


def load_rules(path: Path) -> Rules:
    """Rules from a TOML file; keys are the fields of :class:`Rules`, ``[[forms]]`` its forms.

    ``profile`` names a ready-made one (``legibility rules --list``); the file's own keys replace
    those of the profile. ``[columns]`` says which column of the registry holds what.

    Raises
    ------
    SettingsError
        If the file cannot be read or parsed, a key is unknown or has a value out of range, or the
        rules allow no mark.
    """
    try:
        values = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise SettingsError(f"{path}: cannot be read as rules: {error}") from error
    return rules_from(values, where=str(path))


def with_columns(path: Path, choice: Mapping[str, str], *, new: str = "") -> str:
    """Text of a rules file with ``[columns]``; what else is in it stays as it is.

    Parameters
    ----------
    path : Path
    choice : mapping
        What ``[columns]`` says.
    new : str
        What else stands in the file where there is none yet.

    Raises
    ------
    SettingsError
        If the file is there and is no rules file.
    """
    text = new
    if path.exists():
        load_rules(path)
        text = path.read_text(encoding="utf-8-sig")
    text = _COLUMNS.sub("", text).rstrip("\n")
    lines = [f"{key} = {json.dumps(value, ensure_ascii=False)}" for key, value in choice.items()]
    put = "\n".join(["[columns]", *lines, ""])
    whole = f"{text}\n\n{put}" if text else put
    rules_from(tomllib.loads(whole), where=str(path))
    return whole


def rules_from(values: Mapping[str, Any], *, where: str) -> Rules:
    """Rules from the values of a TOML file.

    Raises
    ------
    SettingsError
        As :func:`load_rules`.
    """
    own = dict(values)
    columns = own.pop("columns", {})
    if not isinstance(columns, dict):
        raise SettingsError(f"{where}: columns is {columns!r}; expected a table [columns]")
    choice = checked_choice(columns, where=f"{where}: [columns]")
    if choice and not own:
        return Rules(longest_row=LONGEST_ROW, columns=tuple(choice.items()))
    if "profile" in own:
        from legibility.marks.profiles import profile_values

        name = own.pop("profile")
        base = profile_values(name, where=where)
        if "forms" in own:
            base = {k: v for k, v in base.items() if k not in _NUMBERS}
        own = base | own
    for key, value in own.items():
        if key not in KEYS:
            raise SettingsError(f"{where}: unknown rule {key!r}; known: {', '.join(KEYS)}")
        wanted: type = str if key in _TEXTS else list if key == "forms" else int
        if not isinstance(value, wanted) or isinstance(value, bool):
            raise SettingsError(f"{where}: {key} is {value!r}; expected {wanted.__name__}")
    forms = tuple(_form(f"{where}: form {n}", f) for n, f in enumerate(own.pop("forms", ()), 1))
    rules = Rules(**own, forms=forms, columns=tuple(choice.items()))
    _check(where, rules, set(own))
    return rules


def rules_toml(rules: Rules, *, heading: Sequence[str] = (), comments: Sequence[str] = ()) -> str:
    """Rules as the text of a TOML file; what is as by default is left out.

    Parameters
    ----------
    rules : Rules
    heading : sequence of str
        Comments at the head of the file, a line each.
    comments : sequence of str
        Comment above each form.
    """
    default = Rules()
    lines = [f"# {line}" for line in heading]
    keys = _TEXTS if rules.forms else (*_TEXTS, *_NUMBERS)
    for key in keys:
        value = getattr(rules, key)
        if value != getattr(default, key):
            lines.append(f"{key} = {json.dumps(value, ensure_ascii=False)}")
    for number, form in enumerate(rules.forms):
        lines += ["", *(f"# {line}" for line in comments[number : number + 1]), "[[forms]]"]
        lines.append(f"rows = {json.dumps(list(form.rows))}")
        if form.ear:
            lines.append(f'ear = "{form.ear}"')
        if form.check:
            lines += [f'check = "{form.check}"', f'check_covers = "{form.check_covers}"']
    return "\n".join(lines) + "\n"


def _form(where: str, values: Any) -> Form:
    if not isinstance(values, dict):
        raise SettingsError(f"{where}: is {values!r}; expected a table [[forms]]")
    for key, value in values.items():
        if key not in _FORM_KEYS:
            raise SettingsError(f"{where}: unknown key {key!r}; known: {', '.join(_FORM_KEYS)}")
        if key != "rows" and not isinstance(value, str):
            raise SettingsError(f"{where}: {key} is {value!r}; expected text")
    rows = values.get("rows")
    if (
        not isinstance(rows, list)
        or not 1 <= len(rows) <= 2
        or not all(isinstance(row, str) for row in rows)
    ):
        raise SettingsError(f"{where}: rows is {rows!r}; expected one or two patterns in [ ]")
    form = Form(**(values | {"rows": tuple(rows)}))
    if form.ear not in ("", "left", "right"):
        raise SettingsError(f"{where}: ear is {form.ear!r}; expected left, right or nothing")
    if form.check and form.check not in SCHEMES:
        raise SettingsError(f"{where}: check is {form.check!r}; known: {', '.join(SCHEMES)}")
    if form.check_covers not in COVERS:
        known = ", ".join(COVERS)
        raise SettingsError(f"{where}: check_covers is {form.check_covers!r}; known: {known}")
    return form


def _check(where: str, rules: Rules, given: set[str]) -> None:
    if not rules.characters:
        raise SettingsError(f"{where}: characters is empty; expected at least one of {CHARACTERS}")
    for key in ("characters", "exclude", "prefix"):
        text = getattr(rules, key)
        for character in text:
            try:
                index_of(character)
            except ValueError as error:
                raise SettingsError(f"{where}: {key}: {error}") from error
        if key != "prefix" and len(set(text)) != len(text):
            raise SettingsError(f"{where}: {key} {text!r} names one twice")
    if not rules.in_use:
        raise SettingsError(f"{where}: exclude {rules.exclude!r} leaves no character in use")
    if not 1 <= rules.shortest_row <= rules.longest_row <= LONGEST_ROW:
        raise SettingsError(
            f"{where}: shortest_row is {rules.shortest_row} and longest_row {rules.longest_row}; "
            f"expected 1 <= shortest_row <= longest_row <= {LONGEST_ROW}"
        )
    if rules.max_rows not in (1, 2):
        raise SettingsError(f"{where}: max_rows is {rules.max_rows}; expected 1 or 2")
    _check_year_table(where, rules)
    _check_forms(where, rules, given)
    try:
        layouts = layouts_of(rules)
    except ValueError as error:
        raise SettingsError(f"{where}: {error}") from error
    if not layouts:
        raise SettingsError(
            f"{where}: prefix {rules.prefix!r} is longer than longest_row = {rules.longest_row}"
        )


def _check_year_table(where: str, rules: Rules) -> None:
    if rules.year_letters and rules.year_table is None:
        raise SettingsError(
            f"{where}: year_letters is {rules.year_letters!r}; known: {', '.join(YEAR_TABLES)}"
        )
    has_year = any("{year}" in row for form in rules.forms for row in form.rows)
    if has_year and not rules.year_letters:
        raise SettingsError(f"{where}: year_letters is not there: {unnamed_reason()}")
    if rules.year_letters and not has_year:
        raise SettingsError(
            f"{where}: year_letters is {rules.year_letters!r}, but no row of [[forms]] has "
            "{year}; say where the letter stands"
        )


def _check_forms(where: str, rules: Rules, given: set[str]) -> None:
    if not rules.forms:
        return
    for key in _NUMBERS:
        if key in given:
            raise SettingsError(f"{where}: {key} has no meaning beside [[forms]]; leave it out")
    rows = [row for form in rules.forms for row in form.rows]
    if rules.prefix and not any("{prefix}" in row for row in rows):
        raise SettingsError(
            f"{where}: prefix is {rules.prefix!r}, but no row of [[forms]] has {{prefix}}"
        )
    for number, form in enumerate(rules.forms, start=1):
        if form.check and not any("{check}" in row for row in form.rows):
            raise SettingsError(
                f"{where}: form {number}: check is {form.check!r}, but no row has {{check}}"
            )
