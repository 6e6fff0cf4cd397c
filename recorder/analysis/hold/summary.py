"""What a hold's posterior says: rate, pressures, what settled, and a curve to draw, each with its uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.hold.line import LOG_SLOW, SLOW_S
from recorder.analysis.hold.noise import Noise
from recorder.analysis.hold.posterior import Points, moments, top
from recorder.limit_table import MATTERS_KPA_PER_MIN

if TYPE_CHECKING:
    from collections.abc import Callable

    from recorder.analysis.hold.laws import Law
    from recorder.model import FloatArray

__all__ = ["CALM_S", "HoldFit", "rate_of", "summary"]

# no law of a leak is truer than this share of the rate, and less so the more of the pressure goes; and no settling
# is quite a sum of exponentials: share of what settled. Creep so slow that it looks straight: share of the pressure in
# a hold
_LAW_SHARE, _LAW_FALL, _FORM_SHARE, _CREEP_SHARE = 0.01, 0.02, 0.02, 0.0005
CALM_S = 10.0  # after the last stroke: air that it made warm or cold is so no longer; common practice, no source
_WEIGHS = 7.0  # log weight below the best: what is less likely does not show in the curve


@dataclass(frozen=True, slots=True, eq=False)
class HoldFit:
    """The fitted hold. Rate kPa/s (falling positive) with its standard uncertainty; pressures kPa at start and end;
    ``amplitude_kpa`` by which it settled in the hold, all but 1/e of it within ``tau_s``.

    ``drop_u``: of the fall from start to end (kPa). ``noise``: of the readings; ``last_rise_kpa``: of the last stroke
    before. ``cooling_s``, ``cooling_kpa``: time constant and size of the quick settling of the likeliest model (0
    where none). ``slow_kpa``: slow settling still to come at the start, of mean time constant ``slow_s``. ``time_s``,
    ``curve_kpa``, ``curve_u`` draw the fit. ``rising``: the trace rises beyond doubt, which no leak does.
    ``leak_start_kpa_per_s``: the leak's rate at the start; it goes as p^n P^m (P absolute) with ``leak_n``, ``leak_m``.
    ``rounding_kpa``: noise before rounding, 0 where readings are not rounded more coarsely; ``rounding_u``: what of the
    rate's uncertainty (kPa/s) comes from it."""

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
    rounding_u: float = 0.0
    rounding_kpa: float = 0.0

    def cooled_kpa(self) -> float:
        """By how much the pressure fell while air that pumping had warmed may have cooled."""
        then_s = float(self.time_s[0]) + CALM_S
        return max(self.start_kpa - float(np.interp(then_s, self.time_s, self.curve_kpa)), 0.0)

    def warms(self, allowed_kpa_per_min: float) -> bool:
        """Whether the trace rises as nothing but warming makes it, and so much that a leak may hide in it. If that is
        exponentially distributed about what is seen, there is a leak of the size allowed beneath it with odds of
        exp(-allowed / rise): 1 to 20 where the rise is a third of it. Air that relief made cold warms up in the first
        part of a hold: that is settling."""
        hides = min(allowed_kpa_per_min, MATTERS_KPA_PER_MIN) / 3.0
        if self.rising and 60.0 * (self.rate_u - self.rate_kpa_per_s) > hides:
            return True
        start_s, end_s = float(self.time_s[0]), float(self.time_s[-1])
        third = float(np.interp(start_s + (end_s - start_s) / 3.0, self.time_s, self.curve_kpa))
        return self.end_kpa - third > max(3.0 * self.drop_u, 0.2)


def _with_form(rate: float, u: float, start_kpa: float, settled_kpa: float, length_s: float) -> float:
    """Standard uncertainty of the rate, with that of the law's and the settling's form."""
    share = max(0.0, min(1.0, rate * length_s / max(abs(start_kpa), 1.0)))
    form = (_LAW_SHARE + _LAW_FALL * share) * abs(rate)
    settling = math.hypot(_FORM_SHARE * settled_kpa, _CREEP_SHARE * start_kpa) / length_s
    return math.sqrt(u**2 + form**2 + settling**2)


def _over_s(grid: FloatArray, settled_kpa: FloatArray) -> FloatArray:
    """When (s) all but 1/e was over of what settles, rows of (models, times at ``grid``); on lines between those."""
    size = np.abs(settled_kpa)
    aim = (1.0 - math.exp(-1.0)) * size[:, -1]
    k = np.maximum(np.argmax(size >= aim[:, None], axis=1), 1)
    row = np.arange(len(size))
    before, after = size[row, k - 1], size[row, k]
    part = np.clip((aim - before) / np.maximum(after - before, 1e-12), 0.0, 1.0)
    return np.asarray(grid[k - 1] + part * (grid[k] - grid[k - 1]))


