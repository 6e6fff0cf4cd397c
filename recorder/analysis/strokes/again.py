"""Strokes in a cap's hold that the valve lets out as fast as they come: someone sees whether it opens again.

Such a stroke leaves nothing, as a hit on the hose does. But it goes above all that the valve held, pulls to neither
side of where the pressure was, and has the shape of the last strokes, which the same hand made on the same valve.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.strokes.popped import LEAVES
from recorder.analysis.strokes.stroke import PAUSE_S, Stroke
from recorder.analysis.trace.filters import median, running_mean, running_median

if TYPE_CHECKING:
    from recorder.analysis.trace.signal import Prepared
    from recorder.model import FloatArray

__all__ = ["with_again"]

# where no source is named beside a number: common practice, no source
ENOUGH = 3  # strokes: one of so many last ones it has to be like
SURE = 8.0  # standard deviations of a reading: its height
SMALL = 0.1  # of a usual stroke: smaller ones are none
MEAN_S = 0.05  # over which readings are averaged where they are closer
BESIDE_S = 0.5  # before and after the peak: so long is looked at, so far away
SAME, DIPS = 0.25, 0.25  # of its height: by how much the pressure may differ after it, and go down beside it
SHAPE_S, OFF_S, STEP_S = 0.4, 0.1, 0.02  # to each side of the top; two tops may be so far off; of the comparison
UNLIKE, SIZE = 0.25, (0.3, 1.6)  # what of its square the other's shape leaves; its size against the other
CALM_S, CALM = 3.0, 0.4  # before and after them; what goes on there, of their height, is no stroke, and nor are they
SOME = 2  # more of them in one hold are something else


def with_again(x: Prepared, strokes: list[Stroke], end_s: float) -> list[Stroke]:
    """``strokes`` with those in the pauses after them, until ``end_s``, that a valve let out at once."""
    if len(strokes) < ENOUGH:
        return strokes
    out: list[Stroke] = []
    for q, until in [*((a, b.start_s) for a, b in pairwise(strokes)), (strokes[-1], end_s)]:
        out.append(q)
        if until - q.end_s > PAUSE_S and len(out) >= ENOUGH:
            more = _peaks(x, out, q.end_s + PAUSE_S / 2.0, until - PAUSE_S / 2.0)
            out += more if len(more) <= SOME and _calm_beside(x, more, until) else []
    return out


def _calm_beside(x: Prepared, some: list[Stroke], end_s: float) -> bool:
    """Whether nothing goes on before and after ``some``, as where a hose is shaken or something beats."""
    if not some:
        return True
    most = CALM * min(s.rise_kpa for s in some) + 0.5 * SURE * x.sd_kpa
    first, last = some[0].start_s - BESIDE_S, some[-1].end_s + 2.0 * BESIDE_S
    for a, b in ((first - CALM_S, first), (last, min(last + CALM_S, end_s - BESIDE_S))):
        p = x.even_p[slice(*np.searchsorted(x.even_t, [a, b]))]
        if len(p) and float(np.abs(p - median(p)).max()) > most:
            return False
    return True


def _peaks(x: Prepared, strokes: list[Stroke], start_s: float, end_s: float) -> list[Stroke]:
    """All such between two times, in order."""
    a, b = np.searchsorted(x.even_t, [start_s, end_s])
    far = max(round(BESIDE_S / x.dt_s), 2)
    if b - a < 6 * far:
        return []
    p = running_mean(x.even_p, 2 * round(0.5 * MEAN_S / x.dt_s) + 1)
    over = p[a:b] - running_median(x.even_p[a:b], 4 * far + 1, "reflect")
    usual = median([s.rise_kpa for s in strokes])
    high = over > 0.5 * max(SURE * x.sd_kpa, SMALL * usual)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], high, [False]])))
    found: list[Stroke] = []
    for first, until in zip(edges[::2], edges[1::2], strict=True):
        k = int(a + first + np.argmax(p[a + first : a + until]))
        if found and x.even_t[k] < found[-1].end_s + 2.0 * BESIDE_S:
            continue
        if (stroke := _stroke(x, p, strokes, k, far)) is not None and stroke.rise_kpa > SMALL * usual:
            found.append(stroke)
    return found


def _stroke(x: Prepared, p: FloatArray, strokes: list[Stroke], k: int, far: int) -> Stroke | None:
    """The stroke whose top is reading ``k`` of the averaged pressure ``p`` (kPa); None where it is none. far: so many
    readings before and after."""
    before, after, near = p[k - 2 * far : k - far + 1], p[k + far : k + 2 * far + 1], p[k - far : k + far + 1]
    if min(len(before), len(after)) < 3:
        return None
    was, top, last = median(before), float(p[k]), strokes[-1]
    height = top - was
    let_out = was - last.base_kpa < LEAVES * last.rise_kpa
    if not let_out or height < SURE * x.sd_kpa or top < max(s.base_kpa for s in strokes):
        return None
    if abs(median(after) - was) > SAME * height or float(near.min()) < was - DIPS * height:
        return None
    if not any(_alike(x, float(x.even_t[k]), was, s) for s in strokes[-ENOUGH:]):
        return None
    low = np.flatnonzero(near[: far + 1] < was + 0.1 * height)
    start = k - far + (int(low[-1]) if len(low) else 0)
    return Stroke(float(x.even_t[start]), float(x.even_t[k]), was, top)


def _alike(x: Prepared, top_s: float, was_kpa: float, stroke: Stroke) -> bool:
    """Whether what rises from ``was_kpa`` to a top at ``top_s`` has the shape of ``stroke``, larger or smaller."""
    t, p = x.even_t, x.even_p
    a, b = np.searchsorted(t, [stroke.start_s, stroke.end_s + OFF_S])
    grid = np.arange(-SHAPE_S, SHAPE_S + 0.5 * STEP_S, STEP_S)
    shape = np.interp(float(t[a + int(np.argmax(p[a : b + 1]))]) + grid, t, p) - stroke.base_kpa
    off = np.arange(-OFF_S, OFF_S + 0.5 * STEP_S, STEP_S)[:, None]
    seen = np.interp(top_s + off + grid, t, p) - was_kpa
    size = seen @ shape / (shape @ shape)
    left = np.sum((seen - size[:, None] * shape) ** 2, axis=1) / np.sum(seen**2, axis=1)
    best = int(np.argmin(left))
    return bool(left[best] < UNLIKE and SIZE[0] < size[best] < SIZE[1])
