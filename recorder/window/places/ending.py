"""Ending a test by hand. In a hold that is not over, and in which no leak is certain, it takes a second press: a wet
glove beside the key for findings must not cost the test."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from PySide6.QtCore import QTimer

from recorder import report
from recorder.window.parts.widgets import Key

if TYPE_CHECKING:
    from recorder.model import LiveView
    from recorder.window.places.host import Host

__all__ = ["Ending"]

_ASKS_MS = 6000  # for so long the second press counts
_PLAIN, _AGAIN = "E  End test", "E  again: end"


class Ending:
    """The key, and what it asks before it ends a hold that is not over."""

    def __init__(self, testing: Host, end: Callable[[str], object]) -> None:
        self._testing, self._end = testing, end
        self.key = Key(_PLAIN, self.press, says="end the test")
        self._asking = QTimer(self.key)
        self._asking.setSingleShot(True)
        self._asking.setInterval(_ASKS_MS)
        self._asking.timeout.connect(self.forget)

    def press(self) -> None:
        """Ends the test, or asks once."""
        left_s = _too_early_s(self._testing.view) if self._testing.active and not self._testing.away else None
        if left_s is None or self._asking.isActive():
            self.forget()
            self._end("ended by hand")
            return
        self.key.setText(_AGAIN)
        self._asking.start()
        self._testing.note.emit(f"the hold is not over, {report.clock(left_s)} to go: press E again to end it here")

    def forget(self) -> None:
        """Nothing is asked any more."""
        self._asking.stop()
        if self.key.text() == _AGAIN:
            self.key.setText(_PLAIN)
            if not self._testing.away:  # else the line says that by now
                self._testing.note.emit("")


def _too_early_s(view: LiveView | None) -> float | None:
    """How much of the hold is left that the answer still needs; None where ending costs nothing."""
    if view is None or view.early == "leak" or view.hold_left_s is None or view.hold_left_s <= 0.0:
        return None
    return view.hold_left_s