def rate_of(points: list[Points], middle_kpa: float, length_s: float) -> tuple[float, float]:
    """Rate and its standard uncertainty as ``summary`` gives them, without the rest."""
    rate, u = moments(points)
    most = max(float(q.log_weight.max()) for q in points)
    mass = start = settled = 0.0
    for q in points:
        keep = np.flatnonzero(q.log_weight > most - _WEIGHS)
        theta, mean = q.theta[:, keep], q.mean[:, keep]
        w = np.exp(q.log_weight[keep] - most)
        mass += float(w.sum())
        start += float(w @ (mean[0] + mean[2:].sum(axis=0)))
        gone = 1.0 - np.exp(-length_s * np.exp(-theta))
        settled += float(w @ ((mean[2:] - q.follows_s()[:, keep] * mean[1]) * gone).sum(axis=0))
        if q.creep is not None:
            settled += float(w @ q.creep.sizes(theta, mean, q.cov[:, :, keep])[0])
    return rate, _with_form(rate, u, start / mass + middle_kpa, settled / mass, length_s)


def _level_and_leak(leak: FloatArray, m: int) -> FloatArray:
    """What level and rate are multiplied by at m points (2, m, times); leak (times): its fall."""
    return np.broadcast_to(np.stack([np.ones_like(leak), -leak])[:, None], (2, m, len(leak)))


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    """What the m likely points of one posterior say of the hold, their axis first: weight (m); mean and variance of
    the curve (m, times); drop and its variance (m); what has settled by when (m, times) and the variance of all of it
    (m); slow settling still to come (m) and its integral over time (m); the leak's rate at the start and its powers
    (m, 3). Pressures kPa."""

    weight: FloatArray
    mean_kpa: FloatArray
    var: FloatArray
    drop_kpa: FloatArray
    drop_var: FloatArray
    settled_kpa: FloatArray
    settled_var: FloatArray
    slow_kpa: FloatArray
    slow_area: FloatArray
    leak: FloatArray


def _of(q: Points, most: float, grid: FloatArray, fall: FloatArray) -> _Part:
    """most: the best point's log weight. fall: of the leak, at ``grid``'s times, s."""
    keep = np.flatnonzero(q.log_weight > most - _WEIGHS)
    theta, mean, cov = q.theta[:, keep], q.mean[:, keep], q.cov[:, :, keep]
    x = np.concatenate([_level_and_leak(fall, len(keep)), np.exp(-grid * np.exp(-theta)[:, :, None])])
    of_leak = q.follows_s()[:, keep] * mean[1]  # what follows the leak's own fall is the leak's
    slow_part = mean[2:] * (theta >= LOG_SLOW)
    slow, area = slow_part.sum(axis=0), (slow_part * np.exp(theta)).sum(axis=0)
    if q.creep is not None:
        fell = q.creep.fell(grid)
        size, cross, var = q.creep.sizes(theta, mean, cov)
        left = 1.0 - fell
        slow, area = slow + size, area + size * float(np.diff(grid) @ (left[1:] + left[:-1])) / 2.0
        x = np.concatenate([x, np.broadcast_to(-fell, (1, len(keep), len(grid)))])
        mean, of_leak = np.concatenate([mean, size[None]]), np.concatenate([of_leak, 0.0 * size[None]])
        cov = np.concatenate([cov, cross[None]])
        cov = np.concatenate([cov, np.concatenate([cross, var[None]])[:, None]], axis=1)
    d = x[:, :, 0] - x[:, :, -1]
    gone = x[2:, :, :1] - x[2:]  # of each amplitude
    last = gone[:, :, -1]
    first = float(fall[1] / grid[1])
    return _Part(
        weight=np.exp(q.log_weight[keep] - most),
        mean_kpa=(mean[:, :, None] * x).sum(axis=0),
        var=((cov.transpose(2, 0, 1) @ x.transpose(1, 0, 2)) * x.transpose(1, 0, 2)).sum(axis=1),
        drop_kpa=(mean * d).sum(axis=0),
        drop_var=(d * (cov * d).sum(axis=1)).sum(axis=0),
        settled_kpa=((mean[2:] - of_leak)[:, :, None] * gone).sum(axis=0),
        settled_var=((cov[2:, 2:] * last).sum(axis=1) * last).sum(axis=0),
        slow_kpa=slow,
        slow_area=area,
        leak=np.stack([first * mean[1], *np.broadcast_to([[q.law.n], [q.law.m]], (2, len(keep)))], axis=1),
    )


