"""The retention report: what a veterinarian takes to an authority or a breed association."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from markupsafe import Markup

from legibility.report.curve_plot import Band, Bar, Line, share_plot
from legibility.report.layout import columns, wrapped
from legibility.report.page import Renderer, render_page
from legibility.report.words import CAUTION
from legibility.report.writing import write_text

CURVE_YEARS: Final = (1, 2, 3, 4, 5, 6, 8, 10)
"""Choice: ages of the table."""
STATED_OF: Final = "photos taken with a transponder that one animal has"
ASSUMED: Final = "ASSUMPTION, no measurement"


def retention_text(found: Mapping[str, Any]) -> str:
    """The record of the report as tables of at most 100 columns."""
    lines = [
        *_section("Marks"),
        *_wide(
            f"{found['animals']:,} animals. Judged at least once: {share(found['judged'])}. Usable "
            f"at the last judgement: {share(found['usable'])}. Product, a usable mark seen: "
            f"{_percent(found['usable_of_all'])}."
        ),
        *_section("Usable by age", "marks at their last judgement in each year of their age"),
    ]
    rows: list[tuple[str, ...]] = [("Age", "Usable", "95 % interval (exact)")]
    rows += [
        (f"{age} to {age + 1} years", f"{s['count']} of {s['total']}", _interval(s))
        for age, s in found["usable_by_age"]
    ]
    lines += columns(rows, limits=(20, 20, 40), right=frozenset({1}))
    if len(rows) == 1:
        lines.append("Nothing was judged at a known age.")
    title = f"Curve of loss ({ASSUMED})" if found["is_assumption"] else "Curve of loss"
    lines += [*_section(title), *_wide(found["curve_words"])]
    if found["shape"] is not None:
        lines.append(f"Weibull shape {found['shape']:.3f}, scale {found['scale_years']:.3f} years.")
    rows = [("Years", "Usable", "95 % interval", "Non-parametric", "95 % interval")]
    rows += [_curve_row(p) for p in found["curve"] if p["years"] in CURVE_YEARS]
    lines += ["", *columns(rows, limits=(8, 14, 18, 18, 18), right=frozenset({0, 1, 2, 3, 4}))]
    if any(point["extrapolated"] for point in found["curve"]) and not found["is_assumption"]:
        lines.append("* beyond the longest follow-up: an extrapolation")
    if found["effects"]:
        lines += _section("Properties", "marks of a class last so many times as long as the herd's")
        rows = [("Property", "Class", "Factor", "95 % interval", "Marks")]
        rows += [
            (e["name"], e["value"], f"{e['factor']:.2f}", factor_limits(e), str(e["marks"]))
            for e in found["effects"]
        ]
        lines += columns(rows, limits=(20, 30, 8, 14, 8), right=frozenset({2, 3, 4}))
    lines += [*_section("Transponders"), *_wide(_transponders(found))]
    for title, sentences in (
        ("Method against method: same animals, same days", _pairs(found)),
        ("Reader against reader", _readers(found)),
        (f"Stated probability against transponders: {STATED_OF}", _reliability(found)),
        ("Time per successful identification", _times(found)),
    ):
        lines += [*_section(title), *(line for text in sentences for line in _wide(text))]
    return "\n".join([*lines[1:], "", *_wide(CAUTION)]) + "\n"


def retention_page(
    found: Mapping[str, Any], *, render: Renderer = render_page, **values: Any
) -> str:
    """The report as a page that opens offline, with the curve drawn."""
    return render(
        "herd_retention.html",
        filters={
            "share": share,
            "share_percent": _percent,
            "interval": _interval,
            "limits": factor_limits,
        },
        found=found,
        assumed=ASSUMED,
        plot=Markup(curve_svg(found)),
        apart=[apart_words(p) for p in found["pairs"]],
        curve=[_curve_row(p) for p in found["curve"] if p["years"] in CURVE_YEARS],
        transponders=_transponders(found),
        readers=_readers(found),
        reliability=_reliability(found),
        reliability_plot=Markup(reliability_svg(found)) if found["reliability"] else "",
        times=_times(found),
        **values,
    )


def write_retention_page(path: Path, found: Mapping[str, Any]) -> None:
    """Write :func:`retention_page`.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    write_text(path, retention_page(found))


