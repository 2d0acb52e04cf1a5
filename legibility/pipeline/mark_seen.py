"""Whether a photo is good enough, and whether there is a mark on it to be read."""

from __future__ import annotations

from dataclasses import replace

from legibility.containers import CaptureCheck, Flag, Photo
from legibility.identify.decision import says_no_mark
from legibility.photo.capture import check_capture
from legibility.pipeline.reading import read_without_second


def check_mark_seen(photo: Photo) -> CaptureCheck:
    """The capture check with ``Flag.NO_MARK`` where the reader sees no mark.

    The reader is asked without the second one; this takes as long as a reading.
    """
    check = check_capture(photo)
    reading = read_without_second(photo)
    if reading.hypotheses and not says_no_mark(reading):
        return check
    return replace(check, flags=check.flags | Flag.NO_MARK)
