"""A hold's level, rate and settling amplitudes for given time constants: linear and Gaussian, so in closed form.

Level and rate are taken out first; what is left has one row and column for each amplitude, three at most, and is
solved for hundreds of sets of time constants at once. Derivation in docs/physics.md.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.hold_noise import Noise, NoiseFinder

if TYPE_CHECKING:
    from recorder.model import FloatArray, IntArray

__all__ = ["GRID", "SLOW_S", "Line", "Problem", "Solved"]

_FIRST_S, _LAST_S, _STEPS = 0.5, 100.0, 26
GRID = np.linspace(math.log(_FIRST_S), math.log(_LAST_S), _STEPS)
SLOW_S = 8.0  # rubber, not air: settling slower than this falls
_SLOW_SHARE = 0.02  # of the pressure, standard deviation of what a hose has still to give


class Problem:
    """One hold, one noise: closed-form posteriors for any time constants."""

    def __init__(
        self,
        finder: NoiseFinder,
        noise: Noise,
        level_kpa: float,
        rise_kpa: float,
        bows_kpa: FloatArray | None = None,
        away: FloatArray | None = None,
    ) -> None:
        """bows_kpa (q, n): by what the trace may bend because the leak's law is not known better, each times a standard
        normal coefficient; by ``away`` (q) of them the law has been moved already."""
        b = finder.b
        self.b, self.noise = b, noise
        self.white, log_det = finder.whitener(noise)
        self.middle = float(np.mean(b.y))
        y = b.y - self.middle
        self.bows = np.zeros((0, len(y)))
        if bows_kpa is not None and away is not None:
            y = y + away @ bows_kpa
            # noise of rank q more: I + U U' is whitened by its own square root
            q, size, _ = np.linalg.svd(self.white @ bows_kpa.T, full_matrices=False)
            self.white = self.white + (q * (1.0 / np.sqrt(1.0 + size**2) - 1.0)) @ (q.T @ self.white)
            log_det -= 0.5 * float(np.log1p(size**2).sum())
            self.bows = bows_kpa @ self.white.T
        self.y = self.white @ y
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

    def bent(self, shape: FloatArray, theta: FloatArray, mean: FloatArray) -> FloatArray:
        """Coefficients (q) of the bows that a fit leaves: log time constants (k), level, rate and amplitudes (2 + k);
        shape (n): the leak's fall."""
        x = np.concatenate([self.one[None], -(self.white @ shape)[None], self.decays(theta)])
        return np.asarray(self.bows @ (self.y - mean @ x))

    def line(self, leak: FloatArray) -> Line:
        """Level and rate, apart from which amplitudes are looked for; leak (n): whitened bin means of a leak's fall."""
        return Line(self, leak)


