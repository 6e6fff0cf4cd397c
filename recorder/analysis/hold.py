"""The hold: a steady fall told from settling, with an uncertainty that carries what the trace cannot tell apart.

Model: p(t) = a - r g(t) + sum of A_i exp(-t / tau_i) + noise, with none to three exponentials. g is the shape of a
leak's fall (hold_laws), one a second on average. Level, rate and amplitudes are integrated in closed form (Gaussian
prior on the amplitudes); the time constants, the number of exponentials, the law and the noise are averaged by their
evidence (Hoeting et al. 1999, Statistical Science 14, 382): on a logarithmic grid, and by points drawn about the
optima that Gauss-Newton finds, weighted together (Owen & Zhou 2000, J. Am. Stat. Assoc. 95, 135).
Physics adds two signs: what settles slowly falls, and a leak gives no pressure back. Their sizes are flat in their
logarithm. Derivation in docs/physics.md.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.hold_bins import bin_hold, rounded_response
from recorder.analysis.hold_cases import Hold
from recorder.analysis.hold_laws import NEAR_LAW, Law, leak_shape
from recorder.analysis.hold_noise import Noise, NoiseFinder
from recorder.analysis.hold_posterior import SLOW_S, Points, Problem, lag_s, moments, posterior, top
from recorder.analysis.normal import normal_cdf

if TYPE_CHECKING:
    from collections.abc import Callable

    from recorder.model import FloatArray

__all__ = ["HoldFit", "fit_hold"]

# no law of a leak is truer than this share of the rate, and less so the more of the pressure goes; and no settling
# is quite a sum of exponentials: share of what settled
_LAW_SHARE, _LAW_FALL, _FORM_SHARE = 0.01, 0.02, 0.02
# where nearly all of it went: of the last stroke, what cooling air takes at most, 1 - 1/gamma; of the fall, what the
# hold's edges leave open, for when the rest was let go hardly shows (no source)
_COOLS, _EDGES = 0.29, 0.05
_STROKE_S = 0.6  # as near to each other as a hand makes strokes
_WEIGHS = 7.0  # log weight below the best: what is less likely does not show in the curve


@dataclass(frozen=True, slots=True, eq=False)
class HoldFit:
    """The fitted hold. Rate kPa/s (falling positive) with its standard uncertainty; pressures kPa at start and end;
    ``amplitude_kpa`` by which it settled in the hold, all but 1/e of it within ``tau_s``.

    ``cooling_s``, ``cooling_kpa``: time constant and size of the quick settling of the likeliest model (0 where none).
    ``slow_kpa``: slow settling still to come at the start, of mean time constant ``slow_s``. ``time_s``, ``curve_kpa``,
    ``curve_u`` draw the fit. ``rising``: the trace rises beyond doubt, which no leak does. ``leak_start_kpa_per_s``:
    the leak's rate at the start; it goes as p^n P^m (P absolute) with ``leak_n``, ``leak_m``."""

    rate_kpa_per_s: float
    rate_u: float
    start_kpa: float
    start_u: float
    end_kpa: float
    end_u: float
    drop_u: float
    amplitude_kpa: float
    amplitude_u: float
    tau_s: float
    tau_u: float
    cooling_s: float
    cooling_kpa: float
    slow_kpa: float
    slow_s: float
    time_s: FloatArray
    curve_kpa: FloatArray
    curve_u: FloatArray
    noise: Noise
    last_rise_kpa: float
    rising: bool
    leak_start_kpa_per_s: float
    leak_n: float
    leak_m: float


def _curve(t: FloatArray, shape: FloatArray, mean: FloatArray, theta: FloatArray) -> FloatArray:
    """Model at ``t`` without its middle."""
    out = mean[0] - mean[1] * shape
    for a, th in zip(mean[2:], theta, strict=True):
        out = out + a * np.exp(-t * math.exp(-th))
    return np.asarray(out)


