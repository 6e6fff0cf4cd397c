"""Ending a test by hand. In a hold whose answer still needs time, and has not told a leak, it takes a second press: a
wet glove that meets the key beside the one for findings must not cost the test. A hold of which "tight" was told asks
too, until its time is over; one that rises does not, for its end tells nothing."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TYPE_CHECKING

from recorder.report import rises

if TYPE_CHECKING:
    from recorder.model import LiveView

__all__ = ["ASKS_S", "AskTwice", "too_early_s"]

ASKS_S = 6.0  # for so long the second press counts; common practice, no source


def too_early_s(view: LiveView | None) -> float | None:
    """How much of the hold (s) is left that the answer still needs; None where ending costs nothing."""
    if view is None or view.early == "leak" or rises(view) or view.hold_left_s is None or view.hold_left_s <= 0.0:
        return None
    return view.hold_left_s


class AskTwice:
    """The presses of one key that ends a test. clock: monotonic seconds. within_s: how long a second press counts."""

    def __init__(self, clock: Callable[[], float] = time.monotonic, within_s: float = ASKS_S) -> None:
        self._clock, self.within_s = clock, within_s
        self._asked_s: float | None = None

    def press(self, view: LiveView | None) -> float | None:
        """None: the test ends. Else it goes on, and this is how much longer its hold needs (s): the next press within
        ``within_s`` ends it. view: None where nothing is lost by ending."""
        left_s, now = too_early_s(view), self._clock()
        if left_s is None or (self._asked_s is not None and now - self._asked_s < self.within_s):
            self._asked_s = None
            return None
        self._asked_s = now
        return left_s

    def forget(self) -> None:
        """Nothing is asked any more."""
        self._asked_s = None
