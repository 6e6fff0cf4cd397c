"""Strokes after the last one that is found: each below noise, but together they kept the pressure of a system up.

Nothing but strokes does that: left alone the pressure falls, first fast and then slowly. Where it stays or rises
instead and begins to fall later, strokes went on until then; how many is told by steps in the cadence of those before.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.strokes.slopes import level_width
from recorder.analysis.strokes.stroke import PAUSE_S, Stroke
from recorder.analysis.trace.filters import median
from recorder.analysis.trace.signal import Prepared

if TYPE_CHECKING:
    from recorder.model import FloatArray

__all__ = ["fit_falls", "with_eased"]

# where no source is named beside a number: common practice, no source
WINDOWS = (6.0, 12.0, 24.0, 48.0, 96.0)  # in cadences: how long after the last stroke is looked at
BINS = 120  # so many at most in a window
SETTLES = (0.5, 2.0, 8.0)  # time constants (cadences) of what settles after strokes: a basis of convex falls
SURE = 8.0  # log likelihood ratio, at least, of strokes going on against none
SMALLEST = 0.04  # of the strokes before: what each has to make up for, at least
# so many hardly anybody makes: the more, the more each has to make up for, or it is something that warms up; no source
HARDLY = 12.0
MOST = 24.0  # cadences: nobody makes more of which none shows; it was tight, and leaks from then on; no source
FALLS = 0.01  # of the strokes before: by what the pressure may fall from one to the next all the same
EARLIEST = 0.8  # cadences: sooner after the last stroke there is none
# a reading may be off by half of a step, and least squares leave a little more; and by standard deviations of its noise
ROUNDED, MISSED = 0.6, 2.0
LATER, CALM = 5, 40  # times as long after what is looked at; means, at least, that tell how noise wanders
SLOWER, SLOWER_SPREAD = 0.15, 0.15  # logarithm by which a hand that eases is slower, and its spread; no source


@dataclass(frozen=True, slots=True, eq=False)
class _Tail:
    """Means of readings after the last stroke: times since its end (s), pressures (kPa), variance of each (kPa^2); so
    many of them are worth one, for noise that wanders; by so much rounding may move them all alike (kPa)."""

    t: FloatArray
    p: FloatArray
    var: float
    worth: float
    rounding_kpa: float


def _tail(x: Prepared, start_s: float, until_s: float, end_s: float, cadence_s: float, level_sd: float) -> _Tail:
    lo, hi, end = np.searchsorted(x.even_t, [start_s, until_s, end_s])
    n = max(int(0.1 * cadence_s / x.dt_s), -(-(hi - lo) // BINS), 1)
    many = (hi - lo) // n
    t = x.even_t[lo : lo + many * n].reshape(many, n).mean(axis=1) - start_s
    p = x.even_p[lo : lo + many * n].reshape(many, n).mean(axis=1)
    white = x.sd_kpa / math.sqrt(level_width(x))
    # more noise averages it away
    rounding = ROUNDED * x.step_kpa + MISSED * x.noise_kpa if x.noise_kpa < 0.5 * x.step_kpa else 0.0
    var = x.sd_kpa**2 / n * max(level_sd / white, 1.0) ** 2
    return _Tail(t, p - float(p.mean()), var, _worth(x.even_p[hi : min(hi + LATER * (hi - lo), end)], n, var), rounding)


def _worth(p: FloatArray, n: int, var: float) -> float:
    """How many means of ``n`` readings are worth one, by how they wander once all is calm: the sum of their
    autocovariances as far as it is positive, over the variance ``var`` (kPa^2) that is taken for each. A cubic is what
    the pressure itself may do."""
    many = len(p) // n
    if many < CALM:
        return 1.0
    means, t = p[: many * n].reshape(many, n).mean(axis=1), np.linspace(-1.0, 1.0, many)
    left = means - np.polyval(np.polyfit(t, means, 3), t)
    alike = np.correlate(left, left, "full")[many - 1 :] / many
    apart = int(np.argmax(np.append(alike, -1.0) <= 0.0))
    return max(float(alike[0] + 2.0 * alike[1:apart].sum()) / var, 1.0)


def _falls(t: FloatArray, since_s: float | FloatArray, cadence_s: float) -> list[FloatArray]:
    """What the pressure may do by itself from ``since_s`` on: any steady drift, and falls that settle."""
    u = np.maximum(t - since_s, 0.0)
    return [u, *(np.expm1(-u / (k * cadence_s)) for k in SETTLES)]


def fit_falls(free: list[FloatArray], falls: list[FloatArray], p: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Least squares of the readings ``p`` (n) by columns (fits, n), the amounts of ``falls`` not negative.

    With so few of those every set of them that is not zero can be tried, which is exact (Lawson and Hanson 1974,
    chapter 23: the solution is that of its own set) and loads nothing. Returns sums of squares (fits) and amounts
    (fits, columns), of ``free`` first.
    """
    x = np.stack([*free, *falls], axis=-1)
    m = len(falls)
    used = np.ones((2**m, 1, x.shape[-1]))
    used[:, 0, len(free) :] = np.arange(2**m)[:, None] >> np.arange(m) & 1
    xp = used * (p @ x)
    # what is not used has an equation of its own, and is nothing
    own = (1.0 - used[..., None]) * np.eye(x.shape[-1])
    gram = used[..., None] * (x.transpose(0, 2, 1) @ x) * used[:, :, None, :] + own
    a = np.linalg.solve(gram, xp[..., None])[..., 0]
    rest = np.where((a[..., len(free) :] >= 0.0).all(axis=-1), float(p @ p) - (a * xp).sum(axis=-1), np.inf)
    amounts: FloatArray = a[rest.argmin(axis=0), np.arange(len(x))]
    # from the readings themselves: differences of large sums are not exact
    return (((x @ amounts[..., None])[..., 0] - p) ** 2).sum(axis=1), amounts


