"""Which character of a reading stands for which of the mark."""

from __future__ import annotations


def align(truth: str, said: str) -> tuple[tuple[int | None, int | None], ...]:
    """Pairs of positions of an alignment of least edit distance; None where one has no partner.

    Ties go to a pair before a character left out, and to that before one too many.

    Examples
    --------
    >>> align("AB12", "A12")
    ((0, 0), (1, None), (2, 1), (3, 2))
    """
    rows, columns = len(truth), len(said)
    cost = [[max(i, j) if i == 0 or j == 0 else 0 for j in range(columns + 1)]
            for i in range(rows + 1)]  # fmt: skip
    for i in range(1, rows + 1):
        for j in range(1, columns + 1):
            step = cost[i - 1][j - 1] + (truth[i - 1] != said[j - 1])
            cost[i][j] = min(step, cost[i - 1][j] + 1, cost[i][j - 1] + 1)
    pairs: list[tuple[int | None, int | None]] = []
    i, j = rows, columns
    while i or j:
        if i and j and cost[i][j] == cost[i - 1][j - 1] + (truth[i - 1] != said[j - 1]):
            i, j = i - 1, j - 1
            pairs.append((i, j))
        elif i and cost[i][j] == cost[i - 1][j] + 1:
            i -= 1
            pairs.append((i, None))
        else:
            j -= 1
            pairs.append((None, j))
    return tuple(reversed(pairs))
