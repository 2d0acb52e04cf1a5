"""A dossier as one HTML file that opens offline and prints, from its record and pictures."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from typing import Any

from legibility.report.blind_text import kappa_text, share_text
from legibility.report.comparison_page import entropy_lines, tippett_lines
from legibility.report.comparison_text import (
    cap_sentence,
    interval_text,
    log10_text,
    ratio_text,
    reader_name,
    weight_sentence,
)
from legibility.report.page import render_page


def dossier_page(record: Mapping[str, Any], pictures: Mapping[str, bytes]) -> str:
    """The page.

    Parameters
    ----------
    record : mapping
        As ``evidence.dossier.dossier_record`` makes it.
    pictures : mapping of str to bytes
        PNG and JPEG files by the names that the record gives them.
    """
    weighed = record["figures"]["comparison"]
    first, second = (claim["name"] for claim in weighed["claims"])
    curves = weighed["validity"]
    return render_page(
        "dossier.html",
        filters={
            "ratio": ratio_text,
            "log10": log10_text,
            "reader": reader_name,
            "interval": interval_text,
            "when": time_text,
            "share": share_text,
            "kappa": kappa_text,
        },
        record=record,
        numbers={c["section"]: n for n, c in enumerate(record["contents"], start=1)},
        pictures=[
            {
                **p,
                "address": _address(p["file"], pictures[p["file"]]),
                "wide": "needles" in p["title"],
            }
            for p in record["pictures"]
        ],
        headline=f"{ratio_text(weighed['ratio'])} for A ({first}) against B ({second})",
        weight=weight_sentence(weighed),
        cap=cap_sentence(weighed),
        tippett=tippett_lines(curves["tippett"]),
        entropy=entropy_lines(curves["cross_entropy"]),
        made_with=made_with(record),
    )


def made_with(record: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Versions and digests, by name."""
    made = record["figures"]["comparison"]["provenance"]
    reading = record["figures"]["readings"][0]["record"]["provenance"]
    rows: list[tuple[str, str]] = []
    for name, value in record["versions"].items():
        if isinstance(value, Mapping):
            text = ", ".join(f"{key} {number}" for key, number in value.items())
        else:
            text = str(value)
        rows.append((name.replace("_", " "), text))
    for name, digest in (
        ("settings sha256", made["settings_sha256"]),
        ("calibration sha256", reading["calibration_sha256"]),
        ("registry extract sha256", made["registry_sha256"]),
    ):
        rows.append((name, digest or "none"))
    return rows


def time_text(stamp: str) -> str:
    """A time as people write it; what is no time stays as it is.

    Examples
    --------
    >>> time_text("2024-05-01T07:30:05+00:00"), time_text("2024-05-01"), time_text("")
    ('2024-05-01 07:30:05 UTC', '2024-05-01', '')
    """
    shown = stamp.replace("T", " ", 1)
    for ending in ("+00:00", "Z"):
        if shown.endswith(ending):
            return shown.removesuffix(ending) + " UTC"
    return shown if " " in shown else stamp


def _address(name: str, data: bytes) -> str:
    kind = "png" if name.endswith(".png") else "jpeg"
    return f"data:image/{kind};base64," + base64.b64encode(data).decode("ascii")
