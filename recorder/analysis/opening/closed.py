"""How strokes raise the pressure of a closed space: the response that a relieving valve departs
from.

A stroke (``piston``) brings the air n (kPa once it has cooled). The gas is warmed while it is compressed: p = q + a c,
q' = inflow, c' = inflow - c/tau; a is at most gamma - 1 = 0.4 for air.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.opening.piston import Piston
from recorder.analysis.strokes import Stroke
from recorder.analysis.trace.filters import median
from recorder.analysis.trace.signal import Prepared

if TYPE_CHECKING:
    from recorder.model import FloatArray

__all__ = ["Response", "closed_response"]

# where no source is named beside a number: common practice, no source
# Weak prior knowledge (mean, standard deviation): soft ends, no skew, part of the adiabatic
# warming, a second or two
W_PRIOR, V_PRIOR, A_PRIOR, LOG_TAU_PRIOR = (0.7, 0.4), (0.0, 0.25), (0.25, 0.15), (math.log(1.5), 0.9)
HELD_PRIOR = (0.7, 0.4)  # 1: a piston that leaks nothing back; a little more where it has dead space
HELD_MOST = 1.15
FALL_SPREAD = 1.0  # kPa/s
LENGTH_SPREAD, AMOUNT_SPREAD = 0.2, 0.1  # of the logarithm of a stroke's length, of its amount, among full strokes
MOST_POINTS = 300
USED = 4  # strokes before: enough to know the hand, few enough that pressure has not changed it
FEWEST = 4  # readings, beyond three a stroke
SEEN_KPA = 0.3  # a stroke that rises less is none to learn from
TRAIL_S = 0.12  # by which a stroke looks longer than it is: smoothing and the heat's dying away
H = 1e-5  # of a slope taken by difference
W, V, A, LOG_TAU, FALL, BASE, WARM, HELD = range(8)  # of the numbers that are fitted; then start, log length, amount
ALL = 8  # numbers that belong to all strokes


@dataclass(frozen=True, slots=True, eq=False)
class Response:
    """What strokes on the closed valve are like. amount_kpa and length_s with their relative
    spreads; lead_s: from where a stroke was seen to begin to where its air begins; warm_kpa: the
    state c at the start of the next stroke; fall_kpa_per_s: steady fall; miss_kpa: what the model
    leaves unexplained beyond noise; outside_kpa: the air outside, absolute."""

    w: float
    v: float
    held: float
    warming: float
    tau_s: float
    amount_kpa: float
    amount_spread: float
    length_s: float
    length_spread: float
    lead_s: float
    warm_kpa: float
    fall_kpa_per_s: float
    miss_kpa: float
    outside_kpa: float


def _default(strokes: Sequence[Stroke], k: int, outside_kpa: float) -> Response:
    """Where no stroke came before: the stroke itself says little more than how large it is."""
    s = strokes[k]
    length = min(max(s.end_s - s.start_s - TRAIL_S, 0.1), 0.8)
    return Response(
        W_PRIOR[0], 0.0, HELD_PRIOR[0], A_PRIOR[0], math.exp(LOG_TAU_PRIOR[0]), 1.1 * s.rise_kpa, 0.4, length, 0.4,
        0.05, 0.0, 0.0, 0.02 * s.rise_kpa, outside_kpa,
    )  # fmt: skip


def closed_response(x: Prepared, strokes: Sequence[Stroke], k: int, outside_kpa: float) -> Response:
    """The response from the strokes before stroke ``k``, of air of ``outside_kpa``."""
    used = [s for s in strokes[max(k - USED, 0) : k] if s.rise_kpa > SEEN_KPA]
    if not used:
        return _default(strokes, k, outside_kpa)
    lo, hi = used[0].start_s - 0.2, strokes[k].start_s - 0.02
    pick = np.flatnonzero((x.t >= lo) & (x.t <= hi))
    t, p = x.t[pick] - lo, x.p[pick]
    every = max(math.ceil(len(t) / MOST_POINTS), 1)
    if every > 1:  # averages of neighbours: a stroke takes many of them
        whole = len(t) // every * every
        t, p = (q[:whole].reshape(-1, every).mean(axis=1) for q in (t, p))
    if len(t) < 3 * len(used) + FEWEST:
        return _default(strokes, k, outside_kpa)
    fit = _Closed(t, p, x.sd_kpa / math.sqrt(every), used, lo, outside_kpa)
    return fit.response(fit.solved(), hi - lo)


class _Closed:
    """Readings ``p`` (kPa) at ``t`` (s from ``lo_s``) that the strokes ``used`` alone made, sd their standard
    deviation; and the numbers ``q`` (8 + 3 strokes) that are fitted to them: w, v, a, log tau, steady fall, base,
    warmth at the start, held; then of each stroke its start (s), logarithm of its length, amount (kPa)."""

    def __init__(
        self, t: FloatArray, p: FloatArray, sd: float, used: Sequence[Stroke], lo_s: float, outside_kpa: float
    ) -> None:
        self.t, self.p, self.sd, self.outside = t, p, sd, outside_kpa
        self.m = m = len(used)
        self.base, self.rise = np.array([s.base_kpa for s in used]), np.array([s.rise_kpa for s in used])
        self.seen_s = np.array([s.start_s - lo_s for s in used])
        self.mid = np.array([(s.start_s + s.end_s) / 2 - lo_s for s in used])
        self.length = np.clip(np.array([s.end_s - s.start_s for s in used]) - TRAIL_S, 0.12, 0.9)
        self.starts, self.lengths = slice(ALL, ALL + m), slice(ALL + m, ALL + 2 * m)
        self.amounts = slice(ALL + 2 * m, ALL + 3 * m)
        # of those that all strokes share, which have a prior, its middle and its spread
        size = median(self.rise)
        self.prior = ((W, *W_PRIOR), (V, *V_PRIOR), (A, *A_PRIOR), (LOG_TAU, *LOG_TAU_PRIOR), (FALL, 0.0, FALL_SPREAD),
                      (WARM, 0.0, 0.5 * size + 0.1), (HELD, *HELD_PRIOR))  # fmt: skip

    def solved(self) -> FloatArray:
        """The numbers that suit the readings best; far ones count less (soft L1)."""
        from scipy import optimize  # slow to load, and only a cap's strokes need it

        m, rise = self.m, self.rise
        usual = Piston.of(W_PRIOR[0], 0.0, HELD_PRIOR[0], self.base, rise, self.outside)
        start = np.concatenate(
            [[W_PRIOR[0], 0.0, A_PRIOR[0], LOG_TAU_PRIOR[0], 0.0, self.base[0], 0.0, HELD_PRIOR[0]],
             self.mid - self.length / 2, np.log(self.length / (1.0 - usual.begins)), rise / 1.15]
        )  # fmt: skip
        low = np.concatenate([[0.0, -0.6, 0.0, math.log(0.15), -2.0, -1e3, -50.0, 0.0], self.mid - 1.0,
                              np.full(m, math.log(0.06)), 0.1 * rise])  # fmt: skip
        high = np.concatenate([[1.0, 0.6, 0.45, math.log(12.0), 5.0, 1e3, 50.0, HELD_MOST], self.mid + 0.5,
                               np.full(m, math.log(1.6)), 2.0 * rise])  # fmt: skip
        scale = np.concatenate([[0.3, 0.2, 0.1, 0.5, 0.3, 0.5, 1.0, 0.3], np.full(m, 0.03), np.full(m, 0.15),
                                0.05 * rise])  # fmt: skip
        fit = optimize.least_squares(
            self.miss, np.clip(start, low + 1e-6, high - 1e-6), self.slopes, bounds=(low, high), x_scale=scale,
            loss="soft_l1", f_scale=3.0, max_nfev=40, ftol=3e-4, xtol=1e-4,
        )  # fmt: skip
        return np.asarray(fit.x)

    def piston(self, q: FloatArray, dw: float = 0.0, dv: float = 0.0, dheld: float = 0.0) -> Piston:
        return Piston.of(q[W] + dw, q[V] + dv, q[HELD] + dheld, self.base, self.rise, self.outside)

    def parts(self, piston: Piston, tau: float, s: FloatArray, d: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Each stroke's air and warmth (strokes, readings) per unit of air, for strokes that begin at s and last d."""
        after = self.t[None, :] - s[:, None]
        return piston.inflow((after / d[:, None]).T).T, piston.warmth(after, d, tau)

    def model(self, q: FloatArray) -> FloatArray:
        """Pressures (readings,)."""
        a, tau = q[A], math.exp(q[LOG_TAU])
        air, warm = self.parts(self.piston(q), tau, q[self.starts], np.exp(q[self.lengths]))
        return np.asarray(
            q[BASE] - q[FALL] * self.t + a * q[WARM] * np.exp(-self.t / tau) + q[self.amounts] @ (air + a * warm)
        )

    def miss(self, q: FloatArray) -> FloatArray:
        """Residuals in standard deviations: of the readings, of what is known of all, of what strokes have in common
        (lengths, amounts)."""
        d, n = q[self.lengths], q[self.amounts]
        known = [(q[i] - mean) / spread for i, mean, spread in self.prior]
        return np.concatenate([(self.model(q) - self.p) / self.sd, known, (d - d.mean()) / LENGTH_SPREAD,
                               (n / n.mean() - 1.0) / AMOUNT_SPREAD])  # fmt: skip

    def slopes(self, q: FloatArray) -> FloatArray:
        """Jacobian of ``miss``; a stroke's own start and length move nothing but its own column."""
        m, t = self.m, self.t
        a, tau, n = q[A], math.exp(q[LOG_TAU]), q[self.amounts]
        s, d = q[self.starts], np.exp(q[self.lengths])
        piston = self.piston(q)
        air, warm = self.parts(piston, tau, s, d)
        own = air + a * warm
        out = np.empty((len(t), len(q)))
        for i, moved in ((W, (H, 0.0, 0.0)), (V, (0.0, H, 0.0)), (HELD, (0.0, 0.0, H))):
            air2, warm2 = self.parts(self.piston(q, *moved), tau, s, d)
            out[:, i] = n @ (air2 + a * warm2 - own) / H
        gone = np.exp(-t / tau)
        warm2 = piston.warmth(t[None, :] - s[:, None], d, tau * math.exp(H))
        out[:, LOG_TAU] = n @ (air + a * warm2 - own) / H + a * q[WARM] * gone * t / tau
        out[:, A] = q[WARM] * gone + n @ warm
        out[:, FALL], out[:, BASE], out[:, WARM] = -t, 1.0, a * gone
        for columns, begin, last in ((self.starts, s + H, d), (self.lengths, s, d * math.exp(H))):
            air2, warm2 = self.parts(piston, tau, begin, last)
            out[:, columns] = (n[:, None] * (air2 + a * warm2 - own)).T / H
        out[:, self.amounts] = own.T
        known = np.zeros((len(self.prior) + 2 * m, len(q)))
        for row, (i, _, spread) in enumerate(self.prior):
            known[row, i] = 1.0 / spread
        lengths, amounts = known[-2 * m : -m], known[-m:]
        lengths[:, self.lengths] = (np.eye(m) - 1.0 / m) / LENGTH_SPREAD
        amounts[:, self.amounts] = (np.eye(m) / n.mean() - n[:, None] / n.mean() ** 2 / m) / AMOUNT_SPREAD
        return np.concatenate([out / self.sd, known])

    def response(self, q: FloatArray, end_s: float) -> Response:
        """What ``q`` says of the stroke that begins at ``end_s``."""
        m, t, sd, tau = self.m, self.t, self.sd, math.exp(q[LOG_TAU])
        s, d, n = q[self.starts], np.exp(q[self.lengths]), q[self.amounts]
        piston = self.piston(q)
        warm = float(n @ piston.warmth(np.array([end_s])[None, :] - s[:, None], d, tau)[:, 0])
        # what is left unexplained shows while the air goes in and just after, not in the pauses
        ends = s + d * (1.0 - piston.begins) + 0.15
        busy = ((t[None, :] > s[:, None]) & (t[None, :] < ends[:, None])).any(axis=0)
        left = np.clip(np.abs(self.model(q) - self.p), 0.0, 6.0 * sd + 0.1 * float(n.mean()))
        spread = math.sqrt(float(np.mean(left[busy] ** 2))) if busy.any() else sd
        near = n[-3:]
        few = 1.0 / math.sqrt(m)
        return Response(
            w=float(q[W]),
            v=float(q[V]),
            held=float(q[HELD]),
            warming=float(q[A]),
            tau_s=tau,
            amount_kpa=float(near.mean()),
            amount_spread=math.hypot(float(np.std(near) / near.mean()), 0.02 + 0.06 * few**2),
            length_s=float(np.exp(np.mean(np.log(d)))),
            length_spread=math.hypot(float(np.std(np.log(d))), 0.05 + 0.15 * few**2),
            lead_s=median(s - self.seen_s),
            warm_kpa=warm + float(q[WARM]) * math.exp(-end_s / tau),
            fall_kpa_per_s=float(q[FALL]),
            miss_kpa=math.sqrt(max(spread**2 - sd**2, 0.0)) + 0.004 * float(near.mean()),
            outside_kpa=self.outside,
        )