def _rounding_noise(y: FloatArray, step: float, curve: FloatArray) -> float:
    """Noise before rounding (kPa) of the greatest likelihood."""
    sds = step * np.geomspace(0.03, 0.7, 14)
    take = slice(None, None, max(len(y) // 3000, 1))
    off = (curve - y)[take]
    logs = [
        float(
            np.log(
                np.maximum(
                    normal_cdf((0.5 * step - off) / s) - normal_cdf((-0.5 * step - off) / s),
                    1e-9,
                )
            ).sum()
        )
        for s in sds
    ]
    return float(sds[int(np.argmax(logs))])


def fit_hold(
    t: FloatArray,
    p: FloatArray,
    *,
    step_kpa: float,
    noise_kpa: float,
    last_rise_kpa: float,
    strokes: tuple[FloatArray, FloatArray] | None = None,
    quick: bool = False,
    whole: HoldFit | None = None,
) -> HoldFit:
    """Fit readings ``p`` (kPa, zero-corrected) at ``t`` (s); needs 6 readings or more.

    last_rise_kpa: of the last stroke before. strokes: how long before the hold's start each of all ended (s), and its
    rise (kPa); where they are not known, as many as the last one as a hand can.
    quick: fewer models. whole: a fit of all of the hold that this is the beginning of: its noise is known then, and
    what lies off its curve; only the rate is wanted, the curve is of a few points.
    """
    t0, length = float(t[0]), float(t[-1] - t[0])
    time = t - t0
    known = whole.noise if whole is not None else None
    sd = float(np.hypot(noise_kpa, step_kpa / math.sqrt(12.0))) + 1e-4
    rounded = noise_kpa < 0.5 * step_kpa
    b = bin_hold(time, p, sd)
    eighth = max(len(b.y) // 8, 1)
    level = float(np.median(b.y[:eighth]))
    settled = b.y[b.t >= min(5.0, 0.1 * length)][:3]  # quick settling is no leak's
    share = float(np.mean(settled) - np.mean(b.y[-eighth:])) / max(abs(level), 1e-3)

    def shapes(at: FloatArray, some: tuple[Law, ...]) -> list[tuple[Law, FloatArray]]:
        return [(law, leak_shape(at, law, b.t, b.y, length)) for law in some]

    # a first look, for the noise and what lies off the curve
    noise = Noise(sd)
    first = (NEAR_LAW,)
    for _ in range(2 if rounded else 1):
        if whole is not None and not rounded:
            curve = np.interp(t, whole.time_s, whole.curve_kpa)
        else:
            problem = Problem(NoiseFinder(b, only_s=0.0), noise, level, last_rise_kpa)
            look = posterior(problem, *shapes(b.t, first)[0], quick=True)
            best, i = top(look)
            curve = problem.middle + _curve(time, shapes(time, first)[0][1], best.mean[:, i], best.theta[:, i])
        if rounded:
            before = _rounding_noise(p, step_kpa, curve)
            z, info = rounded_response(p, step_kpa, before, curve)
            b = bin_hold(time, z, 1e9, curve, info * (np.abs(p - curve) < 5.0 * sd + step_kpa))
            noise = Noise(before)
        else:
            rest = p - curve
            spread = 1.4826 * float(np.median(np.abs(rest)))
            b = bin_hold(time, p, max(spread, sd), curve)
            noise = Noise(max(spread, sd))
    least = (0.5 if rounded else 0.3) * noise.white_kpa
    finder = NoiseFinder(b, only_s=known.wander_s if known is not None else None)
    if strokes is None:
        strokes = np.arange(0.0, 90.0, _STROKE_S), np.full(round(90.0 / _STROKE_S), abs(last_rise_kpa))
    hold = Hold(finder, level, last_rise_kpa, length, *strokes)
    late = b.t > 0.4 * length
    climbs = late.sum() > 3 and float(np.polyfit(b.t[late], b.y[late], 1)[0]) > 0.0
    up = hold.rising(noise, least, known) if climbs else None
    if up is not None:
        cases = [up]
    elif share > 0.05 and not quick:
        cases = hold.far(share * abs(level), noise, least, known)
    else:
        cases = hold.near(noise, least, known)
    points: list[Points] = []
    for case in cases:
        if quick and up is None:
            points += hold.look(case)
        else:
            points += posterior(
                hold.problem(case), case.law, hold.shape(case.law), quick=quick, leak_sign=up is None
            )
    problem = hold.problem(cases[-1])
    fit = _summary(
        points, problem.middle, shapes, length, t0, cases[0].noise, last_rise_kpa, up is not None, whole is not None
    )
    start = float(np.median(p[: max(int(np.count_nonzero(time < 0.1)), 1)]))
    end = float(np.mean(b.y[-eighth:]))
    if start > 5.0 * sd + step_kpa and end < 0.3 * start:
        # nearly all of it went: that much no settling takes, whatever the shape
        most = 0.5 * problem.slow_kpa
        fit = replace(
            fit,
            rate_kpa_per_s=(start - end - most) / length,
            rate_u=math.hypot(_COOLS * last_rise_kpa, _EDGES * (start - end), most) / length,
        )
    return fit


def _summary(
    points: list[Points],
    middle: float,
    shapes: Callable[[FloatArray, tuple[Law, ...]], list[tuple[Law, FloatArray]]],
    length: float,
    t0: float,
    noise: Noise,
    last_rise_kpa: float,
    rising: bool,
    rate_only: bool,
) -> HoldFit:
    rate, rate_u = moments(points)
    most = max(float(q.log_weight.max()) for q in points)
    early = min(4.0, 0.3 * length)
    many = (3, 4) if rate_only else (25, 56)
    grid = np.concatenate([np.linspace(0.0, early, many[0])[:-1], np.linspace(early, length, many[1])])
    laws = dict(shapes(grid, tuple({q.law for q in points})))
    weights, means, variances, drops, drop_vars = [], [], [], [], []
    settled, settled_vars, slows, slow_areas = [], [], [], []
    leaks = []
    for q in points:
        keep = np.flatnonzero(q.log_weight > most - _WEIGHS)
        if not len(keep):
            continue
        k = len(q.theta)
        theta, mean, cov = q.theta[:, keep], q.mean[:, keep], q.cov[:, :, keep]
        x = np.empty((2 + k, len(keep), len(grid)))
        x[0], x[1] = 1.0, -laws[q.law]
        x[2:] = np.exp(-grid * np.exp(-theta)[:, :, None])
        weights.append(np.exp(q.log_weight[keep] - most))
        means.append((mean[:, :, None] * x).sum(axis=0))
        variances.append(((cov.transpose(2, 0, 1) @ x.transpose(1, 0, 2)) * x.transpose(1, 0, 2)).sum(axis=1))
        d = x[:, :, 0] - x[:, :, -1]
        gone = 1.0 - x[2:]  # of each amplitude
        # what follows the leak's own fall is the leak's
        settled.append(((mean[2:] - lag_s(theta) * mean[1])[:, :, None] * gone).sum(axis=0))
        last = gone[:, :, -1]
        settled_vars.append(((cov[2:, 2:] * last).sum(axis=1) * last).sum(axis=0))
        slow_part = mean[2:] * (theta >= math.log(SLOW_S))
        slows.append(slow_part.sum(axis=0))
        slow_areas.append((slow_part * np.exp(theta)).sum(axis=0))
        first = float(laws[q.law][1] / grid[1])  # of the leak's fall, at the start
        leaks.append(np.stack([first * mean[1], *np.broadcast_to([[q.law.n], [q.law.m]], (2, len(keep)))], axis=1))
        drops.append((mean * d).sum(axis=0))
        drop_vars.append((d * (cov * d).sum(axis=1)).sum(axis=0))
    w = np.concatenate(weights)
    w /= w.sum()
    leak_start, leak_n, leak_m = (float(v) for v in w @ np.concatenate(leaks))
    m, v = np.concatenate(means), np.concatenate(variances)
    curve = w @ m
    curve_u = np.sqrt(np.maximum(w @ (v + (m - curve) ** 2), 1e-12))
    d, dv = np.concatenate(drops), np.concatenate(drop_vars)
    drop_u = float(np.sqrt(max(float(w @ (dv + (d - w @ d) ** 2)), 1e-12)))
    best, i = top(points)
    cooling = cooling_kpa = 0.0
    fast = np.flatnonzero(best.theta[:, i] < math.log(SLOW_S))
    if len(fast):
        j = fast[np.argmax(np.abs(best.mean[2 + fast, i]))]
        cooling, cooling_kpa = float(np.exp(best.theta[j, i])), float(best.mean[2 + j, i])
    stretch, spent = np.concatenate(slows), np.concatenate(slow_areas)
    slow = max(float(w @ stretch), 0.0)
    slow_s = float(w @ spent) / slow if slow > 1e-6 else 0.0
    s, sv = np.concatenate(settled), np.concatenate(settled_vars)
    amp = float(w @ s[:, -1])
    amp_u = float(np.sqrt(max(float(w @ (sv + (s[:, -1] - amp) ** 2)), 1e-18)))
    share = max(0.0, min(1.0, rate * length / max(abs(float(curve[0]) + middle), 1.0)))
    form = (_LAW_SHARE + _LAW_FALL * share) * abs(rate)
    rate_u = math.sqrt(rate_u**2 + form**2 + (_FORM_SHARE * amp / length) ** 2)
    # when all but 1/e of it was over, in each model and in the mean of all
    reached = np.abs(s) >= (1.0 - math.exp(-1.0)) * np.abs(s[:, -1:])
    each = grid[np.argmax(reached, axis=1)]
    tau = float(grid[int(np.argmax(np.abs(w @ s) >= (1.0 - math.exp(-1.0)) * abs(amp)))])
    tau_u = float(np.sqrt(w @ (each - tau) ** 2))
    curve = curve + middle
    return HoldFit(
        rate,
        rate_u,
        float(curve[0]),
        float(curve_u[0]),
        float(curve[-1]),
        float(curve_u[-1]),
        drop_u,
        amp,
        amp_u,
        tau,
        tau_u,
        cooling,
        cooling_kpa,
        slow,
        max(slow_s, SLOW_S),
        grid + t0,
        curve,
        curve_u,
        noise,
        last_rise_kpa,
        rising,
        leak_start,
        leak_n,
        leak_m,
    )
