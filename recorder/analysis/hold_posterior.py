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
from scipy import special

from recorder.analysis.hold_laws import Law
from recorder.analysis.hold_noise import Noise, NoiseFinder

if TYPE_CHECKING:
    from recorder.model import FloatArray, IntArray

__all__ = ["SLOW_S", "Points", "Problem", "moments", "posterior", "total"]

_FIRST_S, _LAST_S, _STEPS = 0.5, 100.0, 26
_GRID = np.linspace(math.log(_FIRST_S), math.log(_LAST_S), _STEPS)
SLOW_S = 8.0  # rubber, not air: settling slower than this falls
_SLOW_PRIOR = np.array([1e-4,.45,.43,.12])  # of none, one, two, three slow ones: rubber always gives
_SLOW_SHARE = 0.02  # of the pressure, standard deviation of what a hose has still to give
_DRAWS = {1: 16, 2: 32, 3: 48}
_SCALES = (1.1, 2.5)
_HOPELESS = 1.0  # log evidence by which a model with one more exponential is behind
_LIKELY = 14.0  # in log density: less than this below the best weighs nothing


@dataclass(frozen=True, slots=True, eq=False)
class Points:
    """Posterior at m sets of time constants of one structure. log_weight (m); mean (m, 2 + k); cov; log taus (m, k)."""

    law: Law
    theta: FloatArray
    log_weight: FloatArray
    mean: FloatArray
    cov: FloatArray


