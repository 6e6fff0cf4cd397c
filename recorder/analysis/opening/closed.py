"""How strokes raise the pressure of a closed space: the response that a relieving valve departs
from.

A stroke's piston takes the time d for its way; its speed is 1 - w cos(2 pi x) + v sin(2 pi x), x the part of d: from a
steady push (w = 0) to one that begins and ends softly (w = 1), early or late (v). It starts full of outside air, and
its check valve lets nothing through before that air has the pressure of the space: then the flow begins at once. With
the part s swept, the share 1 - (1 - s) R of its air is in, R = (p / outside)^(1/1.2); ``held`` is the part of R - 1
that is seen.
A stroke brings the air n (kPa once it has cooled). The gas is warmed while it is compressed: p = q + a c, q' = inflow,
c' = inflow - c/tau; a is at most gamma - 1 = 0.4 for air.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.strokes import Stroke
from recorder.analysis.trace.signal import Prepared

if TYPE_CHECKING:
    from recorder.model import FloatArray

__all__ = ["Piston", "Response", "closed_response"]

# where no source is named beside a number: common practice, no source
# Weak prior knowledge (mean, standard deviation): soft ends, no skew, part of the adiabatic
# warming, a second or two
W_PRIOR, V_PRIOR, A_PRIOR, LOG_TAU_PRIOR = (0.7, 0.4), (0.0, 0.25), (0.25, 0.15), (math.log(1.5), 0.9)
HELD_PRIOR = (0.7, 0.4)  # 1: a piston that leaks nothing back; a little more where it has dead space
HELD_MOST = 1.15
OUTSIDE_KPA, POLYTROPE = 101.325, 1.2  # a quick stroke in a warm barrel is between 1 and 1.4
WAY = np.linspace(0.0, 1.0, 49)  # of a stroke, for what is summed along it
LENGTH_SPREAD, AMOUNT_SPREAD = 0.2, 0.1  # of the logarithm of a stroke's length, of its amount, among full strokes
MOST_POINTS = 300
USED = 4  # strokes before: enough to know the hand, few enough that pressure has not changed it


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
    outside_kpa: float = OUTSIDE_KPA


@dataclass(frozen=True, slots=True, eq=False)
class Piston:
    """The air that strokes bring, each against a pressure of its own: w, v as above; first, more (strokes): R - 1 at
    the stroke's start, and by how much R is more at its end; begins (strokes): part of the way before air passes."""

    w: float
    v: float
    first: FloatArray
    more: FloatArray
    begins: FloatArray

    @classmethod
    def of(
        cls, w: float, v: float, held: float, base_kpa: FloatArray, rise_kpa: FloatArray,
        outside_kpa: float = OUTSIDE_KPA,
    ) -> Piston:
        """For strokes that raise the pressure from ``base_kpa`` by ``rise_kpa``, of air of ``outside_kpa``.
        With w^2 + v^2 above 1 a piston would go back on its way: such a pair is that at 1 of the same direction."""
        back = max(math.hypot(w, v), 1.0)
        w, v = w / back, v / back
        ratio = [np.maximum(1.0 + p / outside_kpa, 1.0) ** (1.0 / POLYTROPE) for p in (base_kpa, base_kpa + rise_kpa)]
        first, more = held * (ratio[0] - 1.0), held * (ratio[1] - ratio[0])
        return cls(w, v, first, more, np.interp(first / (1.0 + first), cls(w, v, first, more, first).swept(WAY), WAY))

    def swept(self, x: FloatArray) -> FloatArray:
        """Share of its way that the piston is at ``x``, 0 to 1."""
        angle = 2.0 * math.pi * x
        late, soft = np.cos(angle), np.sin(angle, out=angle)
        np.subtract(1.0, late, out=late)
        late *= self.v
        soft *= self.w
        late -= soft
        late /= 2.0 * math.pi
        late += x
        return late

    def inflow(self, x: FloatArray) -> FloatArray:
        """Share of a stroke's air (..., strokes) that is in at ``x``, (time since air passes) / length."""
        at = self.begins + np.maximum(x, 0.0)
        if x.ndim == 1:
            return self._in(np.minimum(at, 1.0))
        out = np.where(x > 0.0, self._in(np.ones(self.begins.shape)), self._in(self.begins))
        # most of the time no stroke is on its way
        on = np.flatnonzero(((x > 0.0) & (at < 1.0)).any(axis=tuple(range(1, x.ndim))))
        out[on] = self._in(np.minimum(at[on], 1.0))
        return out

    def _in(self, way: FloatArray) -> FloatArray:
        """Share of a stroke's air (..., strokes) that is in when ``way`` is the part of its time that is over."""
        left = 1.0 - self.swept(way)
        more = 1.0 + left * self.more
        left *= 1.0 + self.first
        np.subtract(1.0, left, out=left)
        np.maximum(left, 0.0, out=left)
        left /= more
        return left

    def warmth(self, t: FloatArray, length_s: FloatArray, tau_s: float) -> FloatArray:
        """The state c per unit of air, (strokes, times), at ``t`` (strokes, times) s after air passes."""
        on = (1.0 - self.begins) * length_s
        x = WAY[:, None] * on / tau_s
        step = np.diff(x, axis=0)
        # flow is steady from point to point; e^x stays below e^(1.6 / 0.15)
        part = np.diff(self.inflow(WAY[:, None] * (1.0 - self.begins)), axis=0)
        summed = np.cumsum(part * np.exp(x[:-1]) * np.expm1(step) / step, axis=0)
        c = np.concatenate([np.zeros((1, len(on))), summed]) * np.exp(-x)
        out = np.empty(t.shape)
        for i, after in enumerate(t):
            out[i] = np.interp(after, WAY * on[i], c[:, i]) * np.exp(-np.maximum(after - on[i], 0.0) / tau_s)
        return out