def curve_svg(found: Mapping[str, Any]) -> str:
    """Both curves with their bands, and the shares by age with exact intervals."""
    curve = found["curve"]

    def line(name: str, *, beyond: bool | None = None) -> list[tuple[float, float]]:
        return [
            (p["years"], _or_nan(p[name]))
            for p in curve
            if beyond is None or p["extrapolated"] is beyond
        ]

    known = [p for p in curve if not p["extrapolated"]]
    beyond = line("usable", beyond=True)
    if known and beyond:
        beyond.insert(0, (known[-1]["years"], known[-1]["usable"]))
    assumed = found["is_assumption"]
    fitted = line("usable") if assumed else line("usable", beyond=False)
    lines = [Line(fitted, ASSUMED if assumed else "fitted", "dashed" if assumed else "solid")]
    if not assumed:
        lines.append(Line(beyond, "extrapolated", "dashed"))
        lines.append(Line(line("turnbull_high"), "non-parametric", "step"))
    bars = [
        Bar(age + 0.5, s["count"] / s["total"], s["low"], s["high"], f"{age} years: {share(s)}")
        for age, s in found["usable_by_age"]
    ]
    return share_plot(
        lines=lines,
        bands=[] if assumed else [Band(line("low"), line("high"), "95 % interval")],
        bars=bars,
        x_most=max(curve[-1]["years"], max((bar.x for bar in bars), default=0.0)),
        x_words="years since application",
        y_words="marks still usable",
        label="Share of marks still usable by age; the table below says the same",
    )


def reliability_svg(found: Mapping[str, Any]) -> str:
    """Share right against stated probability, with exact intervals; the line is a kept promise."""
    bars = [
        Bar(
            b["stated"],
            b["right"]["count"] / b["right"]["total"],
            b["right"]["low"],
            b["right"]["high"],
            f"stated {_percent(b['stated'])}: {share(b['right'])}",
        )
        for b in found["reliability"]
    ]
    return share_plot(
        lines=[Line([(0.0, 0.0), (1.0, 1.0)], "stated as it is", "dashed")],
        bars=bars,
        x_most=1.0,
        x_words="stated probability of the first candidate",
        y_words="right",
        label="Share right by stated probability; the lines below say the same",
    )


def _reliability(found: Mapping[str, Any]) -> list[str]:
    return [
        f"Stated {_percent(b['stated'])} on average: right {share(b['right'])}."
        for b in found["reliability"]
    ] or ["No photo that was read was taken with such a transponder."]


def factor_limits(effect: Mapping[str, Any]) -> str:
    """Interval of the factor of a class."""
    if effect["low"] is None:
        return "-"
    return f"{effect['low']:.2f} to {effect['high']:.2f}"


def share(found: Mapping[str, Any]) -> str:
    """Count, share and interval, never a share alone.

    Examples
    --------
    >>> share({"count": 15, "total": 148, "low": 0.0578, "high": 0.1617})
    '15 of 148 (10.1 %, 95 % interval 5.8 to 16.2 %)'
    """
    if not found["total"]:
        return "none recorded"
    value = found["count"] / found["total"]
    return (
        f"{found['count']:,} of {found['total']:,} ({_percent(value)}, 95 % interval "
        f"{_interval(found)})"
    )


def _percent(value: float | None) -> str:
    """A measured share; small ones keep two figures, so that 391 of 4,000,000 is 0.0098 %."""
    if value is None or math.isnan(value):
        return "-"
    shown = 100 * value
    return f"{shown:.2g} %" if 0 < shown < 1 else f"{shown:.1f} %"


def _interval(found: Mapping[str, Any]) -> str:
    low, high = _percent(found["low"]).removesuffix(" %"), _percent(found["high"])
    return f"{low} to {high}"


def _curve_row(point: Mapping[str, Any]) -> tuple[str, ...]:
    usable = _percent(point["usable"]) + (" *" if point["extrapolated"] else "  ")
    return (
        f"{point['years']:g}",
        usable,
        _limits(point["low"], point["high"]),
        _limits(point["turnbull_low"], point["turnbull_high"]),
        _limits(point["band_low"], point["band_high"]),
    )


def _limits(low: float | None, high: float | None) -> str:
    if low is None or high is None:
        return "-"
    if abs(high - low) < 5e-4:
        return _percent(low)
    return f"{100 * low:.1f} to {100 * high:.1f} %"


