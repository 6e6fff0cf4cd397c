"""The loop of a test in a terminal, with keys and a port of its own."""

from __future__ import annotations

import os
import signal
from pathlib import Path
from typing import Any

import pytest

from recorder.cli._drive import Keys, StopSignals, drive
from recorder.session import Session, SessionConfig
from tests.memory_ports import FedPort


class Pressed(Keys):
    """One key, in the first turn."""

    def __init__(self, key: str) -> None:
        super().__init__()
        self._key = key

    def take(self) -> str:
        key, self._key = self._key, ""
        return key


class Said:
    """What stays on the screen."""

    def __init__(self) -> None:
        self.lines: list[str] = []

    def say(self, text: str, *, loud: bool = False) -> None:
        self.lines.append(text)

    def show(self, *_: object) -> None:
        """The live line."""

    def clear(self) -> None:
        """The live line goes."""


def test_a_mark_that_was_not_made_is_not_said_to_be(tmp_path: Path) -> None:
    said: Any = Said()
    turns = iter([False, False, True])
    session = Session(SessionConfig("cap", full_scale_kpa=207.0), port=FedPort(), folder=tmp_path)
    done, error = drive(session, said, StopSignals(), keys=Pressed("m"), over=lambda: next(turns), pause_s=0.0)
    assert error is None and done.marks == () and done.path is None
    assert said.lines == ["nothing has been recorded yet to mark"]


@pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="signals of POSIX")
def test_what_nohup_ignores_stays_ignored() -> None:
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with StopSignals() as stop:
            os.kill(os.getpid(), signal.SIGHUP)
            os.kill(os.getpid(), signal.SIGTERM)
        assert stop.why == "SIGTERM" and signal.getsignal(signal.SIGHUP) == signal.SIG_IGN
    finally:
        signal.signal(signal.SIGHUP, before)
