"""Strokes that a valve swallowed whole: a fall that begins when a stroke was due, after the pressure had stood.

A valve does not open by itself: what has stood since a stroke was over, and then falls at once by a part, was pumped up
at that moment, if the hand pumps on afterwards: else it may as well have let the pressure down. Where the resolution or
the noise hides the rise, the cadence tells.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from recorder.analysis.strokes.popped import POPS_S
from recorder.analysis.strokes.slopes import level_of
from recorder.analysis.strokes.stroke import Stroke
from recorder.analysis.trace.filters import median
from recorder.analysis.trace.signal import Prepared

if TYPE_CHECKING:
    from recorder.model import FloatArray

__all__ = ["with_due"]

# where no source is named beside a number: common practice, no source
ENOUGH = 4  # strokes: they have a cadence
LATELY = 8  # strokes: the cadence of so many counts
MISSING = 1.55  # of the cadence: after so long a step one is missing
FROM, UNTIL = 0.65, 1.5  # of the cadence, after the last stroke began: a fall that begins so late is not its own
BEFORE = 0.5  # of the cadence: so long before the next stroke
STANDS_S = 0.25  # after the end of the last stroke: what it lets out has begun by then
WITHIN_S = 0.6  # a fall is looked at for so long
LEAST, SURE = 0.25, 8.0  # of a usual stroke, and standard deviations of the level: a fall
STOOD = 0.35  # of the fall: by so much at most the pressure had fallen since the last stroke
KEPT = 0.6  # of the pressure: what falls further is let down by hand
MOST = 3  # strokes one after the other that are not seen
NEAR, SOME = 3.0, 0.1  # standard deviations of the level, and of the fall: it has not begun yet


@dataclass(frozen=True, slots=True, eq=False)
class _Level:
    """Pressure averaged over 0.12 s (kPa) at even times (s), and its noise (kPa)."""

    t: FloatArray
    p: FloatArray
    sd: float


def with_due(x: Prepared, strokes: list[Stroke], level_sd: float) -> list[Stroke]:
    """``strokes`` with those that show only in a fall at the time at which they were due."""
    if len(strokes) < ENOUGH:
        return strokes
    level = _Level(x.even_t, level_of(x), level_sd)
    usual = median([q.rise_kpa for q in strokes])
    out: list[Stroke] = []
    for q, following in pairwise(strokes):
        out.append(q)
        if len(out) < ENOUGH:
            continue
        pace, until = median(np.diff([s.start_s for s in out[-LATELY:]])), following.start_s
        if until - q.start_s > (MOST + MISSING) * pace:
            continue  # the hand had stopped
        for _ in range(MOST):
            if until - out[-1].start_s < MISSING * pace:
                break
            hidden = _hidden(level, out[-1], pace, until, usual)
            if hidden is None:
                break
            out.append(hidden)
    return [*out, strokes[-1]]


def _hidden(level: _Level, last: Stroke, pace: float, until: float, usual: float) -> Stroke | None:
    """The stroke that was due after ``last`` where a fall begins then."""
    t, p = level.t, level.p
    lo = max(last.start_s + FROM * pace, last.end_s + STANDS_S)
    hi = min(last.start_s + UNTIL * pace, until - BEFORE * pace)
    a, b = np.searchsorted(t, [last.end_s, hi])
    far = max(round(WITHIN_S / (t[1] - t[0])), 2)
    if hi <= lo or b - a < 4 or b + far >= len(p):
        return None
    drop = p[a:b] - sliding_window_view(p[a : b + far], far + 1)[: b - a].min(axis=1)
    first = a + int(np.argmax(drop))
    after = p[first : first + far + 1]
    low = int(np.argmin(after))
    still = np.flatnonzero(after[: low + 1] > after[0] - max(NEAR * level.sd, SOME * float(drop.max())))
    begins = first + int(still[-1])
    fall = float(p[begins] - after[low])
    if not lo < t[begins] < hi or fall < max(LEAST * usual, SURE * level.sd):
        return None
    stood = float(p[a : begins + 1].max()) - float(p[begins])
    if stood > STOOD * fall or float(after[low]) < KEPT * float(p[begins]):
        return None
    start = float(t[begins]) - POPS_S
    base = float(np.interp(start, t, p))
    return Stroke(start, float(t[begins]), base, max(float(p[begins]), base))
