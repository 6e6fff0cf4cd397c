"""A hose, a gauge or a vehicle that was hit: the reading rings to and fro, ever less, about what the pressure does.

Gas in a hose cannot do that by itself: pumping raises it and a relief lets it fall, but neither swings it below where
it was and back within a few tenths of a second. Ringing is known by its shape alone (a damped oscillation: extremes
that alternate at even times, each swing smaller than the one before by about the same ratio), and what lies under it is
kept: between two extremes y1, y2 of ratio r the middle is (y2 + r y1) / (1 + r).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from recorder.analysis.trace.filters import median, running_least, running_mean

if TYPE_CHECKING:
    from recorder.model import FloatArray

__all__ = ["without_ringing"]

# where no source is named beside a number: common practice, no source
COARSEST_S = 0.055  # readings further apart do not show it
SMOOTH_S = 0.025
HALF_S = 0.25  # half a period, at most
LEAST_KPA, SURE = 0.8, 8.0  # a smaller swing is none; standard deviations of noise
MANY = 3  # swings, at least: two are a push and a release, unless they go to both sides of where it was
EVEN = 1.9  # longest over shortest half period
DIES = (0.2, 1.2)  # one swing over the one before
GONE = 0.6  # the last swing over the first, at most
HIT = 0.25  # of the first swing, by which its first extreme is off where it was: a stroke begins where the pressure is
SIDES = 0.15  # each extreme over the one before, from where it was, at least
OFTEN = 5  # more than so many are an engine or a valve that chatters
MOST = 1000  # extremes: an engine swings more often, and a knock less


class _Extreme(NamedTuple):
    k: int
    side: int


def without_ringing(t: FloatArray, p: FloatArray, dt_s: float, sd_kpa: float) -> tuple[FloatArray, int]:
    """``p`` (kPa) at even times ``t`` (s), each ringing replaced by what lies under it, and how many there were."""
    if dt_s > COARSEST_S or len(p) < 2.0 * HALF_S / dt_s:
        return p, 0
    width = 2 * round(0.5 * SMOOTH_S / dt_s) + 1
    q = running_mean(p, width)
    least = max(SURE * sd_kpa / np.sqrt(width), LEAST_KPA)
    out, found, begin = p, 0, 0
    extremes = _extremes(q, max(round(HALF_S / dt_s), 2), least)
    while begin < len(extremes):
        many = _rings(t, q, extremes[begin:])
        if not many:
            begin += 1
            continue
        out = p.copy() if out is p else out
        _put_under(t, q, out, [e.k for e in extremes[begin : begin + many]])
        found, begin = found + 1, begin + many
    return (out, found) if found <= OFTEN else (p, 0)


def _extremes(q: FloatArray, far: int, least: float) -> list[_Extreme]:
    """Alternating extremes from which ``q`` swings back by ``least`` within ``far`` steps to both sides; of several on
    one side the outermost."""
    found: list[_Extreme] = []
    for side in (-1, 1):
        y = -side * q  # its lowest places
        peak = -running_least(-y, far + 1)  # over far steps about the middle
        half = far // 2
        before = np.concatenate([np.full(half, y[0]), peak[: len(y) - half]])
        after = np.concatenate([peak[far - half :], np.full(far - half, y[-1])])
        swing = np.minimum(before, after) - y
        lowest = (swing[1:-1] > least) & (y[1:-1] <= y[:-2]) & (y[1:-1] < y[2:])
        if np.count_nonzero(lowest) > MOST:
            return []
        found += [_Extreme(int(k) + 1, side) for k in np.flatnonzero(lowest)]
    found.sort()
    out: list[_Extreme] = []
    for e in found:
        if not out or out[-1].side != e.side or e.k - out[-1].k > 2 * far:
            out.append(e)
        elif e.side * q[e.k] > e.side * q[out[-1].k]:
            out[-1] = e
    return out


def _rings(t: FloatArray, q: FloatArray, some: list[_Extreme]) -> int:
    """How many of the first of ``some`` belong to one ringing that begins there; 0 where it is none."""
    at = t[[e.k for e in some[:60]]]
    y = q[[e.k for e in some[:60]]]
    halves, swings = np.diff(at), np.abs(np.diff(y))
    many = 0
    while many < len(halves) and some[many].side != some[many + 1].side and halves[many] <= HALF_S:
        so_far = halves[: many + 1]
        if so_far.max() > EVEN * so_far.min():
            break
        if many and not DIES[0] < swings[many] / swings[many - 1] < DIES[1]:
            break
        many += 1
    if many and abs(q[some[0].k] - _before(q, some[0].k, some[1].k - some[0].k)) < HIT * swings[0]:
        return 0
    if many == MANY - 1 and _both_sides(q, [e.k for e in some[: many + 1]]):
        return many + 1
    return many + 1 if many >= MANY and swings[many - 1] <= GONE * swings[0] else 0


def _before(q: FloatArray, k: int, half: int) -> float:
    """Where ``q`` was before an extreme at ``k``, of ``half`` a period."""
    return median(q[max(k - 3 * half, 0) : max(k - half, 1)])


def _both_sides(q: FloatArray, at: list[int]) -> bool:
    """Whether the extremes ``at`` lie on both sides of where ``q`` is before and after them, ever nearer."""
    half = max(at[1] - at[0], at[2] - at[1])
    before = _before(q, at[0], half)
    after = median(q[at[-1] + 2 * half : at[-1] + 4 * half + 1]) if at[-1] + 2 * half < len(q) else before
    off = q[at] - np.interp(at, [at[0] - half, at[-1] + 2 * half], [before, after])
    size = np.abs(off)
    near = bool((size[1:] < size[:-1]).all() and (size[1:] > SIDES * size[:-1]).all())
    return near and off[0] * off[1] < 0.0 < off[0] * off[2] and abs(after - before) < size[1]


def _put_under(t: FloatArray, q: FloatArray, out: FloatArray, at: list[int]) -> None:
    """Changes ``out`` between half a period before the first and after the last of the extremes ``at``."""
    ends = np.array(at)
    half = max(round(median(np.diff(ends))), 1)
    first, last = max(ends[0] - half, 0), min(ends[-1] + half, len(q) - 1)
    y = q[ends]
    swings = np.abs(np.diff(y))
    ratio = median(swings[1:] / swings[:-1])
    middle = (y[1:] + ratio * y[:-1]) / (1.0 + ratio)
    place = np.concatenate([[t[first]], 0.5 * (t[ends[1:]] + t[ends[:-1]]), [t[last]]])
    out[first : last + 1] = np.interp(t[first : last + 1], place, np.concatenate([[q[first]], middle, [q[last]]]))
