"""Ending a server that has hardly begun."""

from __future__ import annotations

import threading
import time

import pytest

from legibility.web import serving


class SlowToStart:
    """Serves until it is told to stop, but is slow to begin; what comes before that is lost."""

    ready = False

    def serve(self) -> None:
        time.sleep(0.3)
        self.ready = True
        while self.ready:
            time.sleep(0.01)

    def stop(self) -> None:
        self.ready = False


def test_a_server_that_is_ended_at_its_start_ends(monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(seconds: float) -> None:
        if seconds == serving.LOOK_S and threading.current_thread() is threading.main_thread():
            raise KeyboardInterrupt
        pause(seconds)

    pause = time.sleep
    listening = SlowToStart()
    with monkeypatch.context() as patch:
        patch.setattr(serving.time, "sleep", interrupted)
        with pytest.raises(KeyboardInterrupt):
            serving._serve_apart(listening)
    listening.stop()
    (own,) = [thread for thread in threading.enumerate() if thread.name == "serving"] or [None]
    if own is not None:
        own.join(timeout=300)
        assert not own.is_alive()
