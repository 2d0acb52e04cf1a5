"""A recalibration in plain text: figures before and after, and reliability diagrams."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final, Protocol

from legibility.report.layout import columns, wrapped

DIAGRAM: Final = 40
"""Columns of a reliability diagram from 0 to 1."""


class _Rate(Protocol):
    @property
    def count(self) -> int: ...
    @property
    def total(self) -> int: ...
    @property
    def value(self) -> float: ...
    @property
    def low(self) -> float: ...
    @property
    def high(self) -> float: ...


class Bin(Protocol):
    """One bin of a reliability diagram."""

    @property
    def mean_probability(self) -> float: ...
    @property
    def right(self) -> _Rate: ...


class Split(Protocol):
    """Murphy's split of the Brier score."""

    @property
    def score(self) -> float: ...
    @property
    def reliability(self) -> float: ...
    @property
    def resolution(self) -> float: ...
    @property
    def uncertainty(self) -> float: ...
    @property
    def within(self) -> float: ...


class Promise(Protocol):
    """How well stated probabilities were kept."""

    @property
    def photos(self) -> int: ...
    @property
    def right(self) -> int: ...
    @property
    def mean_stated(self) -> float: ...
    @property
    def ece(self) -> float: ...
    @property
    def brier(self) -> Split: ...
    @property
    def log_score(self) -> float: ...
    @property
    def covered(self) -> int | None: ...
    @property
    def bins(self) -> Sequence[Bin]: ...


class Recalibrated(Protocol):
    """What was found by calibrating anew."""

    @property
    def before(self) -> Promise: ...
    @property
    def after(self) -> Promise: ...
    @property
    def given(self) -> int: ...
    @property
    def left_out(self) -> Mapping[str, int]: ...
    @property
    def coverage(self) -> float: ...
    @property
    def least_risk(self) -> float: ...
    @property
    def better(self) -> bool: ...


class Counted(Protocol):
    """Confusions of photos whose mark is known."""

    @property
    def photos(self) -> int: ...
    @property
    def given(self) -> int: ...
    @property
    def left_out(self) -> Mapping[str, int]: ...
    @property
    def characters(self) -> int: ...
    @property
    def right(self) -> int: ...


def kernel_data_lines(found: Counted) -> list[str]:
    """What a record has for the confusion kernel."""
    lines = wrapped(
        f"Kernel data: {found.characters} characters of {found.photos} photos, {found.right} of "
        "them read right. `legibility risk` and `legibility assign` blend them with the measured "
        "kernel: --counts HERD.db",
        indent="  ",
        first="",
    )
    for reason, count in found.left_out.items():
        lines += wrapped(f"{count} not counted: {reason}", indent="    ", first="  ")
    return lines


def calibration_lines(found: Recalibrated) -> list[str]:
    """The report for a terminal of 80 columns."""
    before, after = found.before, found.after
    lines = [f"Photos: {found.given} given, {after.photos} used"]
    for reason, count in found.left_out.items():
        lines += wrapped(f"{count} left out: {reason}", indent="    ", first="  ")
    lines += ["", *columns(_rows(before, after), limits=(34, 16, 16), right=frozenset({1, 2}))]
    for title, promise in (("before", before), ("after", after)):
        lines += ["", f"First candidate, {title}: stated (|) and right (o, interval ---)"]
        lines += [_bin_line(each) for each in promise.bins]
        lines.append(" " * 16 + "0" + "1".rjust(DIAGRAM))
    lines += ["", *wrapped(_verdict(found), indent="", first="")]
    return lines


def _rows(before: Promise, after: Promise) -> list[tuple[str, str, str]]:
    def row(name: str, form: str, *values: float) -> tuple[str, str, str]:
        return (name, format(values[0], form), format(values[1], form))

    a, b = before.brier, after.brier
    return [
        ("", "before", "after"),
        ("first candidate right", _right(before), _right(after)),
        row("mean probability stated", ".3f", before.mean_stated, after.mean_stated),
        row("expected calibration error", ".4f", before.ece, after.ece),
        row("Brier score", ".4f", a.score, b.score),
        row("= reliability (0 is best)", ".4f", a.reliability, b.reliability),
        row("- resolution (more is better)", ".4f", a.resolution, b.resolution),
        row("+ uncertainty", ".4f", a.uncertainty, b.uncertainty),
        row("+ within bins", "+.4f", a.within, b.within),
        row("mean log-probability of the truth", ".4f", before.log_score, after.log_score),
        ("candidate set holds the truth", _covered(before), _covered(after)),
    ]


def _right(promise: Promise) -> str:
    return f"{promise.right}/{promise.photos}"


def _covered(promise: Promise) -> str:
    if promise.covered is None:
        return "too few photos"
    return f"{promise.covered}/{promise.photos}"


def _bin_line(each: Bin) -> str:
    def place(share: float) -> int:
        return min(DIAGRAM - 1, int(share * DIAGRAM))

    drawn = [" "] * DIAGRAM
    for column in range(place(each.right.low), place(each.right.high) + 1):
        drawn[column] = "-"
    drawn[place(each.mean_probability)] = "|"
    drawn[place(each.right.value)] = "o"
    count = f"{each.right.count}/{each.right.total}"
    return f"  {each.mean_probability:5.3f} {count:>7} {''.join(drawn)}"


def _verdict(found: Recalibrated) -> str:
    change = (
        "On photos it was not fitted on, the new calibration gives the truth more probability "
        "than the one used so far."
        if found.better
        else "On photos it was not fitted on, the new calibration gives the truth no more "
        "probability than the one used so far: keep that one, or calibrate on more photos."
    )
    return (
        f"{change} Figures after are cross-fitted by photo. With so many photos no risk below "
        f"{100 * found.least_risk:.1f} % can be stated. Candidate sets hold the truth with "
        f"probability {found.coverage:g} or more for photos and registries like these "
        f"({found.after.photos} calibration photos)."
    )
