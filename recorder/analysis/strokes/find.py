"""Pump strokes: which rises of the pressure are strokes, and where each begins and ends.

A stroke is a rise of a known size that comes in a cadence and leaves air behind. Every local
maximum of the slope is a candidate. Of all chains of candidates the one with the highest log
likelihood ratio against "no stroke" is taken (dynamic programming): the height of each rise against
noise, what it leaves behind, the time since the one before against the cadence, and the pressure
gained since then. Twice: first with what the steepest rises have in common, then with what the
chain itself says of strokes.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.strokes.chain import (
    LAG_S,
    SHORTEST_S,
    USUAL_CADENCE_S,
    Rises,
    chain,
    habit_of,
)
from recorder.analysis.strokes.due import with_due
from recorder.analysis.strokes.halves import without_halves
from recorder.analysis.strokes.holes import through_holes
from recorder.analysis.strokes.kept_up import without_fall
from recorder.analysis.strokes.knocks import (
    RINGS_S,
    without_bumps,
    without_creep,
    without_gone,
    without_knocks,
    without_last_alone,
    without_last_trifles,
    without_more_alike,
    without_trifles,
    without_wavering,
)
from recorder.analysis.strokes.popped import with_peaks, with_popped, without_rebounds
from recorder.analysis.strokes.slopes import Slopes, level_noise, level_of, slopes
from recorder.analysis.strokes.stroke import Stroke
from recorder.analysis.trace.filters import median, medians, running_least, running_mean
from recorder.analysis.trace.signal import SLOPE_S, Prepared

if TYPE_CHECKING:
    from recorder.model import FloatArray, IntArray

__all__ = ["find_strokes"]

# where no source is named beside a number: common practice, no source
LONG_S = 0.6  # half of the time over which a lone stroke has to stay
CLEAR = 12.0  # standard deviations of noise: strokes so steep need no better filter
ALIKE = 0.25  # autocorrelation of the slope at the cadence, at least
SMALLEST_KPA, SMALLEST_SHARE = 1.0, 0.02  # all strokes together, and of what was there before: less is no test
MADE_UP_TIMES = 2  # a stroke more is found, and the fall is seen after that one
SLOW_S = 1.2  # from stroke to stroke: hands may as well be twice as fast
FWHM_BY_SD = 2.355  # full width at half maximum of a Gaussian, in its standard deviations: 2 sqrt(2 ln 2)
EACH = 2.0  # log likelihood ratio that each stroke more has to bring then, on the mean


def _rises(x: Prepared, s: FloatArray, start_s: float, end_s: float, floor: float) -> Rises:
    tt, p = x.even_t, x.even_p
    at = np.flatnonzero((s[1:-1] >= s[:-2]) & (s[1:-1] > s[2:]) & (s[1:-1] > floor)) + 1
    at = at[(tt[at] >= start_s - 0.5) & (tt[at] <= end_s)]
    level = level_of(x)
    long = running_mean(p, 2 * round(LONG_S / x.dt_s) + 1)
    lowest = running_least(level, 2 * round(LAG_S / x.dt_s) + 1)
    t = tt[at]
    before = np.interp(t - LAG_S, tt, level)
    return Rises(
        at,
        t,
        s[at],
        before,
        np.interp(t + LAG_S, tt, level) - before,
        np.interp(np.minimum(t + LAG_S + LONG_S, end_s - LONG_S), tt, long)
        - np.interp(t - LAG_S - LONG_S, tt, long),
        before - np.interp(t + LAG_S, tt, lowest),
    )


def _built_s(x: Prepared, start_s: float, end_s: float) -> float:
    """When most of the pressure was there."""
    until = (x.t >= start_s - 0.5) & (x.t <= end_s)
    p, t = x.smooth[until], x.t[until]
    k = int(0.98 * (len(p) - 1))
    built = t[p >= 0.93 * float(np.partition(p, k)[k])]
    return min(float(built[0]) if len(built) else end_s, end_s)


def _rhythm(x: Prepared, start_s: float, built_s: float) -> float | None:
    """The hand's cadence (s) while the pressure builds up: the shortest lag at which the slope repeats itself."""
    lo, hi = np.searchsorted(x.even_t, [start_s, built_s])
    s = x.even_slope[lo:hi]
    if len(s) * x.dt_s < 5.0 * USUAL_CADENCE_S or x.dt_s > SHORTEST_S:
        return None  # too short, or of readings too far apart to show one
    s = s - running_mean(s, max(round(3.0 * USUAL_CADENCE_S / x.dt_s), 3))
    k = int(0.9 * len(s))
    most = float(np.partition(np.abs(s), k)[k])
    s = np.clip(s, -most, most)
    n = len(s)
    size = 1 << (n + n // 2).bit_length()
    like = np.fft.irfft(np.abs(np.fft.rfft(s, size)) ** 2, size)[: n // 2] / np.arange(n, n - n // 2, -1)
    if not like[0] > 0.0:
        return None
    lag = np.arange(n // 2) * x.dt_s
    peak = np.flatnonzero((like[1:-1] >= like[:-2]) & (like[1:-1] > like[2:])) + 1
    peak = peak[(lag[peak] > SHORTEST_S) & (lag[peak] < 2.6 * USUAL_CADENCE_S)]
    if not len(peak) or float(like[peak].max()) < ALIKE * like[0]:
        return None
    return float(lag[peak[int(np.argmax(like[peak] > 0.75 * like[peak].max()))]])


def _first_look(c: Rises, start_s: float, built_s: float, sd: float, cadence_s: float | None) -> IntArray:
    """The steepest rises while the pressure builds up, one in a cadence or, where that is not known, about one a
    second."""
    early = np.flatnonzero(c.t <= built_s + 1.0)
    apart = 0.6 * cadence_s if cadence_s is not None else SHORTEST_S
    keep: list[int] = []
    for k in early[np.argsort(-c.height[early], kind="stable")]:
        if all(abs(c.t[k] - c.t[m]) > apart for m in keep):
            keep.append(int(k))
    usual = USUAL_CADENCE_S if cadence_s is None else cadence_s
    top = c.height[keep[: max(int((built_s - start_s) / usual), 2)]]
    height = median(top) if len(top) else 5.0 * sd
    strong = np.array(sorted(k for k in keep if c.height[k] > max(0.45 * height, 3.0 * sd)), np.int64)
    return strong if len(strong) else np.array([int(np.argmax(c.height))])


def _faster(c: Rises, built_s: float, sd: float, cadence_s: float) -> bool:
    """Whether strokes that are plain to see follow each other faster than ``cadence_s``: few that come unevenly can
    seem to repeat themselves at twice their time."""
    h = np.where(c.t <= built_s + 1.0, c.height, 0.0)
    plain = h > max(0.45 * float(h.max()), CLEAR * sd)
    at, stays = c.t[plain], c.stays[plain]
    if len(at) < 4 or float(stays.min()) < 0.5 * median(stays):
        return False
    steps = np.diff(at)
    return float(steps.min()) > SHORTEST_S and median(steps) < 0.7 * cadence_s


def _candidates(
    x: Prepared, slope: Slopes, start_s: float, end_s: float, built_s: float, cadence_s: float | None
) -> tuple[Rises, IntArray]:
    """All rises, and those that are surely strokes."""
    c = _rises(x, slope.even, start_s, end_s, slope.sd)
    if not len(c.t):
        return c, np.zeros(0, np.int64)
    first = _first_look(c, start_s, built_s, slope.sd, cadence_s)
    least = 0.03 * median(c.height[first])
    if least > slope.sd:
        c = _rises(x, slope.even, start_s, end_s, least)
        first = _first_look(c, start_s, built_s, slope.sd, cadence_s)
    return c, first


def _better_width(
    x: Prepared, c: Rises, sure: IntArray, slope: Slopes, cadence_s: float, *, may_open: bool
) -> float:
    """Width (s) of the Gaussian that shows strokes as long as these best: a matched filter. Strokes that a valve cuts
    short want a narrow one."""
    far = round(0.5 * cadence_s / x.dt_s)
    s = slope.even
    at = c.at[sure]
    at = at[(at >= far) & (at < len(s) - far)]
    if len(at) < 3 or far < 2:
        return slope.width_s
    usual = medians(s[at + np.arange(-far, far + 1)[:, None]])
    above = usual > 0.5 * float(usual[far])
    left, right = above[far::-1], above[far:]
    steps = [far if side.all() else int(np.argmin(side)) for side in (left, right)]
    # less what the filter itself adds
    full = (sum(steps) - 1) * x.dt_s
    own = math.sqrt(max(full**2 - (FWHM_BY_SD * slope.width_s) ** 2, 0.0)) / FWHM_BY_SD
    clear = median(c.height[sure]) > CLEAR * slope.sd
    if clear and (may_open or own < 2.0 * slope.width_s):
        return slope.width_s
    return min(own, cadence_s / 7.0)


def _best_chain(
    c: Rises, first: IntArray, slope_sd: float, level_sd: float, cadence_s: float | None, *, may_open: bool
) -> IntArray:
    """The chain, with what the first look shows of strokes, then with what the chain itself shows. At first half of a
    slow cadence is taken wherever it fits better, in the end only where each stroke more pays."""
    chosen = first
    for each in (0.0, EACH):
        habit = habit_of(c, chosen, slope_sd, level_sd, cadence_s)
        found, score = chain(c, habit, may_open=may_open)
        if habit.cadence_s > SLOW_S:  # or every second stroke was passed over
            other, better = chain(c, replace(habit, cadence_s=0.5 * habit.cadence_s), may_open=may_open)
            found = other if better - score > each * max(len(other) - len(found), 0) else found
        if np.array_equal(found, chosen):
            break
        chosen = found
        if not len(found):
            break
    return chosen


def _edges(x: Prepared, at: list[int]) -> list[Stroke]:
    """Start, end, base and top of each chosen stroke: it lasts while the slope is above a twelfth
    of its height."""
    s, p = x.even_slope, x.even_p
    half, far = max(round(0.12 / x.dt_s), 1), round(1.0 / x.dt_s)
    out = []
    for n, k in enumerate(at):
        left = max(at[n - 1] if n else 0, k - far)
        right = min(at[n + 1] if n + 1 < len(at) else len(s) - 1, k + far)
        low = np.flatnonzero(s[left : k + 1] < 0.08 * s[k])
        a = left + int(low[-1] if len(low) else np.argmin(s[left : k + 1]))
        low = np.flatnonzero(s[k : right + 1] < 0.08 * s[k])
        b = k + int(low[0] if len(low) else np.argmin(s[k : right + 1]))
        base = median(p[max(a - half, 0) : a + 1])
        if half > 2:
            near = p[max(b - half, k) : b + half // 2 + 1]
            top = float(np.sort(near)[-max(len(near) // 3, 1) :].mean())
        else:
            top = float(np.max(p[k : b + 1]))
        out.append(Stroke(float(x.even_t[a]), float(x.even_t[b]), base, top))
    return out


def _raised(x: Prepared, c: Rises, chosen: IntArray, level_sd: float) -> bool:
    """Whether the pressure ever went up beyond what noise and drift do."""
    lo, hi = np.searchsorted(x.t, [c.t[chosen[0]] - LAG_S, c.t[chosen[-1]] + LONG_S])
    before = float(c.before[chosen[0]])
    top = float(np.max(x.smooth[lo : hi + 1], initial=before))
    return top - before > max(SMALLEST_KPA, SMALLEST_SHARE * before, 6.0 * level_sd)


def _again(
    y: Prepared, c: Rises, chosen: IntArray, slope: Slopes, start_s: float, end_s: float, level_sd: float,
    cadence_s: float | None,
) -> tuple[Rises, IntArray]:
    """Rises and chain of another trace ``y`` of the same strokes, begun with the chain that was found."""
    least = max(slope.sd, 0.03 * median(c.height[chosen]))
    rises = _rises(y, slopes(y, slope.width_s, start_s).even, start_s, end_s, least)
    if not len(rises.t):
        return c, chosen
    begin = np.array(sorted(set(np.abs(rises.t[:, None] - c.t[chosen]).argmin(axis=0).tolist())))
    found = _best_chain(rises, begin, slope.sd, level_sd, cadence_s, may_open=False)
    return (rises, found) if len(found) else (c, chosen)


def _kept_up(
    x: Prepared, c: Rises, chosen: IntArray, slope: Slopes, start_s: float, end_s: float, level_sd: float,
    cadence_s: float | None,
) -> tuple[Prepared, Rises, IntArray]:
    """The trace of a system without what strokes only made up for, with the rises of that trace and its chain. A knock
    in the hold is not what the pressure was kept up to, nor its dip how fast it falls."""
    rough = _edges(x, [int(k) for k in c.at[chosen]])
    kept = without_knocks(x, rough, end_s, may_open=False)
    knocks = [s.start_s - RINGS_S for s in rough if s not in kept and s.start_s > kept[-1].end_s]
    chosen, y = chosen[[s in kept for s in rough]], x
    for _ in range(MADE_UP_TIMES):
        before = len(chosen)
        y, made_up = without_fall(x, c, chosen, min(knocks, default=end_s))
        if made_up * LAG_S < level_sd:
            break
        c, chosen = _again(y, c, chosen, slope, start_s, end_s, level_sd, cadence_s)
        if len(chosen) == before:
            break
    return y, c, chosen


def find_strokes(x: Prepared, start_s: float, end_s: float, *, may_open: bool) -> list[Stroke]:
    """The strokes between ``start_s`` (end of the vented start) and ``end_s``.

    may_open: a relief may take away what a stroke brings, so rises that gain nothing can be
    strokes.
    """
    if np.count_nonzero((x.t >= start_s - 0.5) & (x.t <= end_s)) < 4:
        return []
    slope, level_sd = slopes(x, SLOPE_S, start_s), level_noise(x, start_s)
    built_s = _built_s(x, start_s, end_s)
    cadence_s = _rhythm(x, start_s, built_s)
    c, first = _candidates(x, slope, start_s, end_s, built_s, cadence_s)
    if cadence_s is not None and len(first) and _faster(c, built_s, slope.sd, cadence_s):
        cadence_s = None
        first = _first_look(c, start_s, built_s, slope.sd, cadence_s)
    if cadence_s is not None and len(first) > 2:
        width_s = _better_width(x, c, first, slope, cadence_s, may_open=may_open)
        if width_s > 1.2 * slope.width_s:
            slope = slopes(x, width_s, start_s)
            c, first = _candidates(x, slope, start_s, end_s, built_s, cadence_s)
    if not len(first):
        return []
    chosen = _best_chain(c, first, slope.sd, level_sd, cadence_s, may_open=may_open)
    if not len(chosen) or not _raised(x, c, chosen, level_sd):
        return []
    y = x
    if not may_open:
        y, c, chosen = _kept_up(x, c, chosen, slope, start_s, end_s, level_sd, cadence_s)
    found = [s for s in _edges(x, [int(k) for k in c.at[chosen]]) if s.end_s > s.start_s]  # it raises the pressure
    if not found:
        return []
    if may_open:
        found = without_last_trifles(without_rebounds(x, found))
        found = with_popped(x, found, slope.sd, level_sd, end_s)
        found = with_due(x, with_peaks(x, found, level_sd, end_s), level_sd)
        found = without_more_alike(without_last_alone(x, found), c, end_s)
    else:
        found = without_trifles(without_bumps(x, without_creep(x, found, slope.sd)), level_sd)
    found = without_gone(x, without_knocks(x, found, end_s, may_open=may_open), may_open=may_open)
    found = without_halves(without_wavering(x, found))
    return through_holes(x, y, found, level_sd, end_s, may_open=may_open)