def _all(parts: list[_Part], what: str) -> FloatArray:
    return np.concatenate([getattr(part, what) for part in parts])


def _mixed(w: FloatArray, mean: FloatArray, var: FloatArray, least_var: float = 1e-12) -> tuple[FloatArray, FloatArray]:
    """Mean and standard deviation of a mixture with weights ``w`` (their axis first): what the parts leave open, and by
    how much they differ."""
    middle = w @ mean
    return middle, np.sqrt(np.maximum(w @ (var + (mean - middle) ** 2), least_var))


def _quick(best: Points, i: int) -> tuple[float, float]:
    """Time constant (s) and size (kPa) of the quick settling of one point; 0 where it has none."""
    fast = np.flatnonzero(best.theta[:, i] < LOG_SLOW)
    if not len(fast):
        return 0.0, 0.0
    j = fast[np.argmax(np.abs(best.mean[2 + fast, i]))]
    return float(np.exp(best.theta[j, i])), float(best.mean[2 + j, i])


def summary(
    points: list[Points],
    middle: float,
    shape: Callable[[FloatArray, Law], FloatArray],
    length: float,
    t0: float,
    noise: Noise,
    last_rise_kpa: float,
    rising: bool,
) -> HoldFit:
    """What the points say together. middle: taken off the pressures (kPa); shape: the fall of a leak, one a second
    on average, at times from the start (s) by a law; length, t0: of the hold, and its start (s)."""
    rate, rate_u = moments(points)
    most = max(float(q.log_weight.max()) for q in points)
    early = min(4.0, 0.3 * length)
    grid = np.concatenate([np.linspace(0.0, early, 25)[:-1], np.linspace(early, length, 56)])
    laws = {law: shape(grid, law) for law in {q.law for q in points}}
    parts = [_of(q, most, grid, laws[q.law]) for q in points if q.log_weight.max() > most - _WEIGHS]
    w = _all(parts, "weight")
    w /= w.sum()
    leak_start, leak_n, leak_m = (float(v) for v in w @ _all(parts, "leak"))
    curve, curve_u = _mixed(w, _all(parts, "mean_kpa"), _all(parts, "var"))
    _, drop_u = _mixed(w, _all(parts, "drop_kpa"), _all(parts, "drop_var"))
    cooling, cooling_kpa = _quick(*top(points))
    stretch, spent = _all(parts, "slow_kpa"), _all(parts, "slow_area")
    stretches = max(float(w @ stretch), 0.0)
    slow_s = float(w @ spent) / stretches if stretches > 1e-6 else 0.0
    s = _all(parts, "settled_kpa")
    amp, amp_u = (float(v) for v in _mixed(w, s[:, -1], _all(parts, "settled_var"), 1e-18))
    rate_u = _with_form(rate, rate_u, float(curve[0]) + middle, amp, length)
    # when all but 1/e of it was over, in each model and in the mean of all
    each, (tau,) = _over_s(grid, s), _over_s(grid, (w @ s)[None])
    tau_u = math.hypot(float(np.sqrt(w @ (each - tau) ** 2)), _FORM_SHARE * float(tau))
    curve = curve + middle
    return HoldFit(
        rate_kpa_per_s=rate,
        rate_u=rate_u,
        start_kpa=float(curve[0]),
        start_u=float(curve_u[0]),
        end_kpa=float(curve[-1]),
        end_u=float(curve_u[-1]),
        drop_u=math.hypot(float(drop_u), _FORM_SHARE * amp),
        amplitude_kpa=amp,
        amplitude_u=amp_u,
        tau_s=float(tau),
        tau_u=tau_u,
        cooling_s=cooling,
        cooling_kpa=cooling_kpa,
        slow_kpa=stretches,
        slow_s=max(slow_s, SLOW_S),
        time_s=grid + t0,
        curve_kpa=curve,
        curve_u=curve_u,
        noise=noise,
        last_rise_kpa=last_rise_kpa,
        rising=rising,
        leak_start_kpa_per_s=leak_start,
        leak_n=leak_n,
        leak_m=leak_m,
    )
