"""Where the words of a report lead inside the office; used by pages and by their processes."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Final
from urllib.parse import urlencode

from markupsafe import Markup

from legibility.report.page import Renderer, render_part
from legibility.report.writing import printable

PREFIX: Final = "/office"
OTHER_LISTS: Final = frozenset({"scans", "people", "confirmed"})
TOOLS: Final = "<!--tools-->"
"""Where a page's forms go in a body that was rendered before; no escaped value can hold it."""


def animal_address(animal_id: str) -> str:
    """Page of an animal. Its name is no part of the path: it may hold anything.

    Examples
    --------
    >>> animal_address("Ewe/../7")
    '/office/animal?id=Ewe%2F..%2F7'
    """
    return f"{PREFIX}/animal?{urlencode({'id': animal_id})}"


def photo_address(sha256: str) -> str:
    """Page of a photo and its readings."""
    return f"{PREFIX}/photo?{urlencode({'sha256': sha256})}"


def group_address(group: str) -> str:
    """List of the animals of a group, or another list that stands behind figures."""
    if group in OTHER_LISTS:
        return f"{PREFIX}/list/{group}"
    return f"{PREFIX}/animals?{urlencode({'group': group})}"


def animal_link(animal_id: str) -> Markup:
    """An animal's name that leads to its page."""
    return _link(animal_address(animal_id), animal_id)


def photo_link(name: str, sha256: str) -> Markup:
    """A photo's name that leads to its page."""
    return _link(photo_address(sha256), name)


def group_link(words: str, group: str) -> Markup:
    """A count or share that leads to the animals behind it."""
    return _link(group_address(group), words)


LINKS: Final[dict[str, Callable[..., str]]] = {
    "animal": animal_link,
    "photo": photo_link,
    "behind": group_link,
}
as_part: Final[Renderer] = partial(render_part, links=LINKS, tools=Markup(TOOLS))
"""Renders a report as a part of an office page."""


def _link(address: str, words: str) -> Markup:
    return Markup('<a href="{}">{}</a>').format(address, printable(words))
