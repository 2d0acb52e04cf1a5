"""A comparison of two claims as plain text, from its record."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

from legibility.probability import percent
from legibility.report.layout import columns, wrapped

Record = Mapping[str, Any]

LOG10: Final = "All in log10, above 0 for A; rest: way round, missed places, errors at application."
NEEDLES_SHOWN: Final = 6
"""Choice: strongest needles of a cell in the text; the page and the record have all."""
READER_NAMES: Final = {
    "pooled": "fused",
    "network": "network",
    "needles": "needle model",
    "second": "second reader",
}
BETTER: Final = 2.0
"""The lower edge of "weak support": below it some other mark is not said to be better."""
CAPPED: Final = 0.01
"""Nats; a smaller difference is the record's rounding."""
HEADINGS: Final = ("row", "place", "A", "B", "adds")


def ratio_text(ratio: float) -> str:
    """A ratio with two significant figures, the larger side first or last.

    Examples
    --------
    >>> ratio_text(1234.5), ratio_text(0.05), ratio_text(1.0), ratio_text(2.34)
    ('1,200 : 1', '1 : 20', '1 : 1', '2.3 : 1')
    """
    larger = max(ratio, 1.0 / ratio)
    rounded = float(f"{larger:.2g}")
    shown = f"{rounded:,.0f}" if rounded >= 10 else f"{rounded:g}"
    if larger >= 1e7:
        shown = f"{larger:.1e}"
    return f"{shown} : 1" if ratio >= 1 else f"1 : {shown}"


def log10_text(log_ratio: float) -> str:
    """A natural-log ratio as a signed common logarithm."""
    value = log_ratio / math.log(10.0)
    return f"{0.0 if abs(value) < 0.005 else value:+.2f}"


def reader_name(reader: str) -> str:
    """A reader as people are told of it."""
    return READER_NAMES.get(reader, reader)


def weight_sentence(record: Record) -> str:
    """The ratio as a sentence, and one more where neither claim explains the photos well."""
    return f"{_pair_sentence(record)} {neither_sentence(record)}".rstrip()


def _pair_sentence(record: Record) -> str:
    ratio, words = float(record["ratio"]), record["verbal"]
    if words["for"] == "neither":
        return (
            f"The photos are about as probable under one claim as under the other "
            f"({ratio_text(ratio)}): {words['words']}."
        )
    winner = words["for"]
    loser = "B" if winner == "A" else "A"
    shown = ratio_text(float(words["ratio"])).removesuffix(" : 1")
    most = ", the most that the validation supports" if record["capped"] else ""
    return (
        f"The photos are about {shown} times more probable if claim {winner} is true than if claim "
        f"{loser} is{most}: {words['words']} for claim {winner} (verbal scale below)."
    )


def neither_sentence(record: Record) -> str:
    """That some other mark explains the photos better than both claims do; else nothing."""
    a, b = (1.0 / float(r["ratio"]) for r in record["against_neither"])
    if min(a, b) < BETTER:
        return ""
    said = (
        "Neither claim explains the photos well: some other mark does so better, by "
        f"{ratio_text(a)} than claim A and by {ratio_text(b)} than claim B."
    )
    others = [o for o in record["alternatives"] if float(o["ratio"]) >= BETTER]
    if others:
        best = others[0]
        said += f" Of the registered ones best {best['mark']} ({', '.join(best['animal_ids'])})."
    return said


def cap_sentence(record: Record) -> str:
    """What the validation data support at most."""
    cap = record["cap"]
    said = (
        f"Ratios are kept within {ratio_text(cap['low'])} and {ratio_text(cap['high'])}: more than "
        f"that {cap['disputes']} validated disputes do not support ({cap['formula']}; "
        f"{cap['source']})."
    )
    if record["capped"]:
        said += (
            " This one was capped: the readers' own figure is "
            f"{ratio_text(math.exp(record['log_ratio_uncapped']))}."
        )
    return said


def sum_sentence(record: Record) -> str:
    """What the photos add, and why that is not the ratio where it is not."""
    parts = [float(photo["log_ratio"]) for photo in record["photos"]]
    total = float(record["log_ratio_uncapped"])
    shown = ", ".join(map(log10_text, parts))
    said = f"In log10 the photos add {shown}"
    said += f", together {log10_text(total)}" if len(parts) > 1 else ""
    if record["capped"]:
        stop = log10_text(math.log(float(record["ratio"])))
        said += f"; the ratio stops at the cap, {stop}, so its parts add up to more than it shows"
    return said + ". Every figure is rounded by itself."


