"""The posterior of a hold's level, rate and settling amplitudes at many time constants, and their weights.

For given time constants everything is linear and Gaussian, so it is integrated in closed form. The time constants are
covered by a logarithmic grid and by points about the optima that Gauss-Newton finds, weighted together as one sample of
a known density (Owen & Zhou 2000, J. Am. Stat. Assoc. 95, 135). Derivation in docs/physics.md.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.hold_laws import Law
from recorder.analysis.hold_line import GRID, SLOW_S, Line, Problem, Solved
from recorder.analysis.normal import normal_quantile

if TYPE_CHECKING:
    from recorder.model import FloatArray, IntArray

__all__ = ["SLOW_S", "Points", "Problem", "lag_s", "moments", "posterior", "top", "total"]

_SLOW_PRIOR = np.array([1e-4,.45,.43,.12])  # of none, one, two, three slow ones: rubber always gives
_AIR_SHARE, _AIR_SHARE_U = 0.2, 0.115  # of what a change of pressure brings, undone by air's cooling: 0 to gamma - 1
_RUBBER_SHARE = 0.02  # and by what a hose still gives
# sizes below which one is as likely as another: of a leak, kPa/s; of what is to give, in standard deviations of it
_LEAST_LEAK, _LEAST_GIVE = 0.1 / 60.0, 0.15
_NODES, _NODE_WEIGHTS = np.polynomial.legendre.leggauss(8)
_NODES, _NODE_WEIGHTS = (_NODES + 1.0) / 2.0, _NODE_WEIGHTS / 2.0
_FAR = 4.5  # standard deviations: no further does a quadrature go
_DRAWS = {1: 16, 2: 32, 3: 48}
_SCALES = (1.1, 2.5)
_HOPELESS = 1.0  # log evidence by which a model with one more exponential is behind
_LIKELY = 11.0  # in log density: less than this below the best weighs nothing


@dataclass(frozen=True, slots=True, eq=False)
class Points:
    """Posterior at m sets of time constants of one structure. log_weight (m); mean (m, 2 + k); cov; log taus (m, k)."""

    law: Law
    theta: FloatArray
    log_weight: FloatArray
    mean: FloatArray
    cov: FloatArray
    length_s: float


def lag_s(theta: FloatArray) -> FloatArray:
    """Seconds of its rate by which a leak's fall goes further once each mode has followed it."""
    return np.asarray(np.where(theta < math.log(SLOW_S), _AIR_SHARE, _RUBBER_SHARE) * np.exp(theta))


def lagging(theta: FloatArray, length_s: float) -> tuple[FloatArray, FloatArray]:
    """Mean rate of all of a leak's fall (m) over that of its own part, and the standard uncertainty."""
    lag = lag_s(theta) * -np.expm1(-length_s * np.exp(-theta)) / length_s
    fast = np.where(theta < math.log(SLOW_S), lag, 0.0).sum(axis=-1)
    return 1.0 + lag.sum(axis=-1), fast * (_AIR_SHARE_U / _AIR_SHARE)


