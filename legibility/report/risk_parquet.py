"""Risk of confusion, every animal, as a Parquet file: columns that other programs read at once."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any, Final

import numpy as np

from legibility.errors import MissingExtraError
from legibility.misreadings import RiskColumns
from legibility.report.risk_lines import Texts
from legibility.report.writing import replacing

VERSION: Final = "1"
"""Of the fields; the file's metadata say it as ``legibility_risk``."""
FIGURES: Final = ("grade", "right", "risk", "unregistered", "unread")
ROWS_AT_A_TIME: Final = 60_000
"""Choice: rows of a group, which is compressed by itself."""


def check_parquet() -> None:
    """Find out that pyarrow is missing before a long computation.

    Raises
    ------
    MissingExtraError
        If pyarrow is not installed.
    """
    try:
        import pyarrow.parquet  # noqa: F401
    except ImportError as error:
        raise MissingExtraError(
            "--parquet needs pyarrow, which is not installed; "
            "install it with: pip install 'legibility[parquet]'"
        ) from error


def write_risk_parquet(path: Path, batches: Iterable[RiskColumns]) -> None:
    """Write the fields of ``risk_lines.risk_json``, one row an animal, its rivals as a list.

    Probabilities are not rounded.

    Raises
    ------
    MissingExtraError
        If pyarrow is not installed.
    OutputError
        If the file cannot be written.
    """
    check_parquet()
    import pyarrow as pa
    import pyarrow.parquet as pq

    rival = pa.struct(
        [
            ("animal_id", pa.string()),
            ("mark", pa.string()),
            ("probability", pa.float64()),
            ("mechanism", pa.string()),
        ]
    )
    schema = pa.schema(
        [
            ("animal_id", pa.string()),
            ("mark", pa.string()),
            *((name, pa.float64()) for name in FIGURES),
            ("rivals", pa.list_(rival)),
        ],
        metadata={"legibility_risk": VERSION},
    )
    with replacing(path) as file, pq.ParquetWriter(file, schema, compression="zstd") as writer:
        columns: _Columns | None = None
        waiting: list[Any] = []
        for batch in batches:
            columns = columns or _Columns(batch)
            waiting.append(columns.of(batch, schema))
            if sum(map(len, waiting)) >= ROWS_AT_A_TIME:
                writer.write_table(pa.Table.from_batches(waiting))
                waiting = []
        if waiting:
            writer.write_table(pa.Table.from_batches(waiting))


class _Columns:
    def __init__(self, batch: RiskColumns) -> None:
        import pyarrow as pa

        self._ids = pa.array(batch.animal_ids, pa.string())
        self._marks = pa.array(batch.marks, pa.string())
        # Phrases are ASCII; after each comes another one or nothing.
        self._phrase = Texts(
            2 * batch.n_phrases, lambda at: batch.phrase(at // 2) + ("; " if at % 2 == 0 else "")
        )

    def of(self, batch: RiskColumns, schema: Any) -> Any:
        """Record batch of some animals."""
        import pyarrow as pa

        rivals = pa.StructArray.from_arrays(
            [
                self._ids.take(pa.array(batch.rival)),
                self._marks.take(pa.array(batch.rival)),
                pa.array(batch.probability),
                self._mechanisms(batch),
            ],
            fields=list(schema.field("rivals").type.value_type),
        )
        animals = pa.array(batch.animals)
        return pa.RecordBatch.from_arrays(
            [
                self._ids.take(animals),
                self._marks.take(animals),
                *(pa.array(getattr(batch, name)) for name in FIGURES),
                pa.ListArray.from_arrays(pa.array(batch.start.astype(np.int32)), rivals),
            ],
            schema=schema,
        )

    def _mechanisms(self, batch: RiskColumns) -> Any:
        """Phrases of each rival as one text."""
        import pyarrow as pa

        last = np.zeros(len(batch.words), dtype=np.int64)
        last[batch.words_start[1:] - 1] = 1
        texts = self._phrase[2 * batch.words.astype(np.int64) + last].tolist()
        ends = np.concatenate([[0], np.cumsum(np.fromiter(map(len, texts), np.int64, len(texts)))])
        offsets = ends[batch.words_start].astype(np.int32)
        data = pa.py_buffer("".join(texts).encode("ascii"))
        return pa.StringArray.from_buffers(len(batch.rival), pa.py_buffer(offsets), data)