def interval_text(interval: Record) -> str:
    """Both ends of an interval; one that ends at the cap says so."""
    ends = []
    for end in ("low", "high"):
        capped = abs(math.log(interval[end]) - interval[f"log_{end}_uncapped"]) > CAPPED
        ends.append(ratio_text(interval[end]) + (" (cap)" if capped else ""))
    return " to ".join(ends)


def comparison_text(record: Record) -> str:
    """Everything a person at a terminal needs, in at most 80 columns."""
    lines = ["Propositions"]
    for name, sentence in record["propositions"].items():
        label = {"A": "  A  ", "B": "  B  "}.get(name, "  neither  ")
        lines += wrapped(sentence, first=label, indent="     ")
    lines += ["", "Weight of the photos", *wrapped(weight_sentence(record))]
    lines += wrapped(sum_sentence(record))
    lines += wrapped(cap_sentence(record))
    lines += _section("Uncertainty (95 %, by resampling)", _interval_rows(record))
    lines += _section("Against neither", _neither_rows(record))
    lines += _verbal_lines(record)
    lines += _section("Under other choices", _variant_rows(record))
    lines += _prior_lines(record)
    for photo in record["photos"]:
        lines += _photo_lines(photo)
    lines += _application_lines(record)
    lines += _alternative_lines(record)
    lines += _validity_lines(record)
    for title, name in (("Note", "notes"), ("Not considered", "not_considered")):
        if record[name]:
            lines += ["", title]
            for note in record[name]:
                lines += wrapped(note, first="  - ", indent="    ")
    lines.append("")
    for caution in record["cautions"]:
        lines += wrapped(caution, indent="", first="")
    return "\n".join(lines) + "\n"


def _section(title: str, rows: Sequence[Sequence[str]]) -> list[str]:
    limits = [56] + [30] * (len(rows[0]) - 1) if rows else []
    right = frozenset(range(1, len(limits)))
    return ["", title, *("  " + line for line in columns(rows, limits=limits, right=right))]


def _interval_rows(record: Record) -> list[list[str]]:
    return [["", "ratio", "log10 before cap"]] + [
        [
            i["resampled"],
            interval_text(i),
            f"{log10_text(i['log_low_uncapped'])} to {log10_text(i['log_high_uncapped'])}",
        ]
        for i in record["intervals"]
    ]


def _neither_rows(record: Record) -> list[list[str]]:
    return [
        [f"claim {r['claim']}", ratio_text(r["ratio"]), "capped" if r["capped"] else ""]
        for r in record["against_neither"]
    ]


def _variant_rows(record: Record) -> list[list[str]]:
    rows = [["", "ratio", "log10 before cap"]]
    for variant in record["variants"]:
        raw = log10_text(variant["log_ratio_uncapped"])
        rows.append([variant["name"], ratio_text(variant["ratio"]), raw])
    return rows


def _verbal_lines(record: Record) -> list[str]:
    verbal = record["verbal"]
    lines = ["", "Verbal scale"]
    for row in verbal["table"]:
        mark = "*" if row["words"] == verbal["words"] else " "
        lines.append(f"  {mark} {row['ratio']:<22}{row['words']}")
    return [*lines, *wrapped(f"{verbal['source']}. {verbal['edges']}")]


def _prior_lines(record: Record) -> list[str]:
    rows = [["prior odds A : B", "probability of A, if one of the two is true"]]
    rows += [
        [ratio_text(p["prior_odds"]), percent(p["probability_A"])]
        for p in record["priors"]["two_claims"]
    ]
    lines = ["", "What it means with what else is known"]
    lines += ["  " + line for line in columns(rows, limits=[20, 60])]
    rows = [["prior of neither", "A", "B", "neither"]]
    rows += [
        [percent(p["prior_neither"]), *(percent(p[n]) for n in ("A", "B", "neither"))]
        for p in record["priors"]["three"]
    ]
    return lines + ["  " + line for line in columns(rows, limits=[20, 12, 12, 12])]


