"""The fall since the hold began, of a second ago: the last look's fit, and what the readings have done since."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from recorder.analysis import Analyser, HoldCurve
from recorder.model import LiveView

__all__ = ["Fall"]

_MEAN_S = 2.0  # readings that are averaged: the fall is that of a second ago
_EVERY_S = 0.5  # of the trace; a number that changes faster cannot be read
_BLOCKS = (5, 15)  # fewest and most means from which their scatter about the fit is taken


class Fall:
    """Takes the place of a new fit between two looks, at next to no cost.

    The scatter of means about the fit is taken from the trace itself, so it carries the noise that is there, its
    correlation and its steps.
    """

    def __init__(self) -> None:
        self._curve: HoldCurve | None = None
        self._usual_kpa = 0.0  # mean of the readings of a block, less the fit, at the fit's end
        self._scatter_kpa: float | None = None
        self._now: tuple[float, float, float] | None = None  # time s, fall, its standard uncertainty
        self._last: tuple[LiveView, LiveView] | None = None  # as it came, and with its fall

    def looked(self, analyser: Analyser) -> None:
        """A look was made: its fit is what the next falls go by."""
        self._curve, self._now, self._scatter_kpa = analyser.hold_curve(), None, None
        c = self._curve
        if c is None or len(c.time_s) < 2:
            return
        end = float(c.time_s[-1])
        blocks = min(int((end - float(c.time_s[0])) / _MEAN_S), _BLOCKS[1])
        if blocks < _BLOCKS[0]:
            return
        t, p = analyser.recent(end - blocks * _MEAN_S)
        inside = t <= end
        t, p = t[inside], p[inside]
        off = p - np.interp(t, c.time_s, c.pressure_kpa)
        cut = np.searchsorted(t, end - _MEAN_S * np.arange(blocks - 1, 0, -1))
        means = [float(np.mean(part)) for part in np.split(off, cut) if len(part) > 3]
        if len(means) >= _BLOCKS[0]:
            self._usual_kpa = float(np.mean(means))  # the zero, and what the fit misses
            self._scatter_kpa = float(np.std(means, ddof=1))

    @property
    def goes_on(self) -> bool:
        """Whether the fall is known at any moment; before that it is as old as the last look."""
        return self._scatter_kpa is not None

    def of(self, view: LiveView, analyser: Analyser, *, moved: bool) -> LiveView:
        """The view, with the fall of this moment where there is one. moved: the pressure has moved since the look,
        and the hold may be over."""
        if self._last is None or self._last[0] is not view:
            self._last = view, self._with_fall(view, analyser, moved)
        return self._last[1]

    def _with_fall(self, view: LiveView, analyser: Analyser, moved: bool) -> LiveView:
        c = self._curve
        if view.fall_kpa is None or c is None or view.hold_start_s is None:
            return view
        end = float(c.time_s[-1])
        if self._scatter_kpa is None or view.time_s <= end + _MEAN_S / 2:
            return replace(view, fall_at_s=end)
        if not moved and (self._now is None or view.time_s >= self._now[0] + _MEAN_S / 2 + _EVERY_S):
            t, p = analyser.recent(view.time_s - _MEAN_S)
            if not len(p):  # rows without a pressure
                return replace(view, fall_at_s=end)
            level = float(np.mean(p)) - self._usual_kpa
            start_u = 0.5 * float(c.band_kpa[0])
            # the scatter stands twice: in the mean of this moment, and in what the earlier ones were found to be
            u = float(np.hypot(max(start_u, view.fall_u_kpa or 0.0), 1.3 * self._scatter_kpa))
            self._now = float(np.mean(t)), float(c.pressure_kpa[0]) - level, u
        if self._now is None:
            return replace(view, fall_at_s=end)
        at, fall, u = self._now
        return replace(view, fall_kpa=fall, fall_u_kpa=u, fall_at_s=at)
