"""When a test is over whose hold is: after it a release is waited for."""

from __future__ import annotations

from collections.abc import Callable

from recorder.model import Judgement, LiveView

__all__ = ["AfterHold"]

# Where it falls somebody looks for the leak; where it passes nothing more comes. Common practice, no source.
_AFTER_HOLD_S, _AFTER_PASS_S = 600.0, 120.0
_LOOK_S = 20.0  # from one judgement to the next: each costs


class AfterHold:
    """Asked again and again; remembers when the hold was over."""

    def __init__(self) -> None:
        self._hold_done_s: float | None = None
        self._looked = 0

    def over(self, view: LiveView, *, silent: bool, judge: Callable[[], Judgement]) -> bool:
        """Whether the test is over. silent: nothing comes any more. judge: the judgement of what has come, asked for
        only where something hangs on it."""
        if view.finished:
            return True
        if view.phase == "pump-up":  # somebody is there, and a hold begins anew
            self._hold_done_s, self._looked = None, 0
        if view.hold_left_s is not None and view.hold_left_s <= 0:
            if self._hold_done_s is None:
                self._hold_done_s = view.time_s
            if silent:
                return judge().outcome in ("pass", "fail")
        if self._hold_done_s is None:
            return False
        waited = view.time_s - self._hold_done_s
        if _AFTER_PASS_S + self._looked * _LOOK_S < waited <= _AFTER_HOLD_S:
            self._looked += 1
            return judge().outcome == "pass"
        return waited > _AFTER_HOLD_S
