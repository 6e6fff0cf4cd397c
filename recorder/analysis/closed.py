"""How strokes raise the pressure of a closed space: the response that a relieving valve departs
from.

A stroke of length d brings the air n (kPa once it has cooled) along the flow 1 - w cos(2 pi x) + v
sin(2 pi x), x = (t - s)/d: from a steady push (w = 0) to one that begins and ends softly (w = 1),
early or late (v). The gas is warmed while it is compressed: p = q + a c, q' = inflow, c' = inflow -
c/tau; a is at most gamma - 1 = 0.4 for air.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.signal import Prepared
from recorder.analysis.stroke import Stroke

if TYPE_CHECKING:
    from recorder.model import FloatArray

__all__ = ["Response", "closed_response", "inflow"]

# Weak prior knowledge (mean, standard deviation): soft ends, no skew, part of the adiabatic
# warming, a second or two
W_PRIOR, V_PRIOR, A_PRIOR, LOG_TAU_PRIOR = (0.7, 0.4), (0.0, 0.25), (0.25, 0.15), (math.log(1.5), 0.9)
LENGTH_SPREAD, AMOUNT_SPREAD = 0.2, 0.1  # of the logarithm of a stroke's length, of its amount, among full strokes
MOST_POINTS = 300
USED = 4  # strokes before: enough to know the hand, few enough that pressure has not changed it


@dataclass(frozen=True, slots=True)
class Response:
    """What strokes on the closed valve are like. amount_kpa and length_s with their relative
    spreads; lead_s: from where a stroke was seen to begin to where its air begins; warm_kpa: the
    state c at the start of the next stroke; fall_kpa_per_s: steady fall; miss_kpa: what the model
    leaves unexplained beyond noise."""

    w: float
    v: float
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


def inflow(x: FloatArray, w: FloatArray | float, v: FloatArray | float) -> FloatArray:
    """Share of a stroke's air that is in at x = (t - s)/d."""
    angle = 2.0 * math.pi * np.clip(x, 0.0, 1.0)
    rest = (v * (1.0 - np.cos(angle)) - w * np.sin(angle)) / (2.0 * math.pi)
    return np.asarray(np.clip(x, 0.0, 1.0) + rest)


def _warmth(t: FloatArray, d: FloatArray, w: float, v: float, tau: float) -> FloatArray:
    """The state c per unit of air at ``t`` s after the start of a stroke of length ``d`` s."""
    on = np.clip(t, 0.0, d)
    turn = 2.0 * math.pi / d
    k = turn * tau
    gone = np.exp(-on / tau)
    angle = turn * on
    cos, sin = np.cos(angle), np.sin(angle)
    c = 1.0 - gone - (w * (cos + k * sin - gone) - v * (sin - k * cos + k * gone)) / (1.0 + k * k)
    return np.asarray(c * tau / d * np.exp(-np.maximum(t - d, 0.0) / tau))


def _default(strokes: Sequence[Stroke], k: int) -> Response:
    """Where no stroke came before: the stroke itself says little more than how large it is."""
    s = strokes[k]
    length = min(max(s.end_s - s.start_s - 0.12, 0.1), 0.8)
    return Response(
        W_PRIOR[0], 0.0, A_PRIOR[0], math.exp(LOG_TAU_PRIOR[0]), 1.1 * s.rise_kpa, 0.4, length, 0.4,
        0.05, 0.0, 0.0, 0.02 * s.rise_kpa,
    )  # fmt: skip