def _signs(
    mean: FloatArray, cov: FloatArray, theta: FloatArray, slow_kpa: float, leak_sign: bool
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Slow amplitudes and (where asked) the rate given the prior of sizes: means, covariances, log of the evidence's
    factor. One after the other, each by its moments."""
    mean, cov = mean.copy(), cov.copy()
    log = np.zeros(len(mean))
    slow = theta >= math.log(SLOW_S)
    for j in range(theta.shape[1] + 1, 0, -1):
        if j == 1 and not leak_sign:
            break
        use: IntArray | slice = slice(None)
        if j > 1 and not slow[:, j - 2].all():
            use = np.flatnonzero(slow[:, j - 2])
            if not len(use):
                continue
        var = np.maximum(cov[use, j, j], 1e-18)
        scale = _LEAST_LEAK if j == 1 else _LEAST_GIVE * slow_kpa
        kept, value, left = _sized(mean[use, j], np.sqrt(var), scale)
        column = cov[use, :, j] / var[:, None]
        mean[use] += column * (value - mean[use, j])[:, None]
        shrink = np.minimum(np.maximum(var - left, 0.0), 0.9999 * var)
        cov[use] -= (column * shrink[:, None])[:, :, None] * column[:, None, :]
        log[use] += kept if j == 1 else kept - _GIVE_MASS
    return mean, cov, log


def _sized(
    m: FloatArray, sd: FloatArray, least: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Log mass, mean and variance of a normal (m, sd) times the prior of a size x: none below zero, flat below
    ``least``, above it flat in its logarithm, 1 / (1 + x / least). By quadrature, to 2 % of the standard deviation."""
    a = m / sd
    below = np.minimum(a, 0.0)
    low, high = np.maximum(-a, -_FAR), np.sqrt(below * below + _FAR * _FAR)
    z = low[:, None] + (high - low)[:, None] * _NODES
    w = np.exp(0.5 * ((below * below)[:, None] - z * z)) / (1.0 + (m[:, None] + sd[:, None] * z) / least)
    mass = w @ _NODE_WEIGHTS
    w *= z
    mean = w @ _NODE_WEIGHTS / mass
    w *= z
    var = np.maximum(w @ _NODE_WEIGHTS / mass - mean * mean, 1e-12)
    log = np.log(mass * (high - low)) - 0.5 * (below * below + math.log(2.0 * math.pi))
    return log, m + sd * mean, sd * sd * var


def _with_signs(
    line: Line, theta: FloatArray, found: Solved, leak_sign: bool
) -> tuple[IntArray, FloatArray, FloatArray, FloatArray]:
    """The points that weigh anything, with their signs: which of them, log weights, means, covariances."""
    log = found.log
    likely = log > log.max() - _LIKELY
    for use in (np.flatnonzero(likely), np.arange(len(log))):
        cut_mean, cut_cov, kept = _signs(
            *line.whole(found, use), theta[use], line.problem.slow_kpa, leak_sign
        )
        weight = log[use] + kept
        if len(use) == len(log) or weight.max() > log.max() - 0.5 * _LIKELY:
            break  # what was left out weighs little against these
    return use, weight, cut_mean, cut_cov


def _sequence(n: int, k: int) -> FloatArray:
    """n evenly spread points (n, k) of a standard normal: additive recurrence (Roberts, golden ratio)."""
    root = 2.0
    for _ in range(30):
        root = (1.0 + root) ** (1.0 / (k + 1))
    u = (0.5 + np.arange(1, n + 1)[:, None] * root ** -np.arange(1.0, k + 1)[None]) % 1.0
    return normal_quantile(u)


_GIVE_MASS = float(_sized(np.zeros(1), np.ones(1), _LEAST_GIVE)[0][0]) + math.log(2.0)

_COMBOS = {  # of (how many, every second one only)
    (k, coarse): np.array(list(combinations(range(0, len(GRID), 2 if coarse else 1), k)))
    for k, coarse in ((1, False), (2, False), (2, True), (3, True))
}


def _cell(k: int, coarse: bool) -> float:
    return (float(GRID[1] - GRID[0]) * (2 if coarse else 1)) ** k


_VOLUMES = {  # of the places with none, one, two, three slow ones
    key: np.maximum(
        np.bincount(np.count_nonzero(GRID[places] >= math.log(SLOW_S), axis=1), minlength=4), 1
    )
    * _cell(*key)
    for key, places in _COMBOS.items()
}
_NORMALS = {k: _sequence(n, k) for k, n in _DRAWS.items()}


def _log_prior(theta: FloatArray, volume: FloatArray) -> FloatArray:
    """Log prior density of ordered log time constants (m, k): flat among those with as many slow ones."""
    slow = np.count_nonzero(theta >= math.log(SLOW_S), axis=1)
    # as many fast ones as it takes: none, one or two alike
    ways = np.array([3.0, 3.0, 2.0, 1.0])
    return np.asarray(np.log(_SLOW_PRIOR / ways / volume)[slow])


def _modes(
    line: Line, theta: FloatArray, weight: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Up to three optima (m, k) near the best of ``theta``, and the roots of their covariances (m, k, k)."""
    order = np.argsort(-weight)
    starts = [int(order[0])]
    for i in order[1:40]:  # starts that are not neighbours
        if len(starts) < 4 and all(np.abs(theta[i] - theta[j]).max() > 0.6 for j in starts):
            starts.append(int(i))
    modes, covs, values = line.newton(theta[starts])
    good = np.flatnonzero(values > values.max() - 8.0)[:3]
    return modes[good], np.asarray(np.linalg.cholesky(covs[good]), float)


def _drawn(modes: FloatArray, lows: FloatArray) -> FloatArray:
    """Points (m, k) about the modes, half of them wider."""
    k = modes.shape[1]
    normal = _NORMALS[k]
    size = np.where(np.arange(len(normal)) < len(normal) // 2, _SCALES[0], _SCALES[1])
    drawn = (modes[:, None, :] + (normal * size[:, None]) @ lows.transpose(0, 2, 1)).reshape(-1, k)
    gap = np.diff(drawn, axis=1).min(axis=1) if k > 1 else np.ones(len(drawn))
    inside = (drawn >= GRID[0] - 0.1).all(1) & (drawn <= GRID[-1] + 0.1).all(1) & (gap > 0.1)
    return np.asarray(drawn[inside])


def _density(theta: FloatArray, modes: FloatArray, lows: FloatArray) -> FloatArray:
    """How many draws about the modes fall at ``theta`` (m, k), a unit of volume."""
    k = modes.shape[1]
    back = np.linalg.inv(lows)
    z = (theta[None] - modes[:, None]) @ back.transpose(0, 2, 1)
    q = np.exp(-0.5 * (z * z).sum(axis=2))
    scale = (_DRAWS[k] // 2) * np.abs(np.linalg.det(back)) / (2 * math.pi) ** (k / 2)
    return np.asarray(sum(scale / s**k @ q ** (s**-2.0) for s in _SCALES))


def _structure(
    line: Line,
    law: Law,
    k: int,
    shapes: FloatArray,
    *,
    draw: bool,
    leak_sign: bool,
) -> Points:
    """All points of k exponentials and one law, weighted so that their weights add up to the evidence."""
    if k == 0:
        theta = np.zeros((1, 0))
        found = line.solve(theta)
        mean, cov, kept = _signs(*line.whole(found, np.arange(1)), theta, line.problem.slow_kpa, leak_sign)
        return Points(
            law, theta, found.log + kept + math.log(_SLOW_PRIOR[0]), mean, cov, line.problem.length_s
        )
    coarse = k == 3 or (k == 2 and not draw)
    index = _COMBOS[k, coarse]
    theta = GRID[index]
    use, weight, mean, cov = _with_signs(line, theta, line.on_grid(index, shapes), leak_sign)
    theta = theta[use]
    density = np.full(len(theta), 1.0 / _cell(k, coarse))
    if draw:
        modes, lows = _modes(line, theta, weight)
        more = _drawn(modes, lows)
        if len(more):
            use, *rest = _with_signs(line, more, line.solve(more), leak_sign)
            theta = np.concatenate([theta, more[use]])
            weight, mean, cov = (
                np.concatenate([a, b]) for a, b in zip((weight, mean, cov), rest, strict=True)
            )
            density = 1.0 / _cell(k, coarse) + _density(theta, modes, lows)
    prior = _log_prior(theta, _VOLUMES[k, coarse])
    return Points(law, theta, weight + prior - np.log(density), mean, cov, line.problem.length_s)


def posterior(
    problem: Problem, laws: list[tuple[Law, FloatArray]], *, quick: bool, leak_sign: bool = True
) -> list[Points]:
    shapes = problem.decays(GRID)
    out = []
    for law, shape in laws:
        line = problem.line(-(problem.white @ shape))
        seen: list[float] = []
        for k in range(3 if quick else 4):
            if k == 3 and seen[2] < max(seen[:2]) - _HOPELESS:
                break  # a second one brought nothing: a third would not
            part = _structure(line, law, k, shapes, draw=not quick, leak_sign=leak_sign)
            seen.append(total([part]))
            out.append(part)
    return out


def top(points: list[Points]) -> tuple[Points, int]:
    """The likeliest point: of which structure, and which of it."""
    best = max(points, key=lambda q: float(q.log_weight.max()))
    return best, int(np.argmax(best.log_weight))


def total(points: list[Points]) -> float:
    """Log evidence."""
    log = np.concatenate([q.log_weight for q in points])
    most = float(log.max())
    return most + math.log(float(np.exp(log - most).sum()))


def moments(points: list[Points]) -> tuple[float, float]:
    """Mean and standard deviation of the rate (kPa/s)."""
    w = np.concatenate([q.log_weight for q in points])
    w = np.exp(w - w.max())
    w /= w.sum()
    gains = [lagging(q.theta, q.length_s) for q in points]
    m = np.concatenate([g * q.mean[:, 1] for (g, _), q in zip(gains, points, strict=True)])
    v = np.concatenate(
        [
            g * g * q.cov[:, 1, 1] + (u * q.mean[:, 1]) ** 2
            for (g, u), q in zip(gains, points, strict=True)
        ]
    )
    mean = float(w @ m)
    return mean, float(np.sqrt(w @ (np.maximum(v, 0.0) + (m - mean) ** 2)))
