"""Ctrl-C, SIGTERM and SIGHUP at the terminal that the window was opened from: it closes in order, and asks nothing."""

from __future__ import annotations

import signal
import sys
from types import FrameType

from PySide6.QtCore import QTimer

from recorder import report
from recorder.errors import printable
from recorder.session.hangup import by_nohup
from recorder.window.places.main import MainWindow

__all__ = ["close_on_signals"]

_EVERY_MS = 200  # Qt's loop runs no Python while nothing happens, so a signal is heard at the next turn of a timer


def close_on_signals(window: MainWindow) -> None:
    """From now on; a test that runs is sealed and judged first, and what is left on is said to the terminal."""
    heard: list[str] = []

    def hear(number: int, _frame: FrameType | None) -> None:
        heard.append("interrupted" if number == signal.SIGINT else signal.Signals(number).name)

    def look() -> None:
        if heard:
            timer.stop()
            _close(window, heard[0])

    for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK"):
        number = getattr(signal, name, None)
        if number is not None and not by_nohup(number):
            signal.signal(number, hear)
    timer = QTimer(window)
    timer.timeout.connect(look)
    timer.start(_EVERY_MS)


def _close(window: MainWindow, why: str) -> None:
    testing = window.testing
    was_running = testing.active
    testing.end(why, wait=True)
    running = testing.running
    left = running.left_on if running is not None else None
    window.close_unasked()
    if left is not None:
        _say(report.still_on(left.pressure_kpa, testing.unit, was=left.was, fault=left.fault) or "")
    if was_running and running is not None:
        recorded = f"recorded in {running.path}" if running.path is not None else "nothing was recorded"
        _say(recorded if running.stored else running.problem)


def _say(text: str) -> None:
    if text and sys.stderr is not None:
        print(printable(text), file=sys.stderr)
