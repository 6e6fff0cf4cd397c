"""A relief valve on a closed space: simulated, and fitted to the strokes that open it.

It opens at p_open and is shut again at p_close. Three laws are tried and averaged by how well they
explain the strokes. "even": the lift follows p - p_open while the pressure rises, p - p_close while
it falls, and stays where it is between the two (friction). "pops": it follows p - p_close as soon as
it is open. "ajar": the same, but once open it does not shut quite, so that later strokes find it
open. What flows out lowers the pressure by k times the lift a second.

Opening and gain are laid out on a grid; at each point the strokes' own numbers are found by least
squares, and the posterior is summed over the grid. All curves are stepped through time together.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from recorder.analysis.closed import Response, inflow
from recorder.analysis.signal import Prepared
from recorder.analysis.strokes import Stroke
from recorder.analysis.valve_steps import Lanes, run_valves

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.model import FloatArray, IntArray

__all__ = ["ValveFit", "fit_valve"]

STEPS = 50  # in time through one stroke and what follows it
LIKELY = 18  # points of the first grid that are worth more than one look
SHUT_SHARE = 0.02  # of its greatest lift: next to nothing passes any more
AFTER_S = 0.5  # after a stroke: a valve that closes does so within some tenths of a second
LOG_K_PRIOR = (math.log(25.0), 1.3)  # 1/s: from hardly anything let out of what a stroke brings, to all
LAW_TEMPER = 4.0  # all laws are wrong somewhere: a slightly better fit does not decide between them
FAR_WORSE = 4.0  # log likelihood ratio beyond which a law no longer counts
FITS_ALREADY = 1.5  # residuals' variance over what noise explains: then no further law is wanted
MISS_S = 0.05  # for so long a misfit of the response's shape lasts
EASED_SPREAD = 0.3  # of an eased stroke's amount and of the logarithm of its length
GAP_SHARE = 0.05  # closing below opening, of the pressure: the scale of an exponential prior
NEVER = 1e6  # kPa: no valve
FAR = 5.0  # standard deviations
Law = Literal["even", "pops", "snaps", "ajar"]
BASE, START, LENGTH, AMOUNT, CLOSE = range(5)
LANE_KINDS, KIND_OF = [0, 1 + START, 1 + LENGTH], [0, 0, 1, 2, 0, 0]


@dataclass(frozen=True, slots=True)
class ValveFit:
    """Pressures (kPa) at which the valve opens and closes, standard uncertainties of the fit;
    apart_kpa: how far apart the two laws put the opening; when it opened first and closed last (s,
    the latter nan where not seen); gain: how much better (log likelihood) it explains the strokes
    than a closed space does; top_kpa: the highest reading; misfit: residuals' variance over what
    the noise explains."""

    open_kpa: float
    open_u: float
    apart_kpa: float
    close_kpa: float
    close_u: float
    opened_s: float
    closed_s: float
    gain: float
    top_kpa: float
    misfit: float


@dataclass(frozen=True, slots=True, eq=False)
class _Window:
    """Readings of one stroke: times from its start (s), pressures (kPa), their standard
    deviation."""

    stroke: Stroke
    t: FloatArray
    p: FloatArray
    sd: float
    base: float
    grid: FloatArray
    lower: IntArray
    share: FloatArray


def _window(
    x: Prepared, strokes: Sequence[Stroke], j: int, end_s: float, r: Response
) -> _Window | None:
    s = strokes[j]
    until = strokes[j + 1].start_s - 0.03 if j + 1 < len(strokes) else end_s
    lo = s.start_s + min(r.lead_s, 0.2) - max(0.06, 1.6 * x.dt_s)  # nothing happens before
    hi = min(until, s.end_s + AFTER_S)
    pick = (x.t >= lo) & (x.t <= hi)
    t, p = x.t[pick] - s.start_s, x.p[pick]
    if len(t) < 3:
        return None
    sd = math.hypot(x.sd_kpa, r.miss_kpa)
    before = t < r.lead_s
    base = float(np.mean(p[before])) if np.count_nonzero(before) >= 2 else s.base_kpa
    grid = np.linspace(float(t[0]), float(t[-1]), STEPS + 1)
    at = np.clip((t - grid[0]) / (grid[1] - grid[0]), 0.0, STEPS - 1e-9)
    lower = at.astype(np.int64)
    return _Window(s, t, p, sd, base, grid, lower, at - lower)


@dataclass(slots=True, eq=False)
class _Grid:
    """Points of opening and gain, and for each point and stroke what suits the stroke best there.

    p_open, log_k: (points,); own: (5, points, strokes): base, start, log length, amount, closing;
    warm (points, strokes); cost (points,): half the sum of squares. The valve is left out where
    p_open is NEVER.
    """

    p_open: FloatArray
    log_k: FloatArray
    own: FloatArray
    warm: FloatArray
    cost: FloatArray

    def best(self, n: int) -> _Grid:
        """The n points of the lowest cost."""
        k = np.sort(np.argsort(self.cost, kind="stable")[:n])
        return _Grid(self.p_open[k], self.log_k[k], self.own[:, k], self.warm[k], self.cost[k])


class _Strokes:
    """The strokes that meet the valve, and what is known beforehand of each."""

    def __init__(self, windows: Sequence[_Window], r: Response) -> None:
        self.windows, self.r = windows, r
        self.grids = np.stack([w.grid for w in windows], axis=1)
        self.top = max(float(np.max(w.p)) for w in windows)
        self.after = np.array([float(np.mean(w.p[-max(len(w.p) // 6, 1) :])) for w in windows])
        starts = np.array([w.stroke.start_s + w.grid[0] for w in windows])
        ends = np.array([w.stroke.start_s + w.grid[-1] for w in windows])
        self.decay = np.exp(-(starts[1:] - ends[:-1]) / r.tau_s)
        base = np.array([w.base for w in windows])
        m = len(windows)
        self.mean = np.stack([base, np.full(m, r.lead_s), np.full(m, math.log(r.length_s)),
                              np.full(m, r.amount_kpa), self.after])  # fmt: skip
        self.sd = np.array([3.0, 0.06, r.length_spread, r.amount_spread * r.amount_kpa, 0.05 * self.top + 1.0])
        eased = np.array([1.0, 1.0, EASED_SPREAD / r.length_spread, EASED_SPREAD / r.amount_spread, 1.0])
        self.eased_sd = self.sd * np.maximum(eased, 1.0)
        self.low = np.array([-1e3, r.lead_s - 0.3, math.log(0.05), 0.02 * r.amount_kpa, -1e3])
        self.high = np.array([1e4, r.lead_s + 0.4, math.log(1.6), 2.5 * r.amount_kpa, 1e4])

    def run(self, g: _Grid, own: FloatArray, law: Law) -> tuple[FloatArray, FloatArray]:
        """Pressures (steps + 1, lanes, points, strokes) for own (5, lanes, points, strokes), and
        warmth at the end."""
        _, lanes, points, m = own.shape
        flat = own.reshape(5, -1)
        # air comes in alike in all lanes but those of another start or length
        kinds, kind_of = (LANE_KINDS, KIND_OF) if lanes == len(KIND_OF) else ([0], [0])

        def each(values: FloatArray) -> FloatArray:
            return np.asarray(np.broadcast_to(values, (lanes, points, m)).reshape(-1))

        grids = np.broadcast_to(self.grids[:, None, None, :], (len(self.grids), lanes, points, m))
        grids = grids.reshape(len(self.grids), -1)
        at = self.grids[:, None, None, :]
        x = (at - own[START][kinds]) / np.exp(own[LENGTH][kinds])
        feed = flat[AMOUNT] * inflow(x, self.r.w, self.r.v)[:, kind_of].reshape(len(at), -1)
        p_open = each(g.p_open[:, None])
        close = np.minimum(flat[CLOSE], p_open)
        q = Lanes(feed, grids[1] - grids[0], flat[BASE], each(g.warm), p_open, each(np.exp(g.log_k)[:, None]),
                   np.minimum(p_open - close, 1e3), self.ajar(law, points, lanes))  # fmt: skip
        p, c = run_valves(q, self.r, pops=law != "even", full=law == "snaps")
        return p.reshape(len(self.grids), lanes, points, m), c.reshape(lanes, points, m)

    def ajar(self, law: Law, points: int, lanes: int) -> NDArray[np.bool_]:
        later = np.arange(len(self.windows)) > 0
        each = np.broadcast_to(later & (law == "ajar"), (lanes, points, len(later)))
        return np.asarray(each.reshape(-1))

    def improve(self, g: _Grid, times: int, law: Law) -> None:
        """Least squares for each point and stroke, linearised anew each time; then the cost."""
        step = np.array([0.02, 0.002, 0.01, 0.002 * self.r.amount_kpa, 0.02])
        shut = ~(g.p_open < NEVER)
        sd = np.where(shut, self.eased_sd[:, None], self.sd[:, None])
        for turn in range(times + 1):
            last = turn == times
            moved = np.repeat(g.own[:, None], 1 if last else 6, axis=1)
            if not last:
                for i in range(5):
                    moved[i, i + 1] += -step[i] if i == CLOSE else step[i]
            p, c = self.run(g, moved, law)
            g.warm[:, 1:] = c[0, :, :-1] * self.decay
            total = np.zeros(len(g.p_open))
            for m, w in enumerate(self.windows):
                part = w.share[:, None, None]
                at = p[w.lower, :, :, m] * (1.0 - part) + p[w.lower + 1, :, :, m] * part
                miss = (w.p[:, None] - at[:, 0]) / w.sd
                prior = (self.mean[:, m, None] - g.own[:, :, m]) / sd
                size = np.abs(miss)
                if last:
                    # quadratic near, linear far out: a knock does not decide
                    bent = np.where(size < FAR, 0.5 * miss**2, FAR * (size - 0.5 * FAR))
                    total += bent.sum(axis=0) + 0.5 * np.sum(prior**2, axis=0)
                    continue
                weight = np.minimum(1.0, FAR / np.maximum(size, 1e-9))
                slope = (at[:, 1:] - at[:, :1]) / w.sd  # (readings, 5, points)
                slope = slope / np.where(np.arange(5) == CLOSE, -step, step)[:, None]
                slope = slope.transpose(2, 0, 1)  # (points, readings, 5)
                left = slope.transpose(0, 2, 1) * weight.T[:, None, :]
                normal = left @ slope + np.eye(5) * (1.0 / sd**2).T[:, None, :]
                right = (left @ miss.T[:, :, None])[:, :, 0] + (prior / sd).T
                change = np.linalg.solve(normal, right[:, :, None])[:, :, 0].T
                limit = np.array([2.0, 0.05, 0.4, 0.4 * self.r.amount_kpa, 2.0])[:, None]
                g.own[:, :, m] += np.clip(change, -limit, limit)
                g.own[:, :, m] = np.clip(g.own[:, :, m], self.low[:, None], self.high[:, None])
                g.own[CLOSE, :, m] = np.minimum(g.own[CLOSE, :, m], np.where(shut, 1e4, g.p_open))
            if last:
                gap = np.where(shut, 0.0, g.p_open - g.own[CLOSE, :, -1])
                scale = GAP_SHARE * self.top + 0.2
                log_k = np.where(shut, 0.0, (g.log_k - LOG_K_PRIOR[0]) / LOG_K_PRIOR[1])
                g.cost = total + 0.5 * log_k**2 + gap / scale

    def first_grid(self) -> _Grid:
        low = float(self.after.min())
        opens = low + np.array([-0.05, 0.1, 0.25, 0.4, 0.55, 0.68, 0.79, 0.87, 0.94, 1.0]) * (self.top - low)
        p_open, log_k = np.meshgrid(opens, np.log([4.0, 11.0, 30.0, 80.0]), indexing="ij")
        own = np.repeat(self.mean[:, None, :], p_open.size, axis=1)
        warm = np.zeros((p_open.size, len(self.windows)))
        warm[:, 0] = self.r.warm_kpa
        g = _Grid(p_open.ravel(), log_k.ravel(), own, warm, np.zeros(p_open.size))
        g.own[CLOSE] = np.minimum(g.own[CLOSE], g.p_open[:, None])
        return g

    def closed(self) -> _Grid:
        """Points without a valve: each stroke as it looks, usual or as long as it looks, or slower."""
        m = len(self.windows)
        seen = np.log([min(max(w.stroke.end_s - w.stroke.start_s - 0.12, 0.1), 1.4) for w in self.windows])
        lengths = np.stack([self.mean[LENGTH], seen, self.mean[LENGTH] + 0.4])
        own = np.repeat(self.mean[:, None], len(lengths), axis=1)
        own[LENGTH] = lengths
        own[AMOUNT] = [max(w.stroke.rise_kpa / 1.1, 0.05 * self.r.amount_kpa) for w in self.windows]
        warm = np.zeros((len(lengths), m))
        warm[:, 0] = self.r.warm_kpa
        n = len(lengths)
        return _Grid(np.full(n, NEVER), np.zeros(n), own, warm, np.zeros(n))

    def finer(self, g: _Grid, chi: float) -> _Grid:
        """A grid along the axes of what the last one found likely."""
        weight = _weights(g.cost, chi)
        at = np.stack([g.p_open, g.log_k])
        centre = at @ weight
        off = at - centre[:, None]
        cov = (off * weight) @ off.T
        floor = np.diag([(0.02 + 0.02 * (self.top - float(self.after.min()))) ** 2, 0.05**2])
        if float(np.sum(weight**2)) > 0.33:
            # the mass sits on a point or two: stay as wide as the grid was
            gap = np.array([np.ptp(g.p_open) / 9.0, np.ptp(g.log_k) / 5.0])
            floor = np.diag((0.5 * gap) ** 2) + floor
        axes = np.linalg.cholesky(cov + floor)
        u, v = np.meshgrid(np.linspace(-2.3, 2.3, 7), np.linspace(-2.0, 2.0, 5), indexing="ij")
        new = centre[:, None] + axes @ np.stack([u.ravel(), v.ravel()])
        scale = np.sqrt(np.diag(cov + floor))[:, None, None]
        near = np.argmin(np.sum(((new[:, :, None] - at[:, None, :]) / scale) ** 2, axis=0), axis=1)
        p_open = np.minimum(new[0], self.top + 0.5)
        own = g.own[:, near].copy()
        own[CLOSE] = np.minimum(own[CLOSE], p_open[:, None])
        return _Grid(p_open, np.clip(new[1], 0.0, 6.5), own, g.warm[near].copy(), np.zeros(u.size))


def _weights(cost: FloatArray, chi: float) -> FloatArray:
    weight = np.exp(-(cost - cost.min()) / chi)
    return np.asarray(weight / weight.sum())


def fit_valve(
    x: Prepared,
    strokes: Sequence[Stroke],
    which: Sequence[int],
    r: Response,
    end_s: float,
    correlated: float,
) -> ValveFit | None:
    """The valve that explains strokes number ``which``, all of which meet it; None where there are
    too few readings.

    correlated: how much larger the variance of averages is than white noise would make it.
    """
    windows = [w for j in which if (w := _window(x, strokes, j, end_s, r)) is not None]
    if not windows:
        return None
    fit = _Strokes(windows, r)
    n = sum(len(w.t) for w in windows)
    free = 5 * len(windows) + 2
    # what the response leaves unexplained goes on for a while: fewer independent readings
    part = r.miss_kpa**2 / windows[0].sd ** 2
    correlated = correlated * (1.0 - part) + max(MISS_S / x.dt_s, 1.0) * part
    shut = fit.closed()
    fit.improve(shut, 6, "even")
    found: list[_Grid] = []
    laws: tuple[Law, ...] = ("even", "pops", "ajar", "snaps") if len(windows) > 1 else ("even", "pops", "snaps")
    tried: list[Law] = []
    for law in laws:
        chi = min((_excess(g, n, free) for g in found), default=1.0)
        if law == "ajar":
            worse = float(found[1].cost.min() - found[0].cost.min())
            if worse > FAR_WORSE * LAW_TEMPER * _excess(found[0], n, free) * correlated:
                continue  # it does not even pop
        if law == "snaps" and chi < FITS_ALREADY:
            continue
        tried.append(law)
        g = fit.first_grid()
        fit.improve(g, 1, law)
        g = g.best(LIKELY)  # most points of the grid are hopeless
        fit.improve(g, 2, law)
        chi = _excess(g, n, free) * correlated
        for times in (2, 1, 1):
            g = fit.finer(g, chi)
            fit.improve(g, times, law)
            chi = _excess(g, n, free) * correlated
        found.append(g)
    costs = np.array([float(g.cost.min()) for g in found])
    chi = _excess(found[int(np.argmin(costs))], n, free) * correlated
    weights = [_weights(g.cost, chi) for g in found]
    # evidence of a law: what its grid holds together, not its best point alone
    held = [c - chi * math.log(np.exp(-(g.cost - c) / chi).mean()) for c, g in zip(costs, found, strict=True)]
    share = _weights(np.array(held), LAW_TEMPER * chi)
    opens = np.array([w @ g.p_open for w, g in zip(weights, found, strict=True)])
    close = [g.own[CLOSE, :, -1] for g in found]
    closes = np.array([w @ c for w, c in zip(weights, close, strict=True)])
    open_var = np.array([w @ (g.p_open - o) ** 2 for w, g, o in zip(weights, found, opens, strict=True)])
    close_var = np.array([w @ (c - o) ** 2 for w, c, o in zip(weights, close, closes, strict=True)])

    def mixed(value: FloatArray, var: FloatArray) -> tuple[float, float]:
        mean = float(share @ value)
        return mean, math.sqrt(float(share @ (var + (value - mean) ** 2)))

    best = int(np.argmax(share))
    return ValveFit(
        *mixed(opens, open_var), float(abs(opens[0] - opens[1])), *mixed(closes, close_var),
        *_times(fit, found[best], tried[best]), (float(shut.cost.min()) - float(costs.min())) / chi, fit.top,
        _excess(found[int(np.argmin(costs))], n, free),
    )  # fmt: skip


def _excess(g: _Grid, n: int, free: int) -> float:
    """How much larger the residuals are than noise explains, as a factor of their variance, 1 or
    more."""
    return max(2.0 * float(g.cost.min()) / max(n - free, 1), 1.0)


def _times(fit: _Strokes, g: _Grid, law: Law) -> tuple[float, float]:
    """When the valve opened first, and closed after the last stroke (s; the latter nan where not
    seen)."""
    best = int(np.argmin(g.cost))
    one = _Grid(g.p_open[best : best + 1], g.log_k[best : best + 1], g.own[:, best : best + 1],
                g.warm[best : best + 1], g.cost[best : best + 1])  # fmt: skip
    p = fit.run(one, one.own[:, None], law)[0][:, 0, 0]
    p_open = float(one.p_open[0])
    highest = int(np.argmax(p.max(axis=0)))
    w = fit.windows[highest]
    opened = w.stroke.start_s + float(w.grid[int(np.argmax(p[:, highest]))])
    for i, w in enumerate(fit.windows):
        over = np.flatnonzero(p[:, i] >= p_open - 1e-6)
        if len(over):
            opened = w.stroke.start_s + float(w.grid[over[0]])
            break
    w, p_close = fit.windows[-1], float(one.own[CLOSE, 0, -1])
    top = int(np.argmax(p[:, -1]))
    lift = p[top:, -1] - p_close
    shut = np.flatnonzero(lift <= SHUT_SHARE * max(float(lift[0]), 0.1))
    closed = w.stroke.start_s + float(w.grid[top + shut[0]]) if len(shut) else math.nan
    return opened, closed
