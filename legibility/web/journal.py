"""The server's log: one JSON object a line, without names, addresses, animals or photos."""

from __future__ import annotations

import json
import logging
import sys
from typing import Final

LOGGER: Final = logging.getLogger("legibility.web")


class JsonLines(logging.Formatter):
    """Time, level, what happened, and the fields given with it."""

    def format(self, record: logging.LogRecord) -> str:
        """One line."""
        fields = getattr(record, "fields", {})
        entry = {
            "at": self.formatTime(record, "%Y-%m-%dT%H:%M:%S"),
            "level": record.levelname.lower(),
            "what": record.getMessage(),
            **fields,
        }
        if record.exc_info and record.exc_info[0] is not None:
            # The kind of the error and where, not its text: that may name a file or an animal.
            entry["error"] = record.exc_info[0].__name__
            trace = record.exc_info[2]
            while trace is not None and trace.tb_next is not None:
                trace = trace.tb_next
            if trace is not None:
                entry["where"] = f"{trace.tb_frame.f_code.co_name}:{trace.tb_lineno}"
        return json.dumps(entry, ensure_ascii=True)


def log(what: str, *, level: int = logging.INFO, failed: bool = False, **fields: object) -> None:
    """Write one entry."""
    LOGGER.log(level, what, extra={"fields": fields}, exc_info=failed)


def start_log() -> None:
    """Send entries to the error output."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(JsonLines())
    LOGGER.handlers[:] = [handler]
    LOGGER.setLevel(logging.INFO)
    LOGGER.propagate = False