def _went_on(tail: _Tail, cadence_s: float, usual_kpa: float) -> float | None:
    """How long after the last stroke others kept the pressure up (s); None where it fell by itself from then on."""
    t, p = tail.t, tail.p
    if float(np.diff(t).max()) > cadence_s:
        return None  # a hole hides what happened
    first = t <= max(0.3 * cadence_s, float(t[0]))
    sd = math.sqrt(tail.var * (1.0 + 1.0 / int(np.count_nonzero(first))))
    up = np.flatnonzero(p > float(p[first].mean()) - FALLS * usual_kpa * t / cadence_s - 3.0 * sd)
    latest = min(float(t[up[-1]]) if len(up) else 0.0, 0.75 * float(t[-1]))
    kinks = np.arange(EARLIEST * cadence_s, latest, max(0.25 * cadence_s, float(t[1] - t[0])))
    if not len(kinks):
        return None
    one = np.ones((1, len(t)))
    drift, *falls = _falls(t[None], 0.0, cadence_s)
    rest, (alone_a,) = fit_falls([one, drift], falls, p)
    alone = float(rest[0])
    if float(np.abs(alone_a @ np.concatenate([one, drift, *falls]) - p).max()) < tail.rounding_kpa:
        return None  # a fall is all that readings so coarse show
    u = kinks[:, None]
    drift, *falls = _falls(t[None], u, cadence_s)
    free = [np.ones_like(drift), drift, np.minimum(t[None] - u, 0.0)]
    rests, amounts = fit_falls(free, falls, p)
    k = int(np.argmin(rests))
    best, a = float(rests[k]), amounts[k]
    if float(kinks[k]) > MOST * cadence_s:
        return None
    # what is left beyond noise goes on from reading to reading, and so says less; noise that wanders does as well: of
    # readings of which each is like the one before so many are worth one (first-order autoregression)
    left = p - a @ np.stack([each[k] for each in (*free, *falls)])
    alike = min(max(float(left[1:] @ left[:-1]) / max(best, 1e-12), 0.0), 0.95)
    worth = max(max(best / len(t) / tail.var, 1.0) ** 2 * (1.0 + alike) / (1.0 - alike), tail.worth)
    if alone - best < 2.0 * SURE * worth * tail.var:
        return None
    held = float(a[2]) * cadence_s
    # over the cadences that follow, as one that settles within them has fallen
    then = float(a[1]) * cadence_s + float(a[3:] @ np.expm1(-1.0 / np.array(SETTLES)))
    least = SMALLEST * max(float(kinks[k]) / cadence_s / HARDLY, 1.0)
    return float(kinks[k]) if held > -FALLS * usual_kpa and held - then > least * usual_kpa else None


