"""The strokes that meet a relief valve: what suits each of them best, at every point of a grid of opening and gain.

At each point the strokes' own numbers (base, start, length, amount, closing) are found by least squares, with what the
strokes before said as prior knowledge. All curves are stepped through time together.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from recorder.analysis.opening.closed import Response
from recorder.analysis.opening.piston import Piston
from recorder.analysis.opening.valve_steps import Lanes, run_valves
from recorder.analysis.strokes import Stroke
from recorder.analysis.trace.signal import Prepared

if TYPE_CHECKING:
    from typing import TypeVar

    from numpy.typing import NDArray

    _T = TypeVar("_T", bound=np.generic)

    from recorder.model import FloatArray, IntArray

__all__ = ["AFTER_S", "CLOSE", "LAGS_S", "Grid", "Law", "MetStrokes", "Window", "weights", "window"]

# where no source is named beside a number: common practice, no source
STEPS = 50  # in time through one stroke and what follows it
AFTER_S = 0.5  # after a stroke: a valve that closes does so within some tenths of a second
LOG_K_LEAST = math.log(0.4)  # a valve that takes seconds to let out what a stroke brought
LOG_K_PRIOR = (math.log(25.0), 1.3)  # 1/s: from hardly anything let out of what a stroke brings, to all
EASED_SPREAD = 0.3  # of an eased stroke's amount and of the logarithm of its length
T_FREE = 3.0  # degrees of freedom
EASED_SHARE = 0.2  # of the strokes that meet a valve
SNAPS_SPREAD = 0.8  # of the logarithm of how far below its opening one that snaps shuts, about that scale; no source
GAP_SHARE = 0.05  # closing below opening, of the pressure: the scale of an exponential prior
NEVER = 1e6  # kPa: no valve
FAR = 5.0  # standard deviations
WEAK = 0.8  # of a usual stroke: less is looked at as an eased one too
Law = Literal["even", "pops", "pops late", "pops slow", "snaps", "snaps late", "ajar", "some ajar", "soon", "late",
              "later", "half"]
# of a valve's lift: its weight and friction, milliseconds; a sluggish one's; common practice, no source
LAGS_S: dict[Law, float] = {"soon": 0.015, "half": 0.015, "late": 0.1, "later": 0.3, "pops": 0.004, "pops late": 0.02,
                            "pops slow": 0.1, "snaps": 0.004, "snaps late": 0.02}
# the share of its way from closing to opening that a valve's lift has as soon as it opens
POP: dict[Law, float] = {"even": 0.0, "soon": 0.0, "late": 0.0, "later": 0.0, "half": 0.5, "pops": 1.0,
                         "pops late": 1.0, "pops slow": 1.0, "ajar": 1.0, "some ajar": 1.0, "snaps": 1.0,
                         "snaps late": 1.0}
SNAPS: tuple[Law, ...] = ("snaps", "snaps late")
BASE, START, LENGTH, AMOUNT, CLOSE = range(5)
LANE_KINDS, KIND_OF = [0, 1 + START, 1 + LENGTH], [0, 0, 1, 2, 0, 0]


@dataclass(frozen=True, slots=True, eq=False)
class Window:
    """Readings of one stroke: times from its start (s), pressures (kPa), their standard
    deviation; the top of the stroke before (kPa)."""

    stroke: Stroke
    top_before: float
    t: FloatArray
    p: FloatArray
    sd: float
    base: float
    grid: FloatArray
    lower: IntArray
    share: FloatArray

    def read(self, p: FloatArray) -> FloatArray:
        """Pressures ``p`` (steps + 1, lanes, points) at the times of the readings (lanes, points, readings)."""
        at = np.ascontiguousarray(p.transpose(1, 2, 0))
        before, out = at.take(self.lower, axis=-1), at.take(self.lower + 1, axis=-1)
        out -= before
        out *= self.share
        out += before
        return out


def window(
    x: Prepared, strokes: Sequence[Stroke], j: int, end_s: float, r: Response
) -> Window | None:
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
    return Window(s, strokes[j - 1].top_kpa if j else -math.inf, t, p, sd, base, grid, lower, at - lower)


@dataclass(slots=True, eq=False)
class Grid:
    """Points of opening and gain, and for each point and stroke what suits the stroke best there.

    p_open, log_k: (points,); own: (5, points, strokes): base, start, log length, amount, closing;
    warm (points, strokes); cost (points,): half the sum of squares. The valve is left out where
    p_open is NEVER. parts (points, strokes): what each stroke has of the cost.
    """

    p_open: FloatArray
    log_k: FloatArray
    own: FloatArray
    warm: FloatArray
    cost: FloatArray
    parts: FloatArray

    def best(self, n: int) -> Grid:
        """The n points of the lowest cost."""
        k = np.sort(np.argsort(self.cost, kind="stable")[:n])
        return Grid(self.p_open[k], self.log_k[k], self.own[:, k], self.warm[k], self.cost[k],
                     self.parts[k])


    def or_better(self, other: Grid) -> Grid:
        """Of two at the same openings and gains, point by point the one of the lower cost."""
        take = other.cost < self.cost
        return Grid(self.p_open, self.log_k, np.where(take[:, None], other.own, self.own),
                     np.where(take[:, None], other.warm, self.warm), np.where(take, other.cost, self.cost),
                     np.where(take[:, None], other.parts, self.parts))


class MetStrokes:
    """The strokes that meet the valve, and what is known beforehand of each."""

    def __init__(
        self, windows: Sequence[Window], r: Response, *, may_ease: bool, shuts: tuple[float, float] | None = None,
        seat: tuple[float, float] | None = None,
    ) -> None:
        self.windows, self.r, self.may_ease = windows, r, may_ease
        self.grids = np.stack([w.grid for w in windows], axis=1)
        self.top = max(float(np.max(w.p)) for w in windows)
        self.after = np.array([float(np.mean(w.p[-max(len(w.p) // 6, 1) :])) for w in windows])
        starts = np.array([w.stroke.start_s + w.grid[0] for w in windows])
        ends = np.array([w.stroke.start_s + w.grid[-1] for w in windows])
        self.decay = np.exp(-(starts[1:] - ends[:-1]) / r.tau_s)
        base = np.array([w.base for w in windows])
        m = len(windows)
        self.piston = Piston.of(r.w, r.v, r.held, base, np.clip(self.top - base, 0.0, r.amount_kpa), r.outside_kpa)
        self.mean = np.stack([base, np.full(m, r.lead_s), np.full(m, math.log(r.length_s)),
                              np.full(m, r.amount_kpa), self.after])  # fmt: skip
        self.sd = np.array([3.0, 0.06, r.length_spread, r.amount_spread * r.amount_kpa, 0.05 * self.top + 1.0])
        if shuts is None and seat is not None and float(self.after.max()) - seat[0] > self.sd[CLOSE]:
            shuts = seat  # it had not shut yet where a stroke was last looked at
        if shuts is not None:
            self.mean[CLOSE], self.sd[CLOSE] = shuts
        eased = np.array([1.0, 1.0, EASED_SPREAD / r.length_spread, EASED_SPREAD / r.amount_spread, 1.0])
        self.eased_sd = self.sd * np.maximum(eased, 1.0)
        self.eased_cost = float(np.sum(np.log(self.eased_sd / self.sd))) - math.log(EASED_SHARE)
        self.low = np.array([-1e3, r.lead_s - 0.3, math.log(0.05), 0.02 * r.amount_kpa, -1e3])
        self.high = np.array([1e4, r.lead_s + 0.4, math.log(1.6), 2.5 * r.amount_kpa, 1e4])
        self.some = np.zeros(m, bool)
        # the first stroke finds it shut
        self.top_before = np.array([-math.inf, *(w.top_before for w in windows[1:])])

    def left_open(self, p_open: FloatArray) -> FloatArray:
        """By how much the stroke before each went above the opening (points, strokes): such a lift friction holds."""
        return np.asarray(np.maximum(self.top_before - p_open[:, None], 0.0))

    def run(
        self, g: Grid, own: FloatArray, law: Law, *, moved: bool = False
    ) -> tuple[FloatArray, FloatArray]:
        """Pressures (steps + 1, lanes, points, strokes) for own (5, lanes, points, strokes), and warmth at the end.
        moved: each lane but the first has one number of its own, in their order."""
        _, lanes, points, m = own.shape
        flat = own.reshape(5, -1)
        # air comes in alike in all lanes but those of another start or length
        kinds, kind_of = (LANE_KINDS, KIND_OF) if moved else ([0], [0] * lanes)

        def each(values: NDArray[_T]) -> NDArray[_T]:
            return np.asarray(np.broadcast_to(values, (lanes, points, m)).reshape(-1))

        at = self.grids[:, None, None, :]
        x = (at - own[START][kinds]) * np.exp(-own[LENGTH][kinds])
        feed = flat[AMOUNT] * self.piston.inflow(x)[:, kind_of].reshape(len(at), -1)
        p_open = each(g.p_open[:, None])
        close = np.minimum(flat[CLOSE], p_open)
        q = Lanes(feed, each(self.grids[1] - self.grids[0]), flat[BASE], each(g.warm), p_open,
                  each(np.exp(g.log_k)[:, None]), np.minimum(p_open - close, 1e3), each(self.found_ajar(law)),
                  each(self.left_open(g.p_open)))  # fmt: skip
        p, c = run_valves(q, self.r, pop=POP[law], full=law in SNAPS, lag_s=LAGS_S.get(law))
        return p.reshape(len(self.grids), lanes, points, m), c.reshape(lanes, points, m)

    def found_ajar(self, law: Law) -> NDArray[np.bool_]:
        """Which strokes (strokes,) find the valve ajar."""
        return self.some if law == "some ajar" else (np.arange(len(self.windows)) > 0) & (law == "ajar")


    def improve(self, g: Grid, times: int, law: Law) -> None:
        """Least squares for each point and stroke, linearised anew each time; then the cost."""
        step = np.array([0.02, 0.002, 0.01, 0.002 * self.r.amount_kpa, -0.02])
        limit = np.array([2.0, 0.05, 0.4, 0.4 * self.r.amount_kpa, 2.0])[:, None, None]
        shut = ~(g.p_open < NEVER)
        highest = np.where(shut, 1e4, g.p_open)[:, None]
        low, high = self.low[:, None, None], self.high[:, None, None]
        for _ in range(times):
            moved = np.repeat(g.own[:, None], 6, axis=1)
            for i in range(5):
                moved[i, i + 1] += step[i]
            p = self._go(g, moved, law, moved=True)
            sd, _ = self.spread(off := self.mean[:, None] - g.own, shut)
            holds = 1.0 / sd**2  # (5, points, strokes)
            right = (off * holds).transpose(1, 2, 0)
            normal = np.eye(5) * holds.transpose(1, 2, 0)[..., None, :]
            for m, w in enumerate(self.windows):
                at = w.read(p[..., m])  # (6, points, readings)
                miss = (w.p - at[0]) / w.sd
                weight = np.minimum(1.0, FAR / np.maximum(np.abs(miss), 1e-9))
                slope = (at[1:] - at[0]) * (1.0 / (step * w.sd))[:, None, None]
                left, slope = (slope * weight).transpose(1, 0, 2), slope.transpose(1, 2, 0)
                normal[:, m] += left @ slope
                right[:, m] += (left @ miss[:, :, None])[:, :, 0]
            change = np.linalg.solve(normal, right[..., None])[..., 0].transpose(2, 0, 1)
            g.own += np.minimum(np.maximum(change, -limit), limit)
            np.minimum(np.maximum(g.own, low, out=g.own), high, out=g.own)
            g.own[CLOSE] = np.minimum(g.own[CLOSE], highest)
        self._weigh(g, shut, law)

    def _go(self, g: Grid, own: FloatArray, law: Law, *, moved: bool = False) -> FloatArray:
        """Pressures as by ``run``; each stroke's warmth is left to the next one."""
        p, c = self.run(g, own, law, moved=moved)
        g.warm[:, 1:] = c[0, :, :-1] * self.decay
        return p

    def _weigh(self, g: Grid, shut: NDArray[np.bool_], law: Law) -> None:
        """The cost of each point, and of each stroke at each point."""
        p = self._go(g, g.own[:, None], law)
        off = self.mean[:, None] - g.own
        sd, eased = self.spread(off, shut)
        g.parts = 0.5 * np.sum((off / sd) ** 2, axis=0) + eased
        for m, w in enumerate(self.windows):
            size = np.abs(w.p - w.read(p[..., m])[0]) / w.sd
            # quadratic near, linear far out: a knock does not decide
            g.parts[:, m] += np.where(size < FAR, 0.5 * size**2, FAR * (size - 0.5 * FAR)).sum(axis=1)
        gap = np.where(shut, 0.0, g.p_open - g.own[CLOSE, :, -1])
        scale = GAP_SHARE * max(self.top, 0.0) + 0.2
        log_k = np.where(shut, 0.0, (g.log_k - LOG_K_PRIOR[0]) / LOG_K_PRIOR[1])
        # a valve that is shut is so below its opening
        is_open = self.found_ajar(law) | (self.left_open(g.p_open) > 0.0)
        above = np.where(is_open, 0.0, np.maximum(g.own[BASE] - g.p_open[:, None], 0.0))
        rests = 0.5 * np.sum((above / [w.sd for w in self.windows]) ** 2, axis=1)
        held = gap / scale
        if law in SNAPS:  # one that is wholly open at once has to fall back some way before it shuts
            held = 0.5 * (np.log(np.maximum(gap, 1e-3) / scale) / SNAPS_SPREAD) ** 2
        g.cost = g.parts.sum(axis=1) + 0.5 * log_k**2 + held + rests

    def spread(self, off: FloatArray, shut: NDArray[np.bool_]) -> tuple[FloatArray, FloatArray]:
        """Prior standard deviations (5, points, strokes) of strokes that are ``off`` the usual one, by whichever of
        full and eased makes each likelier, and what being an eased one costs (points, strokes). On a closed valve
        (``shut``, points) it costs nothing, and the amount is Student's t about the usual: what looks like one very
        weak stroke may be none."""
        shut = shut[:, None]
        eased = shut | (self.may_ease & self.like_eased(off))
        sd = np.where(eased, self.if_eased(off), self.sd[:, None, None])
        z2 = (off[AMOUNT] / self.eased_sd[AMOUNT]) ** 2
        sd[AMOUNT] = np.where(shut, self.eased_sd[AMOUNT] * np.sqrt((T_FREE + z2) / (T_FREE + 1.0)), sd[AMOUNT])
        # beyond the normal term of that sd
        tail = (T_FREE + 1.0) / 2.0 * (np.log1p(z2 / T_FREE) - z2 / (T_FREE + z2))
        return sd, np.where(shut, tail, np.where(eased, self.eased_cost, 0.0))

    def if_eased(self, off: FloatArray) -> FloatArray:
        """Prior standard deviations (5, points, strokes) of eased strokes: they bring less than full ones, never
        more."""
        sd = np.empty_like(off)
        sd[:] = self.eased_sd[:, None, None]
        sd[AMOUNT] = np.where(off[AMOUNT] > 0.0, self.eased_sd[AMOUNT], self.sd[AMOUNT])
        return sd

    def like_eased(self, off: FloatArray) -> NDArray[np.bool_]:
        """Whether strokes ``off`` (5, points, strokes) the usual one are likelier eased ones than full ones."""
        full = 0.5 * np.sum((off / self.sd[:, None, None]) ** 2, axis=0)
        some = 0.5 * np.sum((off / self.if_eased(off)) ** 2, axis=0) + self.eased_cost
        return np.asarray(some < full)

    def eased(self, g: Grid) -> bool:
        """Whether at the best point some stroke is likelier an eased one than a full one."""
        return bool(self.like_eased(self.mean[:, None] - g.best(1).own).any())

    def sort(self, shut: Grid, ajar: Grid) -> bool:
        """Tell the strokes that found the valve ajar from those that found it shut, by which law explains each;
        whether there are both."""
        each = [g.parts[int(np.argmin(g.cost))] for g in (shut, ajar)]
        self.some = (each[1] < each[0]) & (np.arange(len(self.windows)) > 0)
        return 0 < int(np.count_nonzero(self.some)) < len(self.windows) - 1

    def first_grid(self, law: Law) -> Grid:
        """Opening and gain laid out widely, improved once. Where a stroke looks weak, it is begun with as a full one
        and as it looks: from one of them the other is not found, since a valve opens or it does not."""
        low = float(self.after.min())
        opens = low + np.array([-0.05, 0.1, 0.25, 0.4, 0.55, 0.68, 0.79, 0.87, 0.94, 1.0]) * (self.top - low)
        gains = [4.0, 11.0, 30.0, 80.0] if law in SNAPS else [1.3, 4.0, 11.0, 30.0, 80.0]
        p_open, log_k = np.meshgrid(opens, np.log(gains), indexing="ij")
        weak = (seen := self.seen())[AMOUNT] < WEAK * self.r.amount_kpa
        found = []
        for as_seen in (False, True) if weak.any() else (False,):
            begin = np.where(weak, seen, self.mean) if as_seen else self.mean
            g = self.points(p_open.ravel(), log_k.ravel(), np.repeat(begin[:, None, :], p_open.size, axis=1))
            g.own[CLOSE] = np.minimum(g.own[CLOSE], g.p_open[:, None])
            self.improve(g, 1, law)
            found.append(g)
        return found[0] if len(found) == 1 else found[0].or_better(found[1])

    def seen(self) -> FloatArray:
        """What each stroke looks like (5, strokes) where all of it stays in."""
        out = self.mean.copy()
        length = np.array([min(max(w.stroke.end_s - w.stroke.start_s - 0.12, 0.1), 1.4) for w in self.windows])
        out[LENGTH] = np.log(np.minimum(length / (1.0 - self.piston.begins), 1.5))
        out[AMOUNT] = [max(w.stroke.rise_kpa / 1.1, 0.05 * self.r.amount_kpa) for w in self.windows]
        return out

    def closed(self) -> Grid:
        """Points without a valve: each stroke as it looks, usual or as long as it looks, or slower."""
        seen = self.seen()
        lengths = np.stack([self.mean[LENGTH], seen[LENGTH], self.mean[LENGTH] + 0.4])
        own = np.repeat(self.mean[:, None], len(lengths), axis=1)
        own[LENGTH] = lengths
        own[AMOUNT] = seen[AMOUNT]
        return self.points(np.full(len(lengths), NEVER), np.zeros(len(lengths)), own)

    def points(self, p_open: FloatArray, log_k: FloatArray, own: FloatArray) -> Grid:
        """A grid of points that nothing is known of yet but what the strokes before left warm."""
        warm = np.zeros(own.shape[1:])
        warm[:, 0] = self.r.warm_kpa
        return Grid(p_open, log_k, own, warm, np.zeros(len(p_open)), np.zeros_like(warm))

    def finer(self, g: Grid, chi: float) -> Grid:
        """A grid along the axes of what the last one found likely."""
        weight = weights(g.cost, chi)
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
        return Grid(p_open, np.clip(new[1], LOG_K_LEAST, 6.5), own, g.warm[near].copy(), np.zeros(u.size),
                     g.parts[near].copy())


def weights(cost: FloatArray, chi: float) -> FloatArray:
    weight = np.exp(-(cost - cost.min()) / chi)
    return np.asarray(weight / weight.sum())