def _photo_lines(photo: Record) -> list[str]:
    lines = ["", *wrapped(f"{photo['photo']}", first="Photo ", indent="  ")]
    lines.append(f"  read {photo['text'] or 'nothing'}; adds {log10_text(photo['log_ratio'])}")
    lines += wrapped(LOG10)
    for note in photo["notes"]:
        lines += wrapped(note)
    if photo["readers"]:
        each = ", ".join(f"{reader_name(r)} {log10_text(v)}" for r, v in photo["readers"].items())
        lines += wrapped(f"readers as they are: {each}")
    readers = list(photo["readers"])
    rows = [[*HEADINGS, *map(reader_name, readers)]]
    for c in photo["characters"]:
        place = [str(c["row"]), str(c["place"]), c["A"] or "-", c["B"] or "-"]
        apart = [log10_text(c["readers"][r]) for r in readers]
        rows.append([*place, log10_text(c["log_ratio"]), *apart])
    if photo["characters"]:
        rows.append(["", "", "", "rest", log10_text(photo["rest"]), *[""] * len(readers)])
        right = frozenset(range(4, 5 + len(readers)))
        limits = [5, 6, 4, 4, 12] + [14] * len(readers)
        lines += ["  " + line for line in columns(rows, limits=limits, right=right)]
    for cell in photo["cells"]:
        lines += _cell_lines(cell)
    return lines


def _cell_lines(cell: Record) -> list[str]:
    only_a, only_b = cell["only_A"], cell["only_B"]
    lines = wrapped(
        f"row {cell['row']}, place {cell['place']}, {cell['A']} against {cell['B']}: needles only "
        f"{cell['A']} has, {only_a['inked']} of {only_a['needles']} inked; needles only "
        f"{cell['B']} has, {only_b['inked']} of {only_b['needles']} inked; needle model "
        f"{log10_text(cell['needle_log_ratio'])} (log10)"
    )
    alone = [needle for needle in cell["needles"] if needle["only"]]
    for needle in alone[:NEEDLES_SHOWN]:
        ink = percent(needle["inked"])
        lines.append(
            f"    {log10_text(needle['log_ratio'])}  only {cell[needle['claim']]} has it, "
            f"inked {ink}"
        )
    if len(alone) > NEEDLES_SHOWN:
        rest = sum(needle["log_ratio"] for needle in alone[NEEDLES_SHOWN:])
        lines.append(f"    {log10_text(rest)}  {len(alone) - NEEDLES_SHOWN} more of these")
    shared = sum(needle["log_ratio"] for needle in cell["needles"] if not needle["only"])
    lines.append(f"    {log10_text(shared)}  needles that have one of the other claim near them")
    lines.append(f"    {log10_text(cell['other_poses'])}  average over other poses and dies")
    return lines


def _application_lines(record: Record) -> list[str]:
    lines = ["", "If an error was made when the mark was applied"]
    for name, error in zip("AB", record["application"], strict=True):
        lines += wrapped(
            f"If claim {name} ({error['claim']}) is true, the ear carries another mark than "
            f"recorded with probability {percent(error['probability'])}, most probably "
            f"{error['mark']}.",
            first="  - ",
            indent="    ",
        )
    return lines


def _alternative_lines(record: Record) -> list[str]:
    if not record["alternatives"]:
        return []
    rows = [["mark", "animal", "against the better claim"]]
    rows += [
        [a["mark"], ", ".join(a["animal_ids"]), ratio_text(a["ratio"])]
        for a in record["alternatives"]
    ]
    table = columns(rows, limits=[18, 36, 24], right=frozenset({2}))
    return ["", "Other registered marks", *("  " + line for line in table)]


def _validity_lines(record: Record) -> list[str]:
    validity = record["validity"]
    rows = [["disputes", "n", "Cllr", "Cllr-min", "misleading"]]
    rows += [
        [
            v["name"],
            str(v["disputes"]),
            f"{v['cllr']:.2f}",
            f"{v['cllr_min']:.2f}",
            str(v["misleading"]),
        ]
        for v in validity["rows"]
    ]
    table = columns(rows, limits=[42, 6, 6, 9, 11], right=frozenset({1, 2, 3, 4}))
    lines = ["", "How good such ratios were on disputes with known truth"]
    lines += ["  " + line for line in table]
    lines += wrapped("Cllr: 0 is perfect, 1 is what saying nothing costs, in bits.")
    return [*lines, *wrapped(validity["origin"])]