def _how_many(tail: _Tail, until_s: float, cadence_s: float, length_s: float) -> FloatArray:
    """When the strokes began (s, after the last one's start) that explain the readings best, as many as that takes.

    They come evenly; a hand that eases takes its time: for each stroke, and from one to the next.
    """
    from scipy import optimize  # slow to load, and seldom needed

    t, p = tail.t, tail.p
    tried: list[tuple[int, float, float]] = []
    drift, *others = _falls(t, 0.0, cadence_s)
    falls = [np.ones_like(t), -np.ones_like(t), drift, -drift, *others]
    for slower in np.exp(np.arange(-0.25, 0.6, 0.05)):
        pace = cadence_s * float(slower)
        length = min(length_s * max(float(slower), 1.0) ** 2, 0.8 * pace)
        least = max(int((until_s - 1.5 * pace) / pace), 1)
        for n in range(least, int((until_s + pace) / pace) + 1):
            at = pace * np.arange(1, n + 1)
            steps = np.clip((t[:, None] + length_s - at) / length, 0.0, 1.0)
            weaker = np.arange(n, 0, -1) / n
            rest = optimize.nnls(np.stack([*falls, steps.sum(axis=1), steps @ weaker], axis=1), p)[1] ** 2
            cost = rest / tail.var + ((math.log(slower) - SLOWER) / SLOWER_SPREAD) ** 2
            tried.append((n, pace, 0.5 * cost))
    number, paces, costs = np.array(tried).T
    weight = np.exp(costs.min() - costs)
    n = int(np.argmax(np.bincount(number.astype(np.int64), weight)))
    same = number == n
    return np.arange(1.0, n + 1.0) * float(paces[same][int(np.argmax(weight[same]))])


def with_eased(x: Prepared, strokes: list[Stroke], level_sd: float, end_s: float) -> list[Stroke]:
    """With the strokes after the last one that only show in that the pressure stays up.

    level_sd: noise (kPa) of the pressure averaged over 0.12 s.
    """
    starts = np.array([s.start_s for s in strokes])
    steps = np.diff(starts)[-4:]
    if len(steps) < 3 or steps.max() > PAUSE_S:
        return strokes
    last = strokes[-1]
    cadence, length = median(steps), last.end_s - last.start_s
    usual = median([s.rise_kpa for s in strokes[-8:]])
    for many in WINDOWS:
        until = min(last.end_s + many * cadence, end_s)
        if until < last.end_s + max(2.0 * cadence, 12.0 * x.dt_s):
            break
        tail = _tail(x, last.end_s, until, end_s, cadence, level_sd)
        if len(tail.t) < 12:
            break
        went_on = _went_on(tail, cadence, usual)
        if went_on is not None:
            at = last.start_s + _how_many(tail, went_on, cadence, length)
            p = np.interp(np.stack([at, at + length]), x.t, x.smooth)
            new = [Stroke(float(a), float(a) + length, float(b), float(c)) for a, b, c in zip(at, *p, strict=True)]
            return [*strokes, *new]
        if until >= end_s:
            break
    return strokes
