"""Strokes in a cap's hold that the valve lets out as fast as they come: someone sees whether it opens again.

Such a stroke leaves nothing, as a hand on the hose does. But it goes above all that the valve held, is about as high
and as long as what the valve let out last, and falls to neither side of where the pressure was: then it is more likely
a stroke than anything else.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.strokes.popped import LEAVES, LIKE_LAST
from recorder.analysis.strokes.stroke import PAUSE_S, Stroke
from recorder.analysis.trace.filters import median, running_mean, running_median

if TYPE_CHECKING:
    from recorder.analysis.trace.signal import Prepared
    from recorder.model import FloatArray

__all__ = ["with_again"]

# where no source is named beside a number: common practice, no source
ENOUGH = 3  # strokes, or nothing tells what they are like
BESIDE_S = 0.5  # before and after the peak: so long is looked at, so far away
WIDE_S = (0.15, 1.0)  # at half its height: a knock is shorter, or rings; a hand stays longer
AT_LEAST = 2  # readings there
MEAN_S = 0.05  # over which readings are averaged where they are closer
SURE = 8.0  # standard deviations of a reading
SAME, DIPS = 0.25, 0.25  # of its height: the pressure before and after it; how far it goes below
SOME = 2  # more of them in a hold are something else
SHORT = 0.35  # of how long strokes last: the valve cuts it short, but not so soon


def with_again(x: Prepared, strokes: list[Stroke], end_s: float) -> list[Stroke]:
    """``strokes`` with those in the pauses after them, until ``end_s``, that a valve let out at once."""
    if len(strokes) < ENOUGH:
        return strokes
    p = running_mean(x.even_p, 2 * round(0.5 * MEAN_S / x.dt_s) + 1)
    out: list[Stroke] = []
    for q, until in [*((a, b.start_s) for a, b in pairwise(strokes)), (strokes[-1], end_s)]:
        out.append(q)
        if until - q.end_s > PAUSE_S and len(out) >= ENOUGH:
            more = _peaks(x, p, out, q.end_s + PAUSE_S / 2.0, until - PAUSE_S / 2.0)
            out += more if len(more) <= SOME else []
    return out


def _peaks(x: Prepared, p: FloatArray, strokes: list[Stroke], start_s: float, end_s: float) -> list[Stroke]:
    """All such between two times, in order, in the averaged pressure ``p`` (kPa) at even times."""
    a, b = np.searchsorted(x.even_t, [start_s, end_s])
    far = max(round(BESIDE_S / x.dt_s), 2)
    if b - a < 6 * far:
        return []
    over = p[a:b] - running_median(x.even_p[a:b], 4 * far + 1, "reflect")
    high = over > max(SURE * x.sd_kpa, 0.5 * LIKE_LAST[0] * strokes[-1].rise_kpa)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], high, [False]])))
    found: list[Stroke] = []
    for first, until in zip(edges[::2], edges[1::2], strict=True):
        k = int(a + first + np.argmax(p[a + first : a + until]))
        if found and x.even_t[k] < found[-1].end_s + 2.0 * BESIDE_S:
            continue
        if (stroke := _stroke(x, p, strokes, k, far)) is not None:
            found.append(stroke)
    return found


def _stroke(x: Prepared, p: FloatArray, strokes: list[Stroke], k: int, far: int) -> Stroke | None:
    """The stroke whose top is reading ``k``; None where it is none. far: so many readings before and after."""
    t, last = x.even_t, strokes[-1]
    before, after = p[k - 2 * far : k - far + 1], p[k + far : k + 2 * far + 1]
    if min(len(before), len(after)) < 3:
        return None
    was, near = median(before), p[k - far : k + far + 1]
    height, over = float(p[k]) - was, last.top_kpa - was
    let_out = was - last.base_kpa < LEAVES * last.rise_kpa
    if not (let_out and LIKE_LAST[0] * over < height < LIKE_LAST[1] * over and p[k] > max(s.base_kpa for s in strokes)):
        return None
    lowest = float(near.min()) - was
    if height < SURE * x.sd_kpa or abs(median(after) - was) > SAME * height or lowest < -DIPS * height:
        return None
    less = np.flatnonzero(near < was + 0.5 * height) - far
    left, right = max(less[less < 0], default=-far), min(less[less > 0], default=far)
    wide = int(right - left) - 1
    length = median([s.end_s - s.start_s for s in strokes])
    if wide < AT_LEAST or not max(WIDE_S[0], SHORT * length) < (wide + 1) * x.dt_s < WIDE_S[1]:
        return None
    low = np.flatnonzero(near[: far + 1] < was + 0.1 * height)
    start = k - far + (int(low[-1]) if len(low) else 0)
    return Stroke(float(t[start]), float(t[k]), was, float(p[k]))