def _default(strokes: Sequence[Stroke], k: int, outside_kpa: float) -> Response:
    """Where no stroke came before: the stroke itself says little more than how large it is."""
    s = strokes[k]
    length = min(max(s.end_s - s.start_s - 0.12, 0.1), 0.8)
    return Response(
        W_PRIOR[0], 0.0, HELD_PRIOR[0], A_PRIOR[0], math.exp(LOG_TAU_PRIOR[0]), 1.1 * s.rise_kpa, 0.4, length, 0.4,
        0.05, 0.0, 0.0, 0.02 * s.rise_kpa, outside_kpa,
    )  # fmt: skip


def closed_response(
    x: Prepared, strokes: Sequence[Stroke], k: int, outside_kpa: float = OUTSIDE_KPA
) -> Response:
    """The response from the strokes before stroke ``k``, of air of ``outside_kpa``."""
    used = [s for s in strokes[max(k - USED, 0) : k] if s.rise_kpa > 0.3]
    if not used:
        return _default(strokes, k, outside_kpa)
    lo, hi = used[0].start_s - 0.2, strokes[k].start_s - 0.02
    pick = np.flatnonzero((x.t >= lo) & (x.t <= hi))
    t, p = x.t[pick] - lo, x.p[pick]
    every = max(math.ceil(len(t) / MOST_POINTS), 1)
    if every > 1:  # averages of neighbours: a stroke takes many of them
        whole = len(t) // every * every
        t, p = (q[:whole].reshape(-1, every).mean(axis=1) for q in (t, p))
    sd = x.sd_kpa / math.sqrt(every)
    m = len(used)
    if len(t) < 3 * m + 4:
        return _default(strokes, k, outside_kpa)
    mid = np.array([(s.start_s + s.end_s) / 2 - lo for s in used])
    length0 = np.clip(np.array([s.end_s - s.start_s for s in used]) - 0.12, 0.12, 0.9)
    rise = np.array([s.rise_kpa for s in used])
    base = np.array([s.base_kpa for s in used])
    usual = Piston.of(W_PRIOR[0], 0.0, HELD_PRIOR[0], base, rise, outside_kpa)
    start = np.concatenate(
        [[W_PRIOR[0], 0.0, A_PRIOR[0], LOG_TAU_PRIOR[0], 0.0, used[0].base_kpa, 0.0, HELD_PRIOR[0]],
         mid - length0 / 2, np.log(length0 / (1.0 - usual.begins)), rise / 1.15]
    )  # fmt: skip
    low = np.concatenate([[0.0, -0.6, 0.0, math.log(0.15), -2.0, -1e3, -50.0, 0.0], mid - 1.0,
                          np.full(m, math.log(0.06)), 0.1 * rise])  # fmt: skip
    high = np.concatenate([[1.0, 0.6, 0.45, math.log(12.0), 5.0, 1e3, 50.0, HELD_MOST], mid + 0.5,
                           np.full(m, math.log(1.6)), 2.0 * rise])  # fmt: skip
    start = np.clip(start, low + 1e-6, high - 1e-6)
    size = float(np.median(rise))

    def parts(piston: Piston, tau: float, s: FloatArray, d: FloatArray) -> tuple[FloatArray, FloatArray]:
        after = t[None, :] - s[:, None]
        return piston.inflow((after / d[:, None]).T).T, piston.warmth(after, d, tau)

    def priors(q: FloatArray) -> FloatArray:
        d, n = q[8 + m : 8 + 2 * m], q[8 + 2 * m :]
        return np.concatenate(
            [[(q[0] - W_PRIOR[0]) / W_PRIOR[1], (q[1] - V_PRIOR[0]) / V_PRIOR[1],
              (q[2] - A_PRIOR[0]) / A_PRIOR[1], (q[3] - LOG_TAU_PRIOR[0]) / LOG_TAU_PRIOR[1],
              q[4] / 1.0, q[6] / (0.5 * size + 0.1), (q[7] - HELD_PRIOR[0]) / HELD_PRIOR[1]],
             (d - d.mean()) / LENGTH_SPREAD, (n / n.mean() - 1.0) / AMOUNT_SPREAD]
        )  # fmt: skip

    def model(q: FloatArray) -> FloatArray:
        a, tau = q[2], math.exp(q[3])
        piston = Piston.of(q[0], q[1], q[7], base, rise, outside_kpa)
        air, warm = parts(piston, tau, q[8 : 8 + m], np.exp(q[8 + m : 8 + 2 * m]))
        n = q[8 + 2 * m :]
        return np.asarray(q[5] - q[4] * t + a * q[6] * np.exp(-t / tau) + n @ (air + a * warm))

    def miss(q: FloatArray) -> FloatArray:
        return np.concatenate([(model(q) - p) / sd, priors(q)])

    def slopes(q: FloatArray) -> FloatArray:
        """Jacobian; a stroke's own start and length move nothing but its own column."""
        a, tau, n = q[2], math.exp(q[3]), q[8 + 2 * m :]
        s, d = q[8 : 8 + m], np.exp(q[8 + m : 8 + 2 * m])
        piston = Piston.of(q[0], q[1], q[7], base, rise, outside_kpa)
        air, warm = parts(piston, tau, s, d)
        own = air + a * warm
        out = np.empty((len(t), 8 + 3 * m))
        h = 1e-5
        for i, (dw, dv, dc) in ((0, (h, 0.0, 0.0)), (1, (0.0, h, 0.0)), (7, (0.0, 0.0, h))):
            air2, warm2 = parts(Piston.of(q[0] + dw, q[1] + dv, q[7] + dc, base, rise, outside_kpa), tau, s, d)
            out[:, i] = n @ (air2 + a * warm2 - own) / h
        gone = np.exp(-t / tau)
        warm2 = piston.warmth(t[None, :] - s[:, None], d, tau * math.exp(h))
        out[:, 3] = n @ (air + a * warm2 - own) / h + a * q[6] * gone * t / tau
        out[:, 2] = q[6] * gone + n @ warm
        out[:, 4], out[:, 5], out[:, 6] = -t, 1.0, a * gone
        air2, warm2 = parts(piston, tau, s + h, d)
        out[:, 8 : 8 + m] = (n[:, None] * (air2 + a * warm2 - own)).T / h
        air2, warm2 = parts(piston, tau, s, d * math.exp(h))
        out[:, 8 + m : 8 + 2 * m] = (n[:, None] * (air2 + a * warm2 - own)).T / h
        out[:, 8 + 2 * m :] = own.T
        head = np.zeros((7 + 2 * m, 8 + 3 * m))
        for row, (col, spread) in enumerate(
            ((0, W_PRIOR[1]), (1, V_PRIOR[1]), (2, A_PRIOR[1]), (3, LOG_TAU_PRIOR[1]), (4, 1.0),
             (6, 0.5 * size + 0.1), (7, HELD_PRIOR[1]))
        ):  # fmt: skip
            head[row, col] = 1.0 / spread
        head[7 : 7 + m, 8 + m : 8 + 2 * m] = (np.eye(m) - 1.0 / m) / LENGTH_SPREAD
        head[7 + m :, 8 + 2 * m :] = (np.eye(m) / n.mean() - n[:, None] / n.mean() ** 2 / m) / AMOUNT_SPREAD
        return np.concatenate([out / sd, head])

    from scipy import optimize  # slow to load, and only a cap's strokes need it

    scale = np.concatenate([[0.3, 0.2, 0.1, 0.5, 0.3, 0.5, 1.0, 0.3], np.full(m, 0.03), np.full(m, 0.15), 0.05 * rise])

    fit = optimize.least_squares(
        miss, start, slopes, bounds=(low, high), x_scale=scale, loss="soft_l1", f_scale=3.0,
        max_nfev=40, ftol=3e-4, xtol=1e-4,
    )  # fmt: skip
    q = fit.x
    tau = math.exp(q[3])
    s, d, n = q[8 : 8 + m], np.exp(q[8 + m : 8 + 2 * m]), q[8 + 2 * m :]
    end = np.array([hi - lo])
    piston = Piston.of(q[0], q[1], q[7], base, rise, outside_kpa)
    warm = float(n @ piston.warmth(end[None, :] - s[:, None], d, tau)[:, 0])
    # what is left unexplained shows while the air goes in and just after, not in the pauses
    ends = s + d * (1.0 - piston.begins) + 0.15
    busy = ((t[None, :] > s[:, None]) & (t[None, :] < ends[:, None])).any(axis=0)
    left = np.clip(np.abs(model(q) - p), 0.0, 6.0 * sd + 0.1 * float(n.mean()))
    spread = math.sqrt(float(np.mean(left[busy] ** 2))) if busy.any() else sd
    near = n[-3:]
    few = 1.0 / math.sqrt(m)
    return Response(
        float(q[0]),
        float(q[1]),
        float(q[7]),
        float(q[2]),
        tau,
        float(near.mean()),
        math.hypot(float(np.std(near) / near.mean()), 0.02 + 0.06 * few**2),
        float(np.exp(np.mean(np.log(d)))),
        math.hypot(float(np.std(np.log(d))), 0.05 + 0.15 * few**2),
        float(np.median(s - np.array([u.start_s - lo for u in used]))),
        warm + float(q[6]) * math.exp(-(hi - lo) / tau),
        float(q[4]),
        math.sqrt(max(spread**2 - sd**2, 0.0)) + 0.004 * float(near.mean()),
        outside_kpa,
    )
