"""HTML pages: one file, offline, every word escaped, no scripts."""

from __future__ import annotations

import base64
import re
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Protocol
from urllib.parse import quote

import cv2
import numpy as np

from legibility.containers import ColorImage
from legibility.errors import OutputError
from legibility.probability import percent
from legibility.report.png_text import with_texts
from legibility.report.words import (
    CAUTION,
    advice,
    candidate_name,
    next_steps,
    sentence,
)
from legibility.report.writing import printable

if TYPE_CHECKING:
    from jinja2 import BaseLoader, Environment

PART: Final = "{% block body %}{% endblock %}"
"""What is left of the page around a template where it is part of another one."""
_LONGEST_COMMENT: Final = 65_533
"""Bytes that a JPEG comment can have."""


class Renderer(Protocol):
    """Makes a page of a template: a file by itself, or a part of a larger page."""

    def __call__(
        self,
        template: str,
        *,
        filters: Mapping[str, Callable[..., str]] | None = None,
        **values: Any,
    ) -> str: ...


def render_page(
    template: str, *, filters: Mapping[str, Callable[..., str]] | None = None, **values: Any
) -> str:
    """A page from one of this package's templates; all values are escaped.

    Parameters
    ----------
    template : str
        File name in ``report/templates``.
    filters : mapping of str to callable, optional
        More ways for the template to write a value.
    """
    return _render(_environment(filters), template, values)


def render_part(
    template: str,
    *,
    links: Mapping[str, Callable[..., str]],
    filters: Mapping[str, Callable[..., str]] | None = None,
    **values: Any,
) -> str:
    """The same without head and foot, for a page around it that brings :func:`page_style`.

    Parameters
    ----------
    links : mapping of str to callable
        Ways to write ``animal``, ``photo`` and ``behind`` that lead somewhere; on a page that
        stands alone they are plain words.
    """
    from jinja2 import DictLoader

    environment = _environment({**(filters or {}), **links}, DictLoader({"base.html": PART}))
    return _render(environment, template, values)


def page_style(template: str = "base.html") -> str:
    """The style sheet of a template's pages: its block ``style``, which uses no values."""
    environment, parts = _environment(None), []
    for name, block in (("base.html", "look"), (template, "style")):
        source, _, _ = _loader().get_source(environment, name)
        found = re.search(rf"{{% block {block} %}}(.*?){{% endblock %}}", source, re.DOTALL)
        parts.append(found[1] if found else "")
    return environment.from_string("".join(parts)).render()


def _environment(
    filters: Mapping[str, Callable[..., str]] | None, first: BaseLoader | None = None
) -> Environment:
    from jinja2 import ChoiceLoader, Environment, StrictUndefined

    environment = Environment(
        loader=_loader() if first is None else ChoiceLoader([first, _loader()]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(
        percent=percent,
        printable=printable,
        sentence=sentence,
        address=_address,
        animal=printable,
        photo=lambda name, sha256: printable(name),
        behind=lambda words, what: words,
    )
    environment.filters.update(filters or {})
    return environment


def _loader() -> BaseLoader:
    from jinja2 import PackageLoader

    return PackageLoader("legibility.report", "templates")


def _render(environment: Environment, template: str, values: Mapping[str, Any]) -> str:
    given = {"tools": "", **values}
    return environment.get_template(template).render(
        caution=CAUTION,
        advice=advice,
        candidate_name=candidate_name,
        next_steps=next_steps,
        **given,
    )


def png_bytes(pixels: ColorImage, *, texts: Mapping[str, str] | None = None) -> bytes:
    """A PNG file of an RGB or grey uint8 picture.

    Parameters
    ----------
    texts : mapping of str to str, optional
        What the file says of itself, by keyword; see :func:`legibility.report.png_text.with_texts`.

    Raises
    ------
    OutputError
        If it cannot be encoded.
    """
    ordered = pixels[:, :, ::-1] if pixels.ndim == 3 else pixels
    done, data = cv2.imencode(".png", np.ascontiguousarray(ordered))
    if not done:
        raise OutputError(f"a picture of {pixels.shape} pixels cannot be encoded as PNG")
    return with_texts(data.tobytes(), texts or {})


def jpeg_bytes(pixels: ColorImage, *, quality: int = 85, comment: str = "") -> bytes:
    """A JPEG file of an RGB uint8 picture, with a comment (ITU-T T.81, section B.2.4.5).

    Raises
    ------
    OutputError
        If it cannot be encoded.
    """
    done, data = cv2.imencode(
        ".jpg", np.ascontiguousarray(pixels[:, :, ::-1]), [cv2.IMWRITE_JPEG_QUALITY, quality]
    )
    if not done:
        raise OutputError(f"a picture of {pixels.shape} pixels cannot be encoded as JPEG")
    said = comment.encode("ascii", "backslashreplace")[:_LONGEST_COMMENT]
    marker = b"\xff\xfe" + (len(said) + 2).to_bytes(2, "big") + said if said else b""
    return data[:2].tobytes() + marker + data[2:].tobytes()


def jpeg_address(pixels: ColorImage, *, quality: int = 85, comment: str = "") -> str:
    """A picture as a ``data:`` address (RFC 2397), so that a page needs no other file.

    Raises
    ------
    OutputError
        If it cannot be encoded.
    """
    return jpeg_data_address(jpeg_bytes(pixels, quality=quality, comment=comment))


def jpeg_data_address(data: bytes) -> str:
    """The same for a JPEG file."""
    return "data:image/jpeg;base64," + base64.b64encode(data).decode("ascii")


def _address(path: Path | str) -> str:
    return quote(Path(path).as_posix())
