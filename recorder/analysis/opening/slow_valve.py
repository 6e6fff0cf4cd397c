"""A valve that lets out so slowly that pumping outruns it: seen in the pauses between strokes and after the last one.

Strokes go on raising the pressure after it has opened, each by a little less, the pressure sags between them, and falls
for seconds after the last, down to where the valve closes. The lift of the valve follows from the pressure that was
seen, for any opening and closing: with friction it is a play operator (Visintin 1994, Differential Models of
Hysteresis, III.2; from memory), without it is what the pressure is above closing, and of a valve too small for the pump
it is all there is at once. Its integral is what has flowed out.
With that the levels are linear in all else: the strokes' amounts, the flow, what settles, a steady fall. So each point
of a grid of opening and closing is one non-negative least squares.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from recorder.analysis.strokes import Stroke
from recorder.analysis.trace.filters import median, normal_sd
from recorder.analysis.trace.signal import Prepared

if TYPE_CHECKING:
    from recorder.model import FloatArray, IntArray

__all__ = ["SlowValve", "find_slow", "sinks"]

# where no source is named beside a number: common practice, no source
MOST, BEFORE = 16, 24  # strokes that are looked at, the last ones; and those before, which tell what a stroke brings
AFTER_S = 40.0  # after the last stroke
LEAST_S = 4.0  # of that has to be there
RUNS_S = 0.12  # beyond a stroke's end: it may not be over
SOON_S = 1.5  # after the last stroke: as in a pause
BIN_S, LATE_BIN_S, PATH_S = 0.2, 0.6, 0.05
# shares of strokes' rises that settle with each time constant (s): air that cools, hoses that stretch; their scale
SETTLES_S, SETTLES_SHARE = (1.5, 3.0, 6.0, 12.0, 25.0), 0.15
FALL_SPREAD = 0.1  # kPa/s: of a steady fall
SPREAD = (0.04, 0.25)  # of strokes' amounts, least and most: a hand's; common practice, no source
LEANS = 0.5  # of a usual stroke, by which it may change as the pressure doubles: the pump's dead space
MISS_KPA, MISS_SHARE = 0.05, 0.03  # levels are not quite what a model says; of a usual stroke
OPENS, GAPS, SIDE = 36, 10, 11  # points of the first grid, of the finer ones
WIDEST = 0.4  # of the top, by which it closes lower
TURNS = 7
CLOSE_KPA = 0.01  # no pressure need be known better
SHUTS = (0.05, 0.15, 0.4)  # of its greatest lift: as good as shut; else nearly, for what is left dies away
REST_S = 12.0  # that a hold needs after it
LAW_DOUBT = 0.05  # of the height from closing to the top: valves are not quite linear
STROKE_DOUBT = 0.2  # of a usual stroke: levels do not show what happens in one
SINKS = 0.5  # of a usual stroke: so much of a fall after the strokes may be a valve's
SINKS_S = (0.5, 15.0)
# the lift with friction, what the pressure is above closing as soon as it is open, all of it at once
_Law = Literal["rubs", "pops", "full"]
LAWS: tuple[_Law, ...] = ("rubs", "pops", "full")


@dataclass(frozen=True, slots=True, eq=False)
class SlowValve:
    """Opening and closing (kPa) with standard uncertainties; what it lets out of its lift (1/s; of a usual stroke where
    it is all open at once); when it opened, and when it was as good as shut after the last stroke (s; nan where that is
    not seen in time); gain: how much better (log likelihood) it explains the levels than a closed space does; misfit:
    their variance over what noise explains.
    """

    open_kpa: float
    open_u: float
    close_kpa: float
    close_u: float
    per_s: float
    opened_s: float
    closed_s: float
    gain: float
    misfit: float


@dataclass(frozen=True, slots=True, eq=False)
class _Levels:
    """The linear problem without the flow, as its QR: ``q`` (rows, columns + 1), ``r``; times (s) and standard
    deviations (kPa) of the levels, which are the first rows; pressures at ``path_s`` that a valve may have followed;
    what a stroke brings (kPa)."""

    q: FloatArray
    r: FloatArray
    t: FloatArray
    sd: FloatArray
    path_s: FloatArray
    paths: tuple[FloatArray, FloatArray]
    usual_kpa: float


def sinks(x: Prepared, strokes: Sequence[Stroke], end_s: float) -> bool:
    """Whether the pressure falls after the strokes by so much, so slowly, that a slow valve may have let it out."""
    last = strokes[-1].end_s
    soon, later = np.interp([last + SINKS_S[0], min(last + SINKS_S[1], end_s)], x.t, x.smooth)
    return bool(soon - later > max(SINKS * median([s.rise_kpa for s in strokes]), 3.0 * x.sd_kpa))


def find_slow(x: Prepared, strokes: Sequence[Stroke], end_s: float, correlated: float) -> SlowValve | None:
    """The slow valve that explains the levels best; None where there are too few of them.

    correlated: how much larger the variance of averages is than white noise would make it.
    """
    levels = _levels(x, strokes, end_s)
    if levels is None:
        return None
    from scipy.optimize import nnls

    low, top = max(float(levels.paths[0][0]), 0.3 * float(levels.paths[0].max())), float(levels.paths[0].max())
    closed = 0.5 * float(nnls(levels.r[:, :-1], levels.r[:, -1])[1]) ** 2
    laws = [(law, path) for law in LAWS for path in levels.paths]
    found = [_posterior(levels, law, path, low, top, correlated) for law, path in laws]
    opens, closes, cost, per_s = (np.concatenate([f[i] for f in found]) for i in range(4))
    best = int(np.argmin(cost))
    misfit = 2.0 * float(cost[best]) / len(levels.t)
    chi = max(misfit, 1.0) * correlated
    number = np.repeat(np.arange(len(laws)), [len(f[0]) for f in found])
    log_w = np.array([f[4] for f in found])[number] - cost / chi
    w = np.exp(log_w - log_w.max())
    w /= w.sum()
    o, c = float(w @ opens), float(w @ closes)
    law, path = laws[number[best]]
    lift = _lifts(path, opens[best : best + 1], closes[best : best + 1], law, levels.usual_kpa)[:, 0]
    doubt = LAW_DOUBT * max(top - c, 0.0)
    return SlowValve(
        o,
        math.hypot(math.sqrt(float(w @ (opens - o) ** 2)), doubt, STROKE_DOUBT * levels.usual_kpa),
        c,
        math.hypot(math.sqrt(float(w @ (closes - c) ** 2)), 0.5 * doubt),
        float(w @ per_s),
        float(levels.path_s[int(np.argmax(lift > 0.0))]),
        _shut_s(levels.path_s, lift, strokes[-1].end_s, end_s),
        (closed - float(cost[best])) / chi,
        misfit,
    )


def _shut_s(t: FloatArray, lift: FloatArray, last_s: float, end_s: float) -> float:
    """When a valve of such a ``lift`` was shut after the last stroke, as nearly as leaves something of the hold."""
    widest_s = max(last_s, float(t[int(np.argmax(lift))]))  # a stroke that was not seen may have opened it
    for share in SHUTS:
        after = np.flatnonzero((t > widest_s) & (lift < share * float(lift.max())))
        if len(after) and t[after[0]] < end_s - REST_S:
            return float(t[after[0]])
    return math.nan


def _levels(x: Prepared, strokes: Sequence[Stroke], end_s: float) -> _Levels | None:
    """The levels between the last strokes and after them, and what is known of the strokes."""
    first = max(len(strokes) - MOST, 3)
    used, stop = strokes[first:], min(end_s, strokes[-1].end_s + AFTER_S)
    base = np.array([s.base_kpa for s in strokes])
    gains = np.diff(base)[max(first - BEFORE, 0) : first]
    usual = median(gains) if len(gains) > 2 else 0.0
    if not used or usual <= 0.0 or stop - used[-1].end_s < LEAST_S:
        return None
    t, p, number, count = _bins(x, strokes[first - 1], used, stop)
    sd = np.sqrt(x.sd_kpa**2 / count + MISS_KPA**2 + (MISS_SHARE * usual) ** 2)
    ends = np.array([s.end_s for s in strokes])
    rises = np.array([max(s.rise_kpa, 0.0) for s in strokes])
    # what a stroke brings stays, as in the gains that tell of it; what settles stands above that until it is gone
    since = t[:, None] - ends
    settled = [np.where(since > 0.0, np.exp(-np.maximum(since, 0.0) / tau), 0.0) @ rises for tau in SETTLES_S]
    # level (either way), strokes, settling, fall; a usual stroke and how it leans (either way), which no level shows
    m, n_s = len(used), len(SETTLES_S)
    one = np.ones(len(t))
    steps = (number[:, None] > np.arange(m)).astype(float)
    a = np.column_stack([one, -one, steps, *settled, t[0] - t, np.zeros((len(t), 3))]) / sd[:, None]
    usual_at = 2 + m + n_s + 1
    known = _Known(a.shape[1])
    for i in range(n_s):
        known.add({2 + m + i: 1.0}, 0.0, SETTLES_SHARE)
    known.add({2 + m + n_s: 1.0}, 0.0, FALL_SPREAD)
    known.add({usual_at + 1: 1.0, usual_at + 2: -1.0}, 0.0, LEANS * usual)
    lean = base / max(float(base[first]), 1.0) - 1.0
    before = np.arange(first - len(gains), first)
    off = gains - (np.polyval(np.polyfit(base[before], gains, 1), base[before]) if len(gains) > 5 else usual)
    spread = float(np.clip(normal_sd(off) / usual, *SPREAD)) * usual
    noise = x.sd_kpa * math.sqrt(2.0 / max(BIN_S / x.dt_s, 1.0))
    for z, gain in zip(lean[before], gains, strict=True):
        known.add({usual_at: 1.0, usual_at + 1: z, usual_at + 2: -z}, gain, math.hypot(spread, noise))
    for j, z in enumerate(lean[first:]):
        known.add({2 + j: 1.0, usual_at: -1.0, usual_at + 1: -z, usual_at + 2: z}, 0.0, spread)
    rows = np.vstack([a, *known.rows])
    right = np.concatenate([(p - p[0]) / sd, known.values])
    q, r = np.linalg.qr(np.column_stack([rows, right]))
    grid = np.arange(strokes[first - 1].start_s, stop, PATH_S)
    paths = [_path(x, strokes[first - 1 :], grid, tops=tops) for tops in (False, True)]
    return _Levels(q, r, t, sd, grid, (paths[0], paths[1]), usual)


class _Known:
    """What is known beforehand of linear combinations of unknowns, as rows of a least squares."""

    def __init__(self, columns: int) -> None:
        self.columns = columns
        self.rows: list[FloatArray] = []
        self.values: list[float] = []

    def add(self, weights: Mapping[int, float], value: float, sd: float) -> None:
        row = np.zeros(self.columns)
        row[list(weights)] = list(weights.values())
        self.rows.append(row / sd)
        self.values.append(value / sd)


def _bins(
    x: Prepared, before: Stroke, used: Sequence[Stroke], stop_s: float
) -> tuple[FloatArray, FloatArray, IntArray, IntArray]:
    """Averages of the readings between strokes: times (s), levels (kPa), number of strokes before, readings."""
    free = (x.t > before.end_s + RUNS_S) & (x.t < stop_s)
    for s in used:
        free &= (x.t < s.start_s) | (x.t > s.end_s + RUNS_S)
    t, p = x.t[free], x.p[free]
    number = np.searchsorted([s.start_s for s in used], t)
    width = np.where(t > used[-1].end_s + SOON_S, LATE_BIN_S, BIN_S)
    bin_of = np.floor(t / width)
    edges = np.flatnonzero((np.diff(bin_of, prepend=-1.0) != 0.0) | (np.diff(number, prepend=-1) != 0))
    count = np.diff(edges, append=len(t))
    return np.add.reduceat(t, edges) / count, np.add.reduceat(p, edges) / count, number[edges], count


def _path(x: Prepared, strokes: Sequence[Stroke], grid: FloatArray, *, tops: bool) -> FloatArray:
    """Pressures (kPa) without noise at ``grid`` (s): a line in each pause, averages after the last stroke, lines
    between them. tops: with what strokes reached before their air cooled, which lifts a valve that is quick to move."""
    t, p = [strokes[0].start_s], [strokes[0].base_kpa]
    for j, s in enumerate(strokes):
        if tops:
            a, b = np.searchsorted(x.t, [s.start_s, s.end_s + RUNS_S])
            t, p = [*t, *x.t[a:b]], [*p, *x.smooth[a:b]]
        until = strokes[j + 1].start_s if j + 1 < len(strokes) else s.end_s + SOON_S
        a, b = np.searchsorted(x.t, [s.end_s + RUNS_S, until])
        if b - a < 4:
            t, p = [*t, *x.t[a:b]], [*p, *x.smooth[a:b]]
            continue
        at = x.t[[a, b - 1]]
        middle = float(x.t[a:b].mean())
        line = np.polyfit(x.t[a:b] - middle, x.p[a:b], 1)
        t, p = [*t, *at], [*p, *np.polyval(line, at - middle)]
    for at_s in np.arange(strokes[-1].end_s + SOON_S + LATE_BIN_S / 2, grid[-1], LATE_BIN_S / 2):
        a, b = np.searchsorted(x.t, [at_s - LATE_BIN_S / 2, at_s + LATE_BIN_S / 2])
        if b > a:
            t.append(float(x.t[a:b].mean()))
            p.append(float(x.p[a:b].mean()))
    order = np.argsort(t, kind="stable")
    return np.asarray(np.interp(grid, np.array(t)[order], np.array(p)[order]))


def _lifts(p: FloatArray, opens: FloatArray, closes: FloatArray, law: _Law, full_kpa: float) -> FloatArray:
    """Lift (kPa; times, valves) along the pressures ``p``. full_kpa: of a valve that is all open at once."""
    out = np.empty((len(p), len(opens)))
    lift = np.zeros(len(opens))
    up, down = p[:, None] - opens, np.maximum(p[:, None] - closes, 0.0)
    if law == "full":
        down = np.where(down > 0.0, full_kpa, 0.0)
    for i in range(len(p)):
        lift = np.clip(lift, up[i], down[i]) if law == "rubs" else np.where((lift > 0.0) | (up[i] > 0.0), down[i], 0.0)
        out[i] = lift
    return out


def _costs(
    levels: _Levels, opens: FloatArray, closes: FloatArray, law: _Law, path: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Half the sum of squares, and the flow (1/s), for each pair of opening and closing."""
    from scipy.optimize import nnls

    lift = _lifts(path, opens, closes, law, levels.usual_kpa)
    flow = np.zeros_like(lift)
    np.cumsum(0.5 * PATH_S * (lift[1:] + lift[:-1]), axis=0, out=flow[1:])
    at = np.clip(((levels.t - levels.path_s[0]) / PATH_S).astype(np.int64), 0, len(path) - 2)
    part = ((levels.t - levels.path_s[at]) / PATH_S)[:, None]
    out = flow[at] * (1.0 - part) + flow[at + 1] * part
    column = (out[:1] - out) / levels.sd[:, None]
    seen = levels.q[: len(levels.t)].T @ column
    rest = np.sqrt(np.maximum((column**2).sum(axis=0) - (seen**2).sum(axis=0), 0.0))
    cost, per_s = np.empty(len(opens)), np.empty(len(opens))
    n = len(levels.r)
    a, y = np.zeros((n + 1, n)), np.append(levels.r[:, -1], 0.0)
    a[:-1, :-1] = levels.r[:, :-1]
    for i in range(len(opens)):
        a[:-1, -1], a[-1, -1] = seen[:, i], rest[i]
        found, miss = nnls(a, y)
        cost[i], per_s[i] = 0.5 * miss**2, found[-1]
    return cost, per_s


