"""Pressure that a hand lets down in a quiet stretch: a bite of the release, over the limit down to the target, or all
of it before the next attempt.

A leak and what settles fall from the first moment on, ever more slowly. A valve that is opened and shut draws corners:
a fall far steeper than the one before, and one that stops.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.trace.filters import median, normal_sd
from recorder.analysis.trace.signal import Prepared

if TYPE_CHECKING:
    from recorder.model import FloatArray

__all__ = ["GONE", "let_downs"]

# All of these: common practice, no source.
BLOCK_S, STEADY_S = 0.5, 5.0
# a fall of such a share of the pressure a second, so many times as steep as the one before and the one after
SHARE, TIMES = 0.004, 6.0
LEAST_SHARE, LEAST_KPA, CLEAR = 0.015, 1.5, 10.0  # how far: of the pressure; kPa; standard deviations of a block
SETTLED_S = 1.0  # a stroke's own fall is seen for so long before another can be told from it
PUFFS_S = 4.0  # one let-down: the valve is opened and shut again and again; as long as a quiet stretch has to be
SEEN_S = 1.0  # so much has to be seen of what comes after
STEPS = 2.0  # of the resolution: so far the fall would have gone on meanwhile
STAYS = 0.65  # of the fall: air that was let out of is cold, and gives back 0.29 of it when it warms up
GONE = 0.1  # of what was held
AT_END, AT_END_SHARE = 0.05, 0.03  # a fall that the trace ends in: of what was held; a second
LINE_S, LINE_KPA, STRAIGHT = 1.5, 0.6, 2.0  # a straight fall that stops: two such stretches, nearly as steep
# a fall that began with the stretch: of what was held, at least; when it stops (any), or half is gone, at the latest
AT_ONCE, STOPS_S, HALF_S = 0.15, 20.0, 10.0
# one that dies away: more than hoses and heat take; so much of it is left to come within so long
DIES_AWAY, TO_COME, COMES_S = 0.25, 0.05, 10.0


def let_downs(
    x: Prepared, start_s: float, end_s: float, *, hold_s: float, may_close: bool, at_once: bool = False
) -> list[tuple[float, float]]:
    """From when to when (s) the pressure was let down in the quiet stretch between two times (s), in order. hold_s: for
    how long a test is held: a fall that goes on is a leak that began before that is over, and somebody's hand later.
    may_close: a cap may shut in the stretch, which stops a fall as well. at_once: the stretch may begin with it."""
    first, last = np.searchsorted(x.even_t, [start_s, end_s])
    n = max(round(BLOCK_S / x.dt_s), 1)
    many = int(last - first) // n
    block_s = n * x.dt_s
    settled = max(round(SETTLED_S / block_s), 1)
    if many < settled + 4 or block_s > SETTLED_S:
        return []  # too few readings, or too far apart to show a corner
    first = last - many * n
    level = x.even_p[first:last].reshape(many, n).mean(axis=1)
    at = x.even_t[first:last].reshape(many, n).mean(axis=1)
    seen = normal_sd(level[2:] - 2.0 * level[1:-1] + level[:-2]) / math.sqrt(6.0)
    sd = max(x.sd_kpa / math.sqrt(n), seen)
    out: list[tuple[float, float]] = []
    soon = _at_once(level, block_s, sd) if at_once else None
    if soon is not None:
        out.append((float(at[0]), float(at[soon])))
        level[:soon] = level[soon]  # what follows is looked at for itself
    for a, b in _steep_runs(level, block_s, settled, sd):
        held = float(level[max(a - 2, 0) : a + 1].min())  # a hose that is hit swings up as well
        least = max(LEAST_SHARE * held, LEAST_KPA, CLEAR * sd)
        if held - float(level[b]) > least and _is_over(level, a, b, held, block_s, hold_s, x.step_kpa):
            out.append((float(at[a]), float(at[b])))
    if not may_close:
        k = _line_stops(level, block_s, sd)
        if k is not None and all(abs(b - float(at[k])) > PUFFS_S for _, b in out):
            out = sorted([*out, (float(at[k]), float(at[k]))])
    return out


def _at_once(level: FloatArray, block_s: float, sd: float) -> int | None:
    """The block at which a fall is over that the stretch begins with: one that stops at once, where at last 3 % of the
    pressure went a second; that takes a quarter of it within seconds and dies away; or half within seconds and all of
    it in the end. No leak that a pump could keep up with does any of it. None where it does not begin so."""
    held = float(level[0])
    fall = level[:-1] - level[1:]
    n = max(round(SEEN_S / block_s), 2)
    last = min(len(fall) - n, round(STOPS_S / block_s))
    for k in range(1, last):
        after = max(float(level[k] - level[k + n]) / n, 0.0)
        stops = fall[k - 1] > max(AT_END_SHARE * block_s * float(level[k - 1]), TIMES * after, 4.0 * sd)
        fell = held - float(level[k])
        if stops and fell > max(AT_ONCE * held, LEAST_KPA, CLEAR * sd):
            return k
        then = k + round(COMES_S / block_s)
        if then < len(level) and fell > DIES_AWAY * held and float(level[k] - level[then]) < TO_COME * fell:
            return k
    half, gone = np.flatnonzero(level < 0.5 * held), np.flatnonzero(level < GONE * held)
    return int(gone[0]) if len(gone) and half[0] * block_s <= HALF_S else None


def _steep_runs(level: FloatArray, block_s: float, settled: int, sd: float) -> list[tuple[int, int]]:
    """The blocks that falls begin and end with which are far steeper than what came before each."""
    before = max(round(STEADY_S / block_s), 2)
    runs: list[tuple[int, int]] = []
    fall = level[:-1] - level[1:]
    usual = 0.0
    for i in range(settled + 1, len(fall)):
        apart = not runs or (i - runs[-1][1]) * block_s > PUFFS_S
        if apart:
            since = max(i - before, runs[-1][1] + 1 if runs else settled - 1)
            usual = max(float(level[since] - level[i]) / (i - since), 0.0)
        if fall[i] > max(SHARE * float(level[i]) * block_s, TIMES * usual, 4.0 * sd):
            runs = [*runs, (i, i + 1)] if apart else [*runs[:-1], (runs[-1][0], i + 1)]
    return runs


def _is_over(
    level: FloatArray, a: int, b: int, held: float, block_s: float, hold_s: float, step_kpa: float
) -> bool:
    """Whether the fall from block ``a`` to ``b`` is over then, all of the ``held`` pressure is gone, or it goes on to
    the stretch's end as a hand makes it. step_kpa: the resolution, within which any fall seems to stand still. One that
    stops after longer than a hand takes is a leak's that shuts, whose start cold air hid that warmed up."""
    drop = held - float(level[b])
    if float(level[b : b + 3].min()) < GONE * held:
        return True
    if a * block_s > hold_s - 1.0 and drop > AT_END * held and float(level[-1]) < held - STAYS * drop:
        return True
    seen = max(round(SEEN_S / block_s), 2)
    after = level[b + 1 : b + 1 + 3 * seen]
    each = drop / (b - a)
    if len(after) < seen:
        return drop > AT_END * held and each > AT_END_SHARE * block_s * held
    if (b - a) * block_s > STOPS_S or len(after) * each < STEPS * step_kpa:
        return False
    slope = float(after[0] - after[-1]) / max(len(after) - 1, 1)
    return slope < each / TIMES and held - median(after) > STAYS * drop


def _line_stops(level: FloatArray, block_s: float, sd: float) -> int | None:
    """The block at which a straight fall stops at once, from the stretch's beginning on or not: nothing that settles
    does; a leak that is tightened does. The last one, None where there is none."""
    n = max(round(LINE_S / block_s), 2)
    k = np.arange(2 * n, len(level) - 2 * n - 1)
    if not len(k):
        return None
    early, late = level[k - 2 * n] - level[k - n], level[k - n] - level[k]
    after, long_after = level[k + 1] - level[k + 1 + n], level[k + 1] - level[k + 1 + 2 * n]
    clear = late > max(LINE_KPA, CLEAR * sd)
    straight = (early < STRAIGHT * late) & (late < STRAIGHT * early)
    stops = (after < late / TIMES) & (long_after < 2.0 * late / TIMES)
    each = np.array([float((level[i - 2 * n : i] - level[i - 2 * n + 1 : i + 1]).min()) for i in k])
    throughout = each > 0.0  # a hose that is hit swings up as well
    found = np.flatnonzero(clear & straight & stops & throughout)
    return int(k[found[-1]]) if len(found) else None
