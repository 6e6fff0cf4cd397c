"""Ending a test by hand. In a hold that is not over, and in which no leak is certain, it takes a second press: a wet
glove beside the key for findings must not cost the test."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TYPE_CHECKING

from PySide6.QtCore import QTimer

from recorder import report
from recorder.window.parts.widgets import Key

if TYPE_CHECKING:
    from recorder.session import AskTwice
    from recorder.window.places.host import Host

__all__ = ["Ending", "Losing"]

_PLAIN, _AGAIN = "E  End test", "E  again: end"


class Ending:
    """The key, and what it asks before it ends a hold that is not over."""

    def __init__(self, testing: Host, end: Callable[[str], object]) -> None:
        self._testing, self._end = testing, end
        self._twice: AskTwice | None = None  # loaded with the first test, not with the window
        self._noted = False
        self.key = Key(_PLAIN, self.press, says="end the test")
        self._asking = QTimer(self.key)
        self._asking.setSingleShot(True)
        self._asking.timeout.connect(self.forget)

    @property
    def asked(self) -> bool:
        """Whether it waits for a second press; the page says so as large as what else is to be done."""
        return self._asking.isActive()

    def press(self) -> None:
        """Ends the test, or asks once."""
        if self._twice is None:
            from recorder.session import AskTwice

            self._twice = AskTwice()
        left_s = self._twice.press(self._testing.view if self._testing.active and not self._testing.away else None)
        if left_s is None:
            self.forget()
            self._end("ended by hand")
            return
        self.key.setText(_AGAIN)
        self._asking.start(round(self._twice.within_s * 1000))
        view = self._testing.view
        self._noted = view is not None and view.next_step == "over-limit"  # then the sentence is for that
        if self._noted:
            self._testing.note.emit(f"the hold is not over, {report.clock(left_s)} to go: press E again to end it here")

    def forget(self) -> None:
        """Nothing is asked any more."""
        if self._twice is not None:
            self._twice.forget()
        self._asking.stop()
        if self.key.text() == _AGAIN:
            self.key.setText(_PLAIN)
            if self._noted and not self._testing.away:  # else the line says that by now
                self._testing.note.emit("")
            self._noted = False


class Losing:
    """A test that is not on disk goes for the next one only when that key is pressed twice."""

    def __init__(self, say: Callable[[str], object]) -> None:
        self._say = say
        self._asked_s = float("-inf")

    def refused(self, *, stored: bool) -> bool:
        """Whether the test stays where it is, which is said then."""
        from recorder.session.ending import ASKS_S

        now = time.monotonic()
        if stored or now - self._asked_s < ASKS_S:
            self._asked_s = float("-inf")
            return False
        self._asked_s = now
        self._say(f"this test is not on disk: S stores it in another folder. Once more within {ASKS_S:.0f} s, and "
                  "it is lost")
        return True