class Line:
    """Level and rate of a leak of one law, taken out of readings and amplitudes (Frisch & Waugh 1933, Econometrica 1,
    387), so that what is left has one row and column for each amplitude."""

    def __init__(self, problem: Problem, leak: FloatArray) -> None:
        self.problem = problem
        both = np.stack([problem.one, leak])
        low = np.linalg.cholesky(both @ both.T + 1e-12 * np.eye(2))
        self.back = np.linalg.inv(low)
        self.basis = self.back @ both
        self.right = self.basis @ problem.y
        self.base = problem.base + 0.5 * float(self.right @ self.right) - float(np.log(np.diag(low)).sum())
        self.rest = problem.y - self.right @ self.basis

    def left(self, shapes: FloatArray) -> FloatArray:
        """What level and rate leave of ``shapes`` (..., n)."""
        return np.asarray(shapes - (shapes @ self.basis.T) @ self.basis)

    def amplitudes(
        self, gram: FloatArray, right: FloatArray, lam: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Log evidence (m), means (m, k) and covariances (m, k, k) of m sets of normal equations without level and
        rate; lam (m, k): prior precisions, which ``gram`` gets added."""
        index = np.arange(gram.shape[1])
        gram[:, index, index] += lam
        cov = np.linalg.inv(gram)
        mean = (cov @ right[:, :, None])[:, :, 0]
        log = 0.5 * ((right * mean).sum(axis=1) - np.linalg.slogdet(gram)[1] + np.log(lam).sum(axis=1)) + self.base
        return np.asarray(log), np.asarray(mean), np.asarray(cov)

    def solve(self, theta: FloatArray) -> Solved:
        """At ``theta`` (m, k)."""
        shapes = self.problem.decays(theta)
        along = shapes @ self.basis.T
        gram = shapes @ shapes.transpose(0, 2, 1) - along @ along.transpose(0, 2, 1)
        right = shapes @ self.rest
        return Solved(along @ self.back, *self.amplitudes(gram, right, self.problem.precision(theta)))

    def on_grid(self, index: IntArray, shapes: FloatArray) -> Solved:
        """On the grid places ``index`` (m, k), from one Gram matrix. shapes (places, n): the grid's decays."""
        along = shapes @ self.basis.T
        gram = shapes @ shapes.T - along @ along.T
        right = shapes @ self.rest
        lam = self.problem.precision(GRID)[index]
        a = gram[index[:, :, None], index[:, None, :]]
        return Solved((along @ self.back)[index], *self.amplitudes(a, right[index], lam))

    def whole(self, found: Solved, use: IntArray) -> tuple[FloatArray, FloatArray]:
        """Means (m, 2 + k) and covariances of level, rate and amplitudes at the places ``use``."""
        along, amount, own = found.along[use], found.mean[use], found.cov[use]
        m, k = amount.shape
        mean, cov = np.empty((m, 2 + k)), np.empty((m, 2 + k, 2 + k))
        mean[:, :2] = self.right @ self.back - (amount[:, None, :] @ along)[:, 0]
        mean[:, 2:] = amount
        cross = own @ along
        cov[:, :2, :2] = self.back.T @ self.back + along.transpose(0, 2, 1) @ cross
        cov[:, 2:, :2], cov[:, :2, 2:] = -cross, -cross.transpose(0, 2, 1)
        cov[:, 2:, 2:] = own
        return mean, cov

    def newton(self, theta: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Optima near ``theta`` (m, k), their covariances (m, k, k) and log evidences by Gauss-Newton steps."""
        m, k = theta.shape
        best, best_log = theta.copy(), np.full(m, -np.inf)
        best_cov = np.tile(np.eye(k), (m, 1, 1))
        step = np.full(m, 0.5)
        for _ in range(9):
            shapes, d = self.problem.slopes(theta)
            shapes = self.left(shapes)
            turned = shapes.transpose(0, 2, 1)
            log, mean, cov = self.amplitudes(shapes @ turned, shapes @ self.rest, self.problem.precision(theta))
            better = log > best_log
            gain = float((log - best_log).max())
            step = np.where(better, np.minimum(step * 1.6, 0.6), step * 0.3)
            d = self.left(d * mean[:, :, None])
            rest = self.rest - (mean[:, None, :] @ shapes)[:, 0]
            cross = d @ turned
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
                np.maximum(best + np.minimum(np.maximum(full, -limit), limit), GRID[0]), GRID[-1]
            )
        return best, best_cov, best_log


@dataclass(frozen=True, slots=True, eq=False)
class Solved:
    """Amplitudes at m sets of time constants: along (m, k, 2) what level and rate give way by one kPa of each, log
    evidence (m), means (m, k), covariances (m, k, k)."""

    along: FloatArray
    log: FloatArray
    mean: FloatArray
    cov: FloatArray

    def and_then(self, other: Solved) -> Solved:
        return Solved(
            np.concatenate([self.along, other.along]),
            np.concatenate([self.log, other.log]),
            np.concatenate([self.mean, other.mean]),
            np.concatenate([self.cov, other.cov]),
        )