def _posterior(
    levels: _Levels, law: _Law, path: FloatArray, low: float, top: float, correlated: float
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, float]:
    """A grid of openings and closings (kPa) as wide as what is likely, with its costs and flows, and the logarithm of
    how large its cells are."""
    wide, gaps = np.linspace(low, top, OPENS), WIDEST * top * np.linspace(0.0, 1.0, GAPS) ** 2
    opens, gap = (v.ravel() for v in np.meshgrid(wide, gaps, indexing="ij"))
    closes = opens - gap
    cost, per_s = _costs(levels, opens, closes, law, path)
    best = int(np.argmin(cost))
    next_gap = gaps[min(best % GAPS + 1, GAPS - 1)] - gaps[max(best % GAPS - 1, 0)]
    half = np.array([1.5 * (wide[1] - wide[0]), max(1.5 * (wide[1] - wide[0]), next_gap)])
    side = np.linspace(-1.0, 1.0, SIDE)
    for turn in range(TURNS):
        middle = np.array([opens[best], closes[best]])
        opens, closes = (v.ravel() for v in np.meshgrid(*(middle[:, None] + half[:, None] * side), indexing="ij"))
        may_be = (opens <= top) & (closes <= opens)
        opens, closes = opens[may_be], closes[may_be]
        cost, per_s = _costs(levels, opens, closes, law, path)
        best = int(np.argmin(cost))
        chi = max(2.0 * float(cost[best]) / len(levels.t), 1.0) * correlated
        w = np.exp(-(cost - cost[best]) / chi)
        w /= w.sum()
        off = np.stack([opens - opens[best], closes - closes[best]])
        wants = 3.0 * np.sqrt((off**2) @ w)
        at_edge = np.abs(np.array([opens[best], closes[best]]) - middle) > 0.9 * half
        if not at_edge.any() and (wants > 0.6 * half).all() and (wants < 1.3 * half).all():
            break
        if turn < TURNS - 1:
            half = np.maximum(np.clip(wants, np.where(at_edge, 1.0, 0.3) * half, 2.0 * half), CLOSE_KPA)
    return opens, closes, cost, per_s, math.log(float(half.prod()))
