"""What kind of marks a list holds: letters and figures in runs, or letters and figures mixed."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from legibility.alphabet import CHARACTERS
from legibility.marks.check_characters import DIGITS, LETTERS, SCHEMES
from legibility.marks.learned_evidence import (
    FEW,
    SLIP_SHARE,
    bits_length,
    code_length,
    in_use,
    least_marks,
)
from legibility.marks.learned_lines import Line
from legibility.marks.learned_parts import Part, set_of
from legibility.marks.learned_roles import Checked
from legibility.marks.learned_runs import Shape, run_shapes

IN_RUNS: Final = 0.9
"""Choice: marks stand in runs when so many are of a kind that is common enough for a form."""
IN_DOUBT: Final = 20.0
"""Choice: nats by which mixed marks must be shorter said; of twenty marks of the published profiles
that are mixed every set gave 30 or more, of those in runs none more than 3."""
MOST_KINDS: Final = 12
"""Choice: more kinds of runs are letters and figures mixed."""
RARE_LENGTH: Final = 0.01
"""Choice: share of mixed marks that makes a length one of theirs."""
MOST_MIXED: Final = 6
"""Choice: mixed places among which missing combinations of letters and figures are looked for."""
MISSED: Final = 0.01
"""Choice: chance that a combination in use is taken for one that is not."""


def shapes_of(group: Checked) -> list[Shape]:
    """Forms of marks that share a check scheme, or have none."""
    lines = group.lines
    kinds = Counter(line.kind for line in lines)
    least = least_marks(len(lines))
    common = [kind for kind, count in kinds.most_common() if count >= least]
    main = [line for line in lines if line.kind in common]
    if not _stands_in_runs(lines, main, len(common)):
        found = mixed_shapes(lines)
    else:
        found = [
            shape
            for kind in common
            for shape in run_shapes([line for line in main if line.kind == kind])
        ]
    if not group.check:
        return found
    scheme = SCHEMES[group.check]
    signs = Part(set_of(scheme.written), role="check")
    return [
        replace(
            shape,
            rows=(*shape.rows[:-1], (*shape.rows[-1], signs)),
            check=group.check,
            covers=group.covers,
        )
        for shape in found
    ]


def _stands_in_runs(lines: Sequence[Line], main: Sequence[Line], kinds: int) -> bool:
    """Whether runs say shorter what marks look like than letters and figures place by place."""
    if len(main) < IN_RUNS * len(lines) or not 0 < kinds <= MOST_KINDS:
        return False
    return kinds == 1 or runs_length(main) < mixed_length(main) + IN_DOUBT


def runs_length(lines: Sequence[Line]) -> float:
    """Nats to write down which characters are letters: kinds of runs, then their lengths."""
    lengths: dict[tuple[str, ...], list[Counter[int]]] = {}
    kinds = Counter[tuple[str, ...]]()
    for line in lines:
        kind = line.kind
        kinds[kind] += 1
        counters = lengths.setdefault(kind, [Counter[int]() for _ in "".join(kind)])
        for counter, run in zip(counters, line.runs, strict=True):
            counter[len(run)] += 1
    half = math.log(0.5)
    total = code_length(kinds, {kind: half * (1 + len("".join(kind))) for kind in kinds})
    one = -math.log(12)
    for counters in lengths.values():
        total += sum(code_length(c, dict.fromkeys(c, one)) for c in counters)
    return total


def mixed_length(lines: Sequence[Line]) -> float:
    """Nats to write down the same place by place: lengths, then a letter or a figure."""
    sizes = Counter(tuple(map(len, line.rows)) for line in lines)
    total = code_length(sizes, {size: -math.log(12) * len(size) for size in sizes})
    letters: dict[tuple[tuple[int, ...], int], int] = defaultdict(int)
    for line in lines:
        size = tuple(map(len, line.rows))
        for place, character in enumerate("".join(line.rows)):
            letters[size, place] += character.isalpha()
    for size, count in sizes.items():
        for place in range(sum(size)):
            ones = letters[size, place]
            total += bits_length(count - ones, ones)
    return total


def mixed_shapes(lines: Sequence[Line]) -> list[Shape]:
    """Forms of marks in which letters and figures stand anyhow, by the lengths of the rows."""
    found = []
    for rows in (1, 2):
        own = [line.rows for line in lines if len(line.rows) == rows]
        if len(own) < least_marks(len(lines)):
            continue
        columns = [[mark[r] for mark in own] for r in range(rows)]
        allowed = [_places(texts) for texts in columns]
        sizes = Counter(tuple(map(len, mark)) for mark in own)
        if rows == 1:
            low, high = _span(Counter(map(len, columns[0])))
            for row in _rows(allowed[0], low, high, columns[0]):
                found.append(Shape((row,)))
            continue
        low, high = _span(Counter(sum(size) for size in sizes.elements()))
        firsts = sorted({first for first, _ in sizes})
        seconds = sorted({second for _, second in sizes})
        for first in firsts:
            least, most = max(low - first, seconds[0]), min(high - first, seconds[-1])
            if len(firsts) <= 2:
                own_seconds = Counter({s: c for (f, s), c in sizes.items() if f == first})
                least, most = _span(own_seconds)
            for row in _rows(allowed[1], least, most, ()):
                found.append(Shape((tuple(allowed[0][:first]), row)))
    return found


def _rows(
    places: Sequence[Part], low: int, high: int, texts: Sequence[str]
) -> list[tuple[Part, ...]]:
    """Rows of so many places; of several lengths in one where the last places are alike."""
    whole = []
    for length in range(low, high + 1):
        here = [text for text in texts if len(text) == length]
        whole.append(_without_missing(places[:length], here))
    last = set(places[max(low - 1, 0) : high])
    if len(last) == 1 and low > 0 and all(len(rows) == 1 for rows in whole):
        return [(*places[: low - 1], replace(places[low - 1], low=1, high=high - low + 1))]
    return [row for rows in whole for row in rows if row]


def _span(counts: Counter[int]) -> tuple[int, int]:
    """Fewest and most characters; where lengths vary rare ones are not slips."""
    n = sum(counts.values())
    need = 1 if n < FEW else n * RARE_LENGTH
    usual = [length for length, count in counts.items() if count >= need] or [max(counts)]
    return (min(counts) if len(usual) > 1 else usual[0]), max(usual)


def _places(texts: Sequence[str]) -> list[Part]:
    """What each place of a row allows; places that hold letters and figures share their sets."""
    longest = max(map(len, texts))
    classes = []
    for place in range(longest):
        here = [text[place] for text in texts if len(text) > place]
        letters = sum(c.isalpha() for c in here)
        few = SLIP_SHARE * len(here) if len(here) >= FEW else 0
        digits = len(here) - letters
        classes.append(DIGITS if letters <= few else LETTERS if digits <= few else CHARACTERS)
    # A place that few marks have may hold what the place before it does.
    sizes = Counter(map(len, texts))
    for place in range(1, longest):
        if sum(count for size, count in sizes.items() if size > place) < FEW // 5:
            classes[place] = set_of(classes[place] + classes[place - 1])
    shared = {}
    for kind in set(classes):
        seen = Counter(
            c
            for text in texts
            for c, own in zip(text, classes, strict=False)
            if own == kind and c in kind
        )
        used = in_use(seen)
        shared[kind] = set_of(used) if used and kind != DIGITS else kind
    return [Part(shared[kind]) for kind in classes]


def _without_missing(places: Sequence[Part], texts: Sequence[str]) -> list[tuple[Part, ...]]:
    """The places as they are, or put apart so that combinations never seen are not allowed.

    A combination of letters and figures is missing when it should have been seen often enough,
    were the places independent of each other.
    """
    mixed = [
        k
        for k, part in enumerate(places)
        if set(part.allowed) & set(LETTERS) and set(part.allowed) & set(DIGITS)
    ]
    whole = [tuple(places)]
    if not 1 < len(mixed) <= MOST_MIXED or not texts:
        return whole
    n, ways = len(texts), 2 ** len(mixed)
    seen = Counter("".join("L" if text[k].isalpha() else "D" for k in mixed) for text in texts)
    share = [sum(text[k].isalpha() for text in texts) / n for k in mixed]
    kept = []
    for number in range(ways):
        way = f"{number:0{len(mixed)}b}".replace("0", "D").replace("1", "L")
        expected = n * math.prod(s if c == "L" else 1 - s for s, c in zip(share, way, strict=True))
        if seen[way] or expected < math.log(ways / MISSED):
            kept.append(way)
    if len(kept) == ways:
        return whole
    found = []
    for way in _merged(sorted(kept)):
        row = list(places)
        for k, kind in zip(mixed, way, strict=True):
            members = {"L": LETTERS, "D": DIGITS, "*": CHARACTERS}[kind]
            row[k] = Part(set_of(set(row[k].allowed) & set(members)))
        found.append(tuple(row))
    return found


def _merged(ways: Sequence[str]) -> list[str]:
    """The same combinations, fewer: ``LL`` and ``LD`` as ``L*``."""
    if not ways[0]:
        return [""]
    rest = {c: _merged([w[1:] for w in ways if w[0] == c]) for c in {w[0] for w in ways}}
    if len(rest) == 2 and rest["L"] == rest["D"]:
        return ["*" + way for way in rest["L"]]
    return [c + way for c in sorted(rest) for way in rest[c]]
