"""The live view: always of the latest reading, its phases looked at anew as often as their cost allows."""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

from recorder.analysis import Analyser, Look
from recorder.errors import RecorderError
from recorder.model import LiveView
from recorder.recording.aside import Aside
from recorder.session.fall import Fall
from recorder.session.steady import Steady

_EVERY_S = 0.1  # where no face asks for one
# How long after a look at the phases the next one waits, in times of what it cost: while the pressure moves, and
# while it stands still and only the fit of the hold could get narrower. So looking costs little at any speed.
_WAITS = {"moved": 150.0, "still": 240.0}
_MOST_WAIT_S = {"moved": 1.5, "still": 4.0}  # a face trusts its phases for 5 s
_MOST_WAIT_EARLY_S = 3.5  # while the fall of a hold is no newer than the last look
_BUSY = 5.0  # where a trace is played faster than time, it waits this often its cost


class Views:
    """``clock``: monotonic seconds. ``stale`` is set by whoever fed the analyser. aside: looks are made in a thread.
    ``broke``: what a look failed of; from then on there are no more, and the views go by the last one."""

    def __init__(self, clock: Callable[[], float], *, aside: bool = False) -> None:
        self.stale = True
        self.latest: LiveView | None = None
        self.broke: Exception | None = None
        self._clock = clock
        self._taken_s = float("-inf")
        self._looked_s = float("-inf")
        self._looked_at_s = float("-inf")  # of the trace
        self._cost_s = 0.0
        self._aside: Aside[Look] | None = Aside(waited_for=True) if aside else None
        self._asked: Analyser | None = None  # whose look is being made
        self._fall = Fall()
        self._steady = Steady()

    def due(self) -> bool:
        """Whether a new one is due although no face asked."""
        return self.stale and self._clock() - self._taken_s >= _EVERY_S

    def take(self, analyser: Analyser) -> LiveView:
        """The view now. Raises what the analyser raises before there is any."""
        if self.latest is not None and not self.stale:
            return self.latest
        try:
            return self._take(analyser, self._clock())
        except RecorderError:
            raise
        except Exception as err:  # the rows go on to the disk all the same
            if self.broke is not None or self.latest is None:
                raise
            self.broke = err
            return self._take(analyser, self._clock())

    def _take(self, analyser: Analyser, now: float) -> LiveView:
        if self._aside is not None and self.broke is None:
            self._collect(analyser, self._aside, now)
        due = analyser.due() if self.broke is None else "no"
        look = due != "no" and self._may_look(due, now, analyser.latest_s)
        self._taken_s = now
        if look and self._aside is not None and self.latest is not None:
            look = False
            if not self._aside.busy:
                self._asked = analyser
                self._aside.start(analyser.look())
        view = analyser.view(look=look)
        if look:
            self._fall.looked(analyser)
        view = self._fall.of(view, analyser, moved=due == "moved" and not look)
        self.latest = self._steady.of(view, analyser.setup.test)
        self.stale = due != "no" and not look
        if look:
            self._looked_s, self._looked_at_s = self._clock(), analyser.latest_s
            self._cost_s = self._looked_s - now
        return self.latest

    def _may_look(self, due: Literal["moved", "still"], now: float, latest_s: float) -> bool:
        waited_s, played_s = now - self._looked_s, latest_s - self._looked_at_s
        most_s = _MOST_WAIT_S[due] if self._fall.goes_on else min(_MOST_WAIT_S[due], _MOST_WAIT_EARLY_S)
        enough_s = min(_WAITS[due] * self._cost_s, most_s)
        return max(waited_s, played_s) >= enough_s and waited_s >= min(_BUSY * self._cost_s, enough_s)

    def _collect(self, analyser: Analyser, aside: Aside[Look], now: float) -> None:
        """Takes the look that was made aside, if it is over and not of an analyser before this one."""
        look = aside.take()
        if look is not None:
            self._looked_s, self._looked_at_s, self._cost_s = now, analyser.latest_s, aside.cost_s
            if self._asked is analyser:
                analyser.looked(look)
                self._fall.looked(analyser)
