"""What a user sees is what it was, to the byte; ``python -m tests.golden.make`` renews it.

A step that changes nothing for a user leaves every file below ``kept`` as it is. A change that is
wanted renews them in its own commit, where the difference is read. See DEVELOPERS.md.
"""

from __future__ import annotations

from difflib import unified_diff
from functools import cache

import pytest

from .made import CHAPTERS, Outputs
from .make import KEPT
from .readings import EVALUATED, RENDERED, SAMPLES, names

READ = (*SAMPLES, *RENDERED, *EVALUATED)
LONGEST_DIFFERENCE = 200
"""Choice: lines of a difference that are shown."""


@cache
def made(chapter: str) -> Outputs:
    """A chapter is made once a run."""
    return CHAPTERS[chapter]()


def kept(chapter: str) -> list[str]:
    return sorted(path.stem for path in (KEPT / chapter).glob("*.txt"))


def difference(before: str, now: str, where: str) -> str:
    """What differs, as a unified diff; nothing where the texts are the same to the byte."""
    if before == now:
        return ""
    old, new = before.splitlines(keepends=True), now.splitlines(keepends=True)
    found = [f"{line.rstrip()}\n" for line in unified_diff(old, new, f"{where} as kept", "now")]
    cut = len(found) - LONGEST_DIFFERENCE
    more = f"... and {cut} lines more\n" if cut > 0 else ""
    return f"{where}: {len(found)} lines of difference\n{''.join(found[:LONGEST_DIFFERENCE])}{more}"


def compare(chapter: str, name: str) -> None:
    path = KEPT / chapter / f"{name}.txt"
    where = str(path.relative_to(KEPT.parents[2]))
    found = difference(path.read_bytes().decode("utf-8"), made(chapter)[name], where)
    assert not found, found


def test_a_difference_names_the_output_and_the_lines() -> None:
    assert difference("a\r\nb\n", "a\r\nb\n", "x.txt") == ""
    found = difference("a\nb\n", "a\nc\n", "x.txt")
    assert "x.txt" in found
    assert "-b\n+c\n" in found
    assert difference("a\r\n", "a\n", "x.txt")
    assert "lines more" in difference("", "line\n" * 500, "x.txt")


@pytest.mark.parametrize(
    ("chapter", "name"),
    [(chapter, name) for chapter in CHAPTERS if chapter != "readings" for name in kept(chapter)],
)
def test_an_output_is_what_it_was(chapter: str, name: str) -> None:
    compare(chapter, name)


@pytest.mark.long
@pytest.mark.parametrize("name", names())
def test_a_photo_is_read_as_it_was(name: str) -> None:
    compare("readings", name)


@pytest.mark.parametrize("chapter", [chapter for chapter in CHAPTERS if chapter != "readings"])
def test_nothing_is_kept_that_is_no_longer_made_or_made_and_not_kept(chapter: str) -> None:
    assert sorted(made(chapter)) == kept(chapter)


def test_every_photo_has_its_kept_reading() -> None:
    assert kept("readings") == sorted(READ)


def test_every_command_is_run() -> None:
    """Every command has a help page here, and but for these an output of its own."""
    apart = {
        "legibility": "lists the others",
        "demo": "reads rendered photos for minutes; its parts are above",
        "evaluate": "measures for hours",
        "serve": "its pages are the chapter pages",
        "train": "needs torch",
    }
    groups = {"blind", "herd", "herd-correct"}
    run = set()
    for chapter in ("registry", "record", "photos"):
        for name in kept(chapter):
            first = (KEPT / chapter / f"{name}.txt").read_text("utf-8").partition("\n")[0]
            words = first.split()[2:]
            run |= {"-".join(words[:n]) for n in (1, 2, 3)}
    assert {name for name in kept("help") if name not in run} - groups == set(apart)
