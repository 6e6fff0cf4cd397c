"""What to do next, kept from flipping to and fro at the edge of a level, and from contradicting the result to come.

Only the view is changed: no judgement knows of it.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

from recorder.analysis.live import GENTLY_KPA
from recorder.model import LiveView, TestKind

__all__ = ["Steady"]

# How far the pressure has to fall back before a step that it had reached is taken back: more than noise and one step
# of a coarse gauge. Common practice, no source.
BACK_KPA = 1.0
# Of the limit less is enough, for the sentence names the limit; but there it has to stay. Common practice, no source.
BACK_LIMIT_KPA, STAYS_S = 0.3, 1.0
NEARLY_KPA = 1.0  # below a target or a band is as good as in it; as the words have it

_PUMPING = ("pump", "pump-gently", "stop-pumping")
_BANDS = ("below", "in", "above")
_Band = Literal["below", "in", "above"]


class Steady:
    """Takes view after view of one test."""

    def __init__(self) -> None:
        self._given: LiveView | None = None
        self._last: LiveView | None = None
        self._lowest = {"pump-gently": float("inf"), "stop-pumping": float("inf"), "over-limit": float("inf")}
        self._below_since_s: float | None = None  # of the limit
        self._fault: str | None = None  # that came with the limit
        self._band: _Band = "below"

    def of(self, view: LiveView, test: TestKind) -> LiveView:
        """The view with a step that stands still; the same one again gives the same answer."""
        if self._last is None or self._given is not view:
            self._given, self._last = view, self._steadied(view, test)
        return self._last

    def _steadied(self, view: LiveView, test: TestKind) -> LiveView:
        band = self._band_of(view) if test == "cap" else None
        step, fault = _goes_on_pumping(view, test, band), view.fault
        if self._still_over(view, step):
            step, fault = "over-limit", fault or self._fault
        else:
            step = self._not_taken_back(view, step)
        if (step, band, fault) == (view.next_step, view.band, view.fault):
            return view
        return replace(view, next_step=step, band=band, fault=fault)

    def _still_over(self, view: LiveView, step: str) -> bool:
        """Whether the pressure is over the limit, or not yet for long enough below it again."""
        p, before = view.pressure_kpa, self._last
        if step == "over-limit":
            self._below_since_s, self._fault = None, view.fault
            if p is not None:
                self._lowest[step] = min(self._lowest[step], p)
            return True
        if before is None or before.next_step != "over-limit" or p is None:
            self._lowest["over-limit"] = float("inf")
            return False
        opened = view.opening_kpa is not None and before.opening_kpa is None  # it is the limit no more
        if opened or step in ("vent-again", "done") or p < self._lowest["over-limit"] - BACK_KPA:
            return False
        if p >= self._lowest["over-limit"] - BACK_LIMIT_KPA:
            self._below_since_s = None
            return True
        if self._below_since_s is None:
            self._below_since_s = view.time_s
        return view.time_s - self._below_since_s < STAYS_S

    def _not_taken_back(self, view: LiveView, step: str) -> str:
        """A step of pumping that was reached stays until the pressure is clearly below where it was reached; the end of
        a hold stays."""
        p, before = view.pressure_kpa, self._last.next_step if self._last is not None else ""
        if (before, step) == ("release", "hold") and view.longer_s is not None:
            return before  # whoever was told to let go is not called back
        if p is None or step not in _PUMPING:
            return step
        if step in self._lowest:
            self._lowest[step] = min(self._lowest[step], p) if before == step else p
        if before in _PUMPING and _PUMPING.index(before) > _PUMPING.index(step) and view.phase == "pump-up":
            return before if p > self._lowest[before] - BACK_KPA else step
        return step

    def _band_of(self, view: LiveView) -> _Band | None:
        """Where a cap's pressure is; it is back below an edge only when it is clearly so."""
        low, high, p = view.target_low_kpa, view.target_high_kpa, view.pressure_kpa
        if low is None or high is None or p is None:
            return None
        was = _BANDS.index(self._band)
        to_low = low - NEARLY_KPA - (BACK_KPA if was >= 1 else 0.0)
        to_high = high - (BACK_KPA if was == 2 else 0.0)
        self._band = "above" if p > to_high else "in" if p >= to_low else "below"
        return self._band


def _goes_on_pumping(view: LiveView, test: TestKind, band: _Band | None) -> str:
    """The step, but for a hold that can end in no answer: one before the target was reached, or of a cap that is still
    shut. A leak that is proven is an answer. A cap that stayed shut over the limit is pumped no more."""
    step, low, p = view.next_step, view.target_low_kpa, view.pressure_kpa
    if test == "cap" and (view.phase, step) == ("hold", "hold") and view.opening_kpa is None and _was_over(view):
        return "vent"
    if view.phase != "hold" or step not in ("hold", "release") or view.early == "leak" or low is None or p is None:
        return step
    if test == "cap":
        if view.opening_kpa is not None or band is None:
            return step
        return "pump-gently" if low - p < GENTLY_KPA[test] else "pump"
    highest = max(p, view.peak_kpa if view.peak_kpa is not None else p)
    return "pump-gently" if highest < low - NEARLY_KPA else step


def _was_over(view: LiveView) -> bool:
    limit, peak = view.limit_kpa, view.peak_kpa
    return limit is not None and peak is not None and peak > limit
