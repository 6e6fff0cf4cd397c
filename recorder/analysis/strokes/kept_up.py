"""Strokes that only keep the pressure of a system up: what falls between them is taken out of the trace."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.strokes.chain import LAG_S, USUAL_CADENCE_S, Rises
from recorder.analysis.strokes.slopes import level_of
from recorder.analysis.strokes.stroke import PAUSE_S
from recorder.analysis.trace.filters import median, running_median
from recorder.analysis.trace.signal import Prepared

if TYPE_CHECKING:
    from recorder.model import IntArray

__all__ = ["without_fall"]

# where no source is named beside a number: common practice, no source
KEPT_UP_S = 12.0  # so long a row of strokes too weak to be seen by themselves may be
ABOUT = 0.2  # of the steepest fall, less than by which another is as steep
# a dip of so many standard deviations of the readings that lasts for less than half as long: a hose was hit
HIT, HIT_S = 6.0, 0.6
FALL_S = 2.0  # after the last stroke: over so long it is seen how fast the pressure falls between strokes
TOP_SHARE = 0.9  # of the last stroke's pressure: where strokes are eased


def without_fall(x: Prepared, c: Rises, chosen: IntArray, end_s: float) -> tuple[Prepared, float]:
    """The trace of a system without what cools, stretches and leaks away between its strokes at the top, which the
    strokes there have to make up first; and how fast that is (kPa/s), as after the last of them."""
    t, p, at = x.even_t, x.even_p, c.t[chosen]
    runs = np.split(chosen, np.flatnonzero(np.diff(at) > PAUSE_S) + 1)  # a hold is no pause between two strokes
    run = max(runs, key=len)
    begin, last = float(c.t[run[0]]), float(c.t[run[-1]])
    # strokes that are not found yet keep it up: it falls from the last of them on
    n = max(round(FALL_S / x.dt_s), 4)
    lo, hi = np.searchsorted(t, [last + LAG_S, min(last + LAG_S + KEPT_UP_S, end_s)])
    if hi - lo <= n:
        return x, 0.0
    since = np.arange(n) - (n - 1) / 2.0
    # a hose that is hit dips for a moment: that is no fall
    usual = running_median(p[lo:hi], 2 * round(0.5 * HIT_S / x.dt_s) + 1, "reflect")
    calm = np.where(np.abs(p[lo:hi] - usual) > HIT * x.sd_kpa, usual, p[lo:hi])
    falls = np.convolve(calm, since[::-1] / (-since @ since * x.dt_s), "valid")
    pace = median(np.diff(c.t[run])) if len(run) > 1 else USUAL_CADENCE_S
    most = median(c.stays[run]) / pace  # faster than strokes bring, it is let go
    if (falls > most).any():
        falls = falls[: max(int(np.argmax(falls > most)) - n, 0)]
    if not len(falls):
        return x, 0.0
    steepest, u = float(falls.max()), x.sd_kpa * math.sqrt(12.0 / n) / FALL_S
    k = int(np.argmax(falls > steepest - max(ABOUT * steepest, 3.0 * u)))
    fall, until = max(float(falls[k]), 0.0), float(t[lo + k]) + FALL_S
    level = level_of(x)
    at_top = (level > TOP_SHARE * float(level[int(c.at[run[-1]])])) & (t > begin) & (t < until)
    rate = np.where(at_top, fall, 0.0)
    return replace(x, even_p=p + np.cumsum(rate) * x.dt_s, even_slope=x.even_slope + rate), fall