class Problem:
    """One hold, one noise: closed-form posteriors for any time constants."""

    def __init__(
        self, finder: NoiseFinder, noise: Noise, level_kpa: float, rise_kpa: float
    ) -> None:
        b = finder.b
        self.b, self.noise = b, noise
        self.white, log_det = finder.whitener(noise)
        self.middle = float(np.mean(b.y))
        self.y = self.white @ (b.y - self.middle)
        self.base = log_det - 0.5 * float(self.y @ self.y)
        self.one = self.white @ np.ones_like(b.t)
        self.slow_kpa = _SLOW_SHARE * abs(level_kpa) + 0.05
        self.fast_kpa = self.slow_kpa + 0.3 * abs(rise_kpa)
        self.length_s = float(b.t[-1] + b.half_s[-1])

    def decays(self, theta: FloatArray) -> FloatArray:
        """Whitened bin means (..., n) of exp(-t / tau)."""
        return np.asarray(self._raw(theta) @ self.white.T)

    def _raw(self, theta: FloatArray) -> FloatArray:
        rate = np.exp(-theta)[..., None]
        x = np.minimum(rate * self.b.half_s, 30.0)
        inside = np.where(x > 1e-3, np.sinh(x) / np.maximum(x, 1e-3), 1.0)
        return np.asarray(np.exp(-rate * self.b.t) * inside)

    def slopes(self, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
        """``decays`` and their derivatives with respect to log tau."""
        raw = self._raw(theta)
        both = np.stack([raw, raw * (np.exp(-theta)[..., None] * self.b.t)]) @ self.white.T
        return both[0], both[1]

    def precision(self, theta: FloatArray) -> FloatArray:
        sd = np.where(theta < math.log(SLOW_S), self.fast_kpa, self.slow_kpa)
        return np.asarray(sd**-2.0)

    def normal(
        self, leak: FloatArray, theta: FloatArray, shapes: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Design (m, 2 + k, n), normal equations and prior precisions at ``theta`` (m, k)."""
        m, k = theta.shape
        x = np.empty((m, 2 + k, len(self.y)))
        x[:, 0], x[:, 1] = self.one, leak
        x[:, 2:] = shapes
        gram = x @ x.transpose(0, 2, 1)
        lam = self.precision(theta)
        index = np.arange(k) + 2
        gram[:, index, index] += lam
        gram[:, 0, 0] += 1e-12
        gram[:, 1, 1] += 1e-12
        return x, gram, x @ self.y, lam

    def solve(
        self, leak: FloatArray, theta: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Log evidence (m), means (m, 2 + k), covariances of level, rate and amplitudes at ``theta`` (m, k)."""
        return self.integrate(*self.normal(leak, theta, self.decays(theta))[1:])

    def integrate(
        self, gram: FloatArray, right: FloatArray, lam: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Log evidence (m), means (m, n) and covariances (m, n, n) of m sets of normal equations; lam (m, k): prior
        precisions of the amplitudes, already in ``gram``."""
        cov = np.linalg.inv(gram)
        mean = (cov @ right[:, :, None])[:, :, 0]
        log = (
            0.5 * (right * mean).sum(axis=1)
            - 0.5 * np.linalg.slogdet(gram)[1]
            + 0.5 * np.log(lam).sum(axis=1)
            + self.base
        )
        return np.asarray(log), np.asarray(mean), np.asarray(cov)

    def newton(self, leak: FloatArray, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Optima near ``theta`` (m, k) and their covariances (m, k, k) by Gauss-Newton steps."""
        m, k = theta.shape
        best, best_log = theta.copy(), np.full(m, -np.inf)
        best_cov = np.tile(np.eye(k), (m, 1, 1))
        step = np.full(m, 0.5)
        for _ in range(9):
            shapes, d = self.slopes(theta)
            x, *equations = self.normal(leak, theta, shapes)
            log, mean, cov = self.integrate(*equations)
            better = log > best_log
            gain = float((log - best_log).max())
            step = np.where(better, np.minimum(step * 1.6, 0.6), step * 0.3)
            d *= mean[:, 2:, None]
            rest = self.y - (mean[:, None, :] @ x)[:, 0]
            cross = d @ x.transpose(0, 2, 1)
            schur = d @ d.transpose(0, 2, 1) - cross @ cov @ cross.transpose(0, 2, 1)
            new_cov = np.linalg.inv(schur + np.eye(k))
            best_cov = np.where(better[:, None, None], new_cov, best_cov)
            best = np.where(better[:, None], theta, best)
            best_log = np.maximum(log, best_log)
            if gain < 0.01:
                break
            move = (new_cov @ (d @ rest[:, :, None]))[:, :, 0]
            full = np.where(better[:, None], move, 0.0)
            limit = step[:, None]
            theta = np.minimum(
                np.maximum(best + np.minimum(np.maximum(full, -limit), limit), _GRID[0]), _GRID[-1]
            )
        return best, best_cov


def _signs(
    mean: FloatArray, cov: FloatArray, theta: FloatArray, leak_sign: bool
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Slow amplitudes and (where asked) the rate cut to what is not negative: means, covariances, log share kept.

    One after the other, each by the moments of a cut normal (Johnson, Kotz & Balakrishnan 1994, 13.10.1).
    """
    mean, cov = mean.copy(), cov.copy()
    log = np.zeros(len(mean))
    slow = np.concatenate([np.full((len(theta), 1), leak_sign), theta >= math.log(SLOW_S)], axis=1)
    for j in range(theta.shape[1], -1, -1):
        use = slow[:, j]
        if not use.any():
            continue
        sd = np.sqrt(np.maximum(cov[:, 1 + j, 1 + j], 1e-18))
        z = np.minimum(np.maximum(mean[:, 1 + j] / sd, -30.0), 30.0)
        kept = special.log_ndtr(z)
        ratio = np.exp(-0.5 * z * z - kept) / math.sqrt(2.0 * math.pi)
        if not use.all():
            ratio, kept = np.where(use, ratio, 0.0), np.where(use, kept, 0.0)
            z = np.where(use, z, 0.0)
        column = cov[:, :, 1 + j] / sd[:, None]
        mean += column * ratio[:, None]
        shrink = np.minimum(np.maximum(ratio * (ratio + z), 0.0), 0.9999)
        cov -= (column * shrink[:, None])[:, :, None] * column[:, None, :]
        log += kept
    return mean, cov, log


def _with_signs(
    theta: FloatArray, log: FloatArray, mean: FloatArray, cov: FloatArray, leak_sign: bool
) -> tuple[IntArray, FloatArray, FloatArray, FloatArray]:
    """The points that weigh anything, with their signs: which of them, log weights, means, covariances."""
    likely = log > log.max() - _LIKELY
    for use in (np.flatnonzero(likely), np.arange(len(log))):
        cut_mean, cut_cov, kept = _signs(mean[use], cov[use], theta[use], leak_sign)
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
    return np.asarray(special.ndtri(u))


_COMBOS = {  # of (how many, every second one only)
    (k, coarse): np.array(list(combinations(range(0, _STEPS, 2 if coarse else 1), k)))
    for k, coarse in ((1, False), (2, False), (2, True), (3, True))
}


def _cell(k: int, coarse: bool) -> float:
    return (float(_GRID[1] - _GRID[0]) * (2 if coarse else 1)) ** k


_VOLUMES = {  # of the places with none, one, two, three slow ones
    key: np.maximum(
        np.bincount(np.count_nonzero(_GRID[places] >= math.log(SLOW_S), axis=1), minlength=4), 1
    )
    * _cell(*key)
    for key, places in _COMBOS.items()
}
_NORMALS = {k: _sequence(n, k) for k, n in _DRAWS.items()}


def _grid_points(
    problem: Problem, leak: FloatArray, index: IntArray, shapes: FloatArray
) -> tuple[FloatArray, ...]:
    """theta, log evidence, mean, cov on the grid places ``index`` (m, k), from one Gram matrix."""
    k = index.shape[1]
    x = np.concatenate([problem.one[None], leak[None], shapes])
    gram, right = x @ x.T, x @ problem.y
    where = np.concatenate(
        [np.zeros((len(index), 1), int), np.ones((len(index), 1), int), index + 2], axis=1
    )
    a = gram[where[:, :, None], where[:, None, :]]
    theta = _GRID[index]
    lam = problem.precision(theta)
    diagonal = np.arange(k) + 2
    a[:, diagonal, diagonal] += lam
    return theta, *problem.integrate(a, right[where], lam)


def _log_prior(theta: FloatArray, volume: FloatArray) -> FloatArray:
    """Log prior density of ordered log time constants (m, k): flat among those with as many slow ones."""
    slow = np.count_nonzero(theta >= math.log(SLOW_S), axis=1)
    # as many fast ones as it takes: none, one or two alike
    ways = np.array([3.0, 3.0, 2.0, 1.0])
    return np.asarray(np.log(_SLOW_PRIOR / ways / volume)[slow])


def _structure(
    problem: Problem,
    law: Law,
    leak: FloatArray,
    k: int,
    shapes: FloatArray,
    *,
    draw: bool,
    leak_sign: bool,
) -> Points:
    """All points of k exponentials and one law, weighted so that their weights add up to the evidence."""
    if k == 0:
        theta = np.zeros((1, 0))
        log, mean, cov = problem.solve(leak, theta)
        mean, cov, kept = _signs(mean, cov, theta, leak_sign)
        return Points(law, theta, log + kept + math.log(_SLOW_PRIOR[0]), mean, cov)
    coarse = k == 3 or (k == 2 and not draw)
    theta, log, mean, cov = _grid_points(problem, leak, _COMBOS[k, coarse], shapes)
    cell = _cell(k, coarse)
    density = np.full(len(theta), 1.0 / cell)
    if draw:
        use, weight, _, _ = _with_signs(theta, log, mean, cov, leak_sign)
        order = use[np.argsort(-weight)]
        starts = [int(order[0])]
        for i in order[1:40]:  # starts that are not neighbours
            if len(starts) < 4 and all(np.abs(theta[i] - theta[j]).max() > 0.6 for j in starts):
                starts.append(int(i))
        modes, covs = problem.newton(leak, theta[starts])
        values = problem.solve(leak, modes)[0]
        good = np.flatnonzero(values > values.max() - 8.0)[:3]
        modes, covs = modes[good], covs[good]
        lows = np.linalg.cholesky(covs)
        normal = _NORMALS[k]
        half = len(normal) // 2
        size = np.where(np.arange(len(normal)) < half, _SCALES[0], _SCALES[1])
        drawn = (modes[:, None, :] + (normal * size[:, None]) @ lows.transpose(0, 2, 1)).reshape(
            -1, k
        )
        gap = np.diff(drawn, axis=1).min(axis=1) if k > 1 else np.ones(len(drawn))
        inside = (drawn >= _GRID[0] - 0.1).all(1) & (drawn <= _GRID[-1] + 0.1).all(1) & (gap > 0.1)
        if inside.any():
            drawn = drawn[inside]
            more = problem.solve(leak, drawn)
            theta = np.concatenate([theta, drawn])
            log, mean, cov = (
                np.concatenate([a, b]) for a, b in zip((log, mean, cov), more, strict=True)
            )
            density = np.full(len(theta), 1.0 / cell)
            for mode, low in zip(modes, lows, strict=True):
                z = np.linalg.solve(low, (theta - mode).T)
                q = (z * z).sum(axis=0)
                scale = float(np.prod(np.diag(low))) * (2 * math.pi) ** (k / 2)
                for s in _SCALES:
                    density = density + half * np.exp(-0.5 * q / s**2) / (scale * s**k)
    use, weight, mean, cov = _with_signs(theta, log, mean, cov, leak_sign)
    prior = _log_prior(theta[use], _VOLUMES[k, coarse])
    return Points(law, theta[use], weight + prior - np.log(density[use]), mean, cov)


def posterior(
    problem: Problem, laws: list[tuple[Law, FloatArray]], *, quick: bool, leak_sign: bool = True
) -> list[Points]:
    shapes = problem.decays(_GRID)
    out = []
    for law, shape in laws:
        leak = -(problem.white @ shape)
        seen: list[float] = []
        for k in range(3 if quick else 4):
            if k == 3 and seen[2] < max(seen[:2]) - _HOPELESS:
                break  # a second one brought nothing: a third would not
            part = _structure(problem, law, leak, k, shapes, draw=not quick, leak_sign=leak_sign)
            seen.append(total([part]))
            out.append(part)
    return out


def total(points: list[Points]) -> float:
    log = np.concatenate([q.log_weight for q in points])
    top = float(log.max())
    return top + math.log(float(np.exp(log - top).sum()))


def moments(points: list[Points]) -> tuple[float, float]:
    """Mean and standard deviation of the rate (kPa/s)."""
    w = np.concatenate([q.log_weight for q in points])
    w = np.exp(w - w.max())
    w /= w.sum()
    m = np.concatenate([q.mean[:, 1] for q in points])
    v = np.concatenate([q.cov[:, 1, 1] for q in points])
    mean = float(w @ m)
    return mean, float(np.sqrt(w @ (np.maximum(v, 0.0) + (m - mean) ** 2)))
