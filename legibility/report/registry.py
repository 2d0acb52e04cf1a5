"""What was understood of a registry file, as text."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import Any, Final

from legibility.marks.learned import LearnedRules
from legibility.report.writing import printable

WIDTH: Final = 98
"""Choice: fits a terminal of 100 columns."""
REFUSED_NAMED: Final = 40
"""Choice: rows that would be refused named one by one; --json has all."""
ROLES: Final = {
    "animal_id": "animal",
    "mark": "mark",
    "left_mark": "mark, left ear",
    "right_mark": "mark, right ear",
    "ear": "ear",
    "birth_date": "birth",
    "birth_year": "year of birth",
    "sex": "sex",
    "chip": "transponder",
    "status": "status",
    "skin": "colour of the ear",
    "applied_on": "marked on",
    "die_set": "dies",
    "ink": "ink",
    "operator": "marked by",
    "note": "note",
}


def registry_text(record: Mapping[str, Any], *, parts: Sequence[str] = ()) -> str:
    """A registry as understood, for people.

    Parameters
    ----------
    record : mapping
        Of :meth:`legibility.pipeline.registry_look.RegistryLook.record`.
    parts : sequence of str
        Further sections, each with its heading, e.g. the forms that its marks have.
    """
    sections = [
        _head(record),
        _columns(record),
        _unused(record),
        _questions(record),
        _refused(record),
        _list("Worth knowing", record["notices"]),
        *parts,
        _end(record),
    ]
    return printable_lines("\n\n".join(section for section in sections if section) + "\n")


def forms_text(learned: LearnedRules | None) -> str:
    """The forms that the marks show, in words and as rules; empty where none were learned."""
    if learned is None:
        return ""
    said = learned.described(exceptions=REFUSED_NAMED)
    said[0] = said[0][:1].upper() + said[0][1:-1] + " (used where no --rules are given):"
    rules = [f"    {line}".rstrip() for line in learned.toml(comments=False).strip().splitlines()]
    return "\n".join([*said, "", "  The same as rules (--save RULES.toml):", *rules])


def saved_text(learned: LearnedRules | None) -> str:
    """What a saved rules file holds, and what it will refuse."""
    if learned is None:
        return "[columns] written; what else is in the file was left as it is"
    said = f"{learned.title} and [columns] written"
    odd = len(learned.exceptions)
    if odd:
        said += (
            "; 1 mark of another form is refused with these rules: mend it, or add its form"
            if odd == 1
            else f"; {odd:,} marks of other forms are refused with these rules: mend them, or add "
            "their forms"
        )
    return said


def printable_lines(text: str) -> str:
    """Text of several lines that cannot move the cursor."""
    return "\n".join(printable(line) for line in text.split("\n"))


def _head(record: Mapping[str, Any]) -> str:
    where = f", sheet {record['sheet']}" if record["sheet"] else ""
    line = record["header_line"]
    row = "row" if record["sheet"] else "line"
    headings = f"headings in {row} {line}" if line else "no headings"
    rows = f", {_counted(record['rows'], 'row')}" if record["rows"] else ""
    return f"{record['registry']}: {record['form']}{where}; {headings}{rows}"


def _columns(record: Mapping[str, Any]) -> str:
    lines = ["Understood as"]
    wide = max((len(_shown(column)) for column in record["columns"]), default=0)
    for column in record["columns"]:
        role = ROLES[column["role"]]
        examples = " | ".join(example[:24] or "-" for example in column["examples"])
        lines.append(f"  {role:<18}{_shown(column):<{wide}}  {examples}".rstrip())
        why = "; ".join((column["confidence"], *column["reasons"]))
        if order := record["dates"].get(column["role"]):
            why += f"; {order}"
        lines += textwrap.wrap(why, WIDTH, initial_indent=" " * 20, subsequent_indent=" " * 20)
    return "\n".join(lines if record["columns"] else [*lines, "  nothing yet"])


def _shown(column: Mapping[str, Any]) -> str:
    heading = column["heading"][:40]
    return f"{column['column']} {heading!r}" if heading else f"column {column['column']}"


def _unused(record: Mapping[str, Any]) -> str:
    texts = [
        f"{item['heading'][:40]!r}" + (f": {item['why']}" if item["why"] else "")
        for item in record["unused"]
    ]
    return _list("Not used", texts)


def _questions(record: Mapping[str, Any]) -> str:
    lines = ["Not safe to guess; please say it" if record["questions"] else ""]
    for item in record["questions"]:
        lines += textwrap.wrap(
            item["question"], WIDTH, initial_indent="  - ", subsequent_indent="    "
        )
        lines += [f"      --columns '{answer}'" for answer in item["answers"]]
    return "\n".join(lines)


def _refused(record: Mapping[str, Any]) -> str:
    if record["problem"]:
        return record["problem"] and f"Cannot be used\n  {record['problem']}"
    found = record["refused"]
    if not found:
        return ""
    bad = len({item["line"] for item in found})
    texts = [f"{item['where']}: {item['problem']}" for item in found[:REFUSED_NAMED]]
    if len(found) > REFUSED_NAMED:
        texts.append(f"and {len(found) - REFUSED_NAMED:,} more")
    left_out = record["rows"] - record["animals"]
    rest = f"; {_counted(left_out, 'row')} would be left out whole" if left_out else ""
    return (
        _list(f"Would be refused ({bad:,} of {_counted(record['rows'], 'row')})", texts)
        + "\n"
        + textwrap.fill(
            f"Mend them, or go on without them: --columns rows=usable, or for the herd's record "
            f"--accept-good{rest}.",
            WIDTH,
            initial_indent="  ",
            subsequent_indent="  ",
        )
    )


def _end(record: Mapping[str, Any]) -> str:
    if record["questions"] or record["problem"]:
        return "Nothing is read before that is clear."
    lines = [f"{_counted(record['animals'], 'animal')} can be used."]
    if record["choice"]:
        lines.append(f"Said by hand: --columns '{record['choice']}'")
        lines.append("To keep it for --rules of every command: --save RULES.toml")
    return "\n".join(lines)


def _list(title: str, texts: Sequence[str]) -> str:
    lines = [title] if texts else []
    for text in texts:
        lines += textwrap.wrap(text, WIDTH, initial_indent="  - ", subsequent_indent="    ")
    return "\n".join(lines)


def _counted(number: int, what: str) -> str:
    return f"{number:,} {what}" + ("" if number == 1 else "s")