def closed_response(x: Prepared, strokes: Sequence[Stroke], k: int) -> Response:
    """The response from the strokes before stroke ``k``."""
    used = [s for s in strokes[max(k - USED, 0) : k] if s.rise_kpa > 0.3]
    if not used:
        return _default(strokes, k)
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
        return _default(strokes, k)
    mid = np.array([(s.start_s + s.end_s) / 2 - lo for s in used])
    length0 = np.clip(np.array([s.end_s - s.start_s for s in used]) - 0.12, 0.12, 0.9)
    rise = np.array([s.rise_kpa for s in used])
    start = np.concatenate(
        [[W_PRIOR[0], 0.0, A_PRIOR[0], LOG_TAU_PRIOR[0], 0.0, used[0].base_kpa, 0.0],
         mid - length0 / 2, np.log(length0), rise / 1.15]
    )  # fmt: skip
    low = np.concatenate([[0.0, -0.6, 0.0, math.log(0.15), -2.0, -1e3, -50.0], mid - 1.0,
                          np.full(m, math.log(0.06)), 0.1 * rise])  # fmt: skip
    high = np.concatenate([[1.0, 0.6, 0.45, math.log(12.0), 5.0, 1e3, 50.0], mid + 0.5,
                           np.full(m, math.log(1.4)), 2.0 * rise])  # fmt: skip
    start = np.clip(start, low + 1e-6, high - 1e-6)
    size = float(np.median(rise))

    def parts(
        w: float, v: float, tau: float, s: FloatArray, d: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        after = t[None, :] - s[:, None]
        return inflow(after / d[:, None], w, v), _warmth(after, d[:, None], w, v, tau)

    def priors(q: FloatArray) -> FloatArray:
        d, n = q[7 + m : 7 + 2 * m], q[7 + 2 * m :]
        return np.concatenate(
            [[(q[0] - W_PRIOR[0]) / W_PRIOR[1], (q[1] - V_PRIOR[0]) / V_PRIOR[1],
              (q[2] - A_PRIOR[0]) / A_PRIOR[1], (q[3] - LOG_TAU_PRIOR[0]) / LOG_TAU_PRIOR[1],
              q[4] / 1.0, q[6] / (0.5 * size + 0.1)],
             (d - d.mean()) / LENGTH_SPREAD, (n / n.mean() - 1.0) / AMOUNT_SPREAD]
        )  # fmt: skip

    def model(q: FloatArray) -> FloatArray:
        a, tau = q[2], math.exp(q[3])
        air, warm = parts(q[0], q[1], tau, q[7 : 7 + m], np.exp(q[7 + m : 7 + 2 * m]))
        n = q[7 + 2 * m :]
        return np.asarray(q[5] - q[4] * t + a * q[6] * np.exp(-t / tau) + n @ (air + a * warm))

    def miss(q: FloatArray) -> FloatArray:
        return np.concatenate([(model(q) - p) / sd, priors(q)])

    def slopes(q: FloatArray) -> FloatArray:
        """Jacobian; a stroke's own start and length move nothing but its own column."""
        a, tau, n = q[2], math.exp(q[3]), q[7 + 2 * m :]
        s, d = q[7 : 7 + m], np.exp(q[7 + m : 7 + 2 * m])
        air, warm = parts(q[0], q[1], tau, s, d)
        own = air + a * warm
        out = np.empty((len(t), 7 + 3 * m))
        h = 1e-5
        for i, (dw, dv, dl) in enumerate(((h, 0.0, 0.0), (0.0, h, 0.0), (0.0, 0.0, h))):
            air2, warm2 = parts(q[0] + dw, q[1] + dv, tau * math.exp(dl), s, d)
            column = n @ (air2 + a * warm2 - own) / h
            if i == 2:
                column += a * q[6] * np.exp(-t / tau) * t / tau
            out[:, (0, 1, 3)[i]] = column
        gone = np.exp(-t / tau)
        out[:, 2] = q[6] * gone + n @ warm
        out[:, 4], out[:, 5], out[:, 6] = -t, 1.0, a * gone
        air2, warm2 = parts(q[0], q[1], tau, s + h, d)
        out[:, 7 : 7 + m] = (n[:, None] * (air2 + a * warm2 - own)).T / h
        air2, warm2 = parts(q[0], q[1], tau, s, d * math.exp(h))
        out[:, 7 + m : 7 + 2 * m] = (n[:, None] * (air2 + a * warm2 - own)).T / h
        out[:, 7 + 2 * m :] = own.T
        head = np.zeros((6 + 2 * m, 7 + 3 * m))
        for row, (col, spread) in enumerate(
            ((0, W_PRIOR[1]), (1, V_PRIOR[1]), (2, A_PRIOR[1]), (3, LOG_TAU_PRIOR[1]), (4, 1.0),
             (6, 0.5 * size + 0.1))
        ):  # fmt: skip
            head[row, col] = 1.0 / spread
        head[6 : 6 + m, 7 + m : 7 + 2 * m] = (np.eye(m) - 1.0 / m) / LENGTH_SPREAD
        head[6 + m :, 7 + 2 * m :] = (np.eye(m) / n.mean() - n[:, None] / n.mean() ** 2 / m) / AMOUNT_SPREAD
        return np.concatenate([out / sd, head])

    from scipy import optimize  # slow to load, and only a cap's strokes need it

    scale = np.concatenate([[0.3, 0.2, 0.1, 0.5, 0.3, 0.5, 1.0], np.full(m, 0.03), np.full(m, 0.15), 0.05 * rise])

    fit = optimize.least_squares(
        miss, start, slopes, bounds=(low, high), x_scale=scale, loss="soft_l1", f_scale=3.0,
        max_nfev=15, ftol=3e-4, xtol=1e-4,
    )  # fmt: skip
    q = fit.x
    tau = math.exp(q[3])
    s, d, n = q[7 : 7 + m], np.exp(q[7 + m : 7 + 2 * m]), q[7 + 2 * m :]
    end = np.array([hi - lo])
    warm = float(n @ _warmth(end[None, :] - s[:, None], d[:, None], q[0], q[1], tau)[:, 0])
    # what is left unexplained shows while the air goes in and just after, not in the pauses
    busy = ((t[None, :] > s[:, None]) & (t[None, :] < s[:, None] + d[:, None] + 0.15)).any(axis=0)
    left = np.clip(np.abs(model(q) - p), 0.0, 6.0 * sd + 0.1 * float(n.mean()))
    spread = math.sqrt(float(np.mean(left[busy] ** 2))) if busy.any() else sd
    near = n[-3:]
    few = 1.0 / math.sqrt(m)
    return Response(
        float(q[0]),
        float(q[1]),
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
    )