def _or_nan(value: float | None) -> float:
    return math.nan if value is None else value


def _transponders(found: Mapping[str, Any]) -> str:
    parts = [
        "Animals whose transponder answered on the last day that it was tried: "
        f"{share(found['transponders'])}.",
        f"Tries that were answered: {share(found['transponder_tries'])}.",
    ]
    if found["transponders_zero"]:
        parts.append(str(found["transponders_zero"]))
    if found["transponder_lines"]:
        parts.append(
            f"Left out are {found['transponder_lines']:,} answers in logs that name no animal: "
            "such a log holds no failures (give animal_id, and a line without a number where "
            "nothing answered)."
        )
    return " ".join(parts)


def _pairs(found: Mapping[str, Any]) -> list[str]:
    return [pair_words(p) for p in found["pairs"]] or [
        "No animal was tried with two methods on one day."
    ]


def pair_words(p: Mapping[str, Any]) -> str:
    """Two methods in a sentence."""
    return (
        f"{p['first']} and {p['second']}, n = {p['n']} (an animal on a day): both {p['both']}, "
        f"only {p['first']} {p['only_first']}, only {p['second']} {p['only_second']}, neither "
        f"{p['neither']}; difference {100 * p['difference']:+.1f} points. {apart_words(p)} Exact "
        f"McNemar p = {p['p_value']:.3g}: {p['verdict']}."
    )


def apart_words(p: Mapping[str, Any]) -> str:
    """Whom the pairs favour in which only one of two methods worked."""
    apart = p["only_first"] + p["only_second"]
    if not apart:
        return "They never differed."
    return (
        f"Where they differed it was {p['first']} in "
        f"{share({'count': p['only_first'], 'total': apart, 'low': p['low'], 'high': p['high']})}."
    )


def _readers(found: Mapping[str, Any]) -> list[str]:
    readers = found["readers"]
    if not readers["pairs"]:
        return ["Nothing was read by two people."]
    lines = []
    for p in readers["pairs"]:
        text = f"{p['first']} and {p['second']}: same text {share(p['same'])}"
        if p["grades"] is not None and p["grades"]["value"] is not None:
            k = p["grades"]
            text += (
                f"; weighted kappa of the grades {k['value']:.2f} (95 % interval {k['low']:.2f} to "
                f"{k['high']:.2f}, n = {k['n']})"
            )
        lines.append(text + ".")
    alphas = [
        f"{name} {readers[key]:.2f}{_alpha_limits(readers[key + '_limits'])}"
        for name, key in (("of the text", "alpha_text"), ("of the grade", "alpha_grade"))
        if readers[key] is not None
    ]
    if alphas:
        lines.append(
            f"Krippendorff's alpha {', '.join(alphas)}, over {readers['units']} photos or ears "
            "read by two or more."
        )
    return [*lines, f"{readers['blind']} of {readers['readings']} readings were made blind."]


def _alpha_limits(limits: Sequence[float | None]) -> str:
    if limits[0] is None:
        return ""
    return f" (95 % interval {limits[0]:.2f} to {limits[1]:.2f})"


def _times(found: Mapping[str, Any]) -> list[str]:
    lines = []
    for name, t in found["times"]:
        if t["seconds"] is None:
            lines.append(f"{_sentence(name)}: no success in {t['tries']} timed tries.")
            continue
        lines.append(
            f"{_sentence(name)}: {t['seconds']:.0f} s{_time_limits(t)}, failed tries included; "
            f"{t['successes']} successes in {t['tries']} timed tries."
        )
    lines += [
        f"{_sentence(kind)}: {t['seconds']:.0f} s{_time_limits(t)} on average of {t['tries']} "
        "timed."
        for kind, t in found["event_times"]
    ]
    return lines or ["No times were recorded (herd look --seconds, column seconds of scans)."]


def _time_limits(t: Mapping[str, Any]) -> str:
    if t["low"] is None or t["high"] is None:
        return ""
    return f" (95 % interval {t['low']:.0f} to {t['high']:.0f} s)"


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def _section(title: str, note: str = "") -> list[str]:
    return ["", title + (f": {note}" if note else ""), ""]


def _wide(text: str) -> list[str]:
    return wrapped(text, indent="", first="")
