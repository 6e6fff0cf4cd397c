"""A hold's level, rate and settling amplitudes for given time constants: linear and Gaussian, so in closed form.

Level and rate are taken out first; what is left has one row and column for each amplitude, three at most, and is
solved for hundreds of sets of time constants at once. Sets with fewer exponentials than others that are solved with
them have ``NONE`` in place of a time constant: nothing that settles, known to be nothing. The points are the last axis
of all arrays, which numpy is quickest with. Derivation in docs/hold.md.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.hold.bins import GRID, NONE
from recorder.analysis.hold.noise import Noise, NoiseFinder

if TYPE_CHECKING:
    from recorder.model import FloatArray, IntArray

__all__ = ["LOG_SLOW", "SLOW_S", "Line", "Problem", "Solved", "settles_kpa"]

# where no source is named beside a number: common practice, no source
SLOW_S = 8.0  # rubber, not air: settling slower than this falls
LOG_SLOW = math.log(SLOW_S)
_SLOW_SHARE = 0.02  # of the pressure
# by how much quick settling may rise: of how much it may fall; of what was let out (gamma - 1)
_RISES, _WARMS = 0.03, 0.4
# Gauss-Newton steps in log time constants: the first is no longer, none is; log evidence that is worth one; how many
_FIRST_STEP, _FURTHEST, _GAIN, _STEPS = 0.5, 0.6, 0.05, 30


def settles_kpa(level_kpa: float) -> float:
    """Standard deviation (kPa) of what a hose under ``level_kpa`` has still to give."""
    return _SLOW_SHARE * abs(level_kpa) + 0.05


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
        gives: float = 1.0,
        fell_kpa: float = 0.0,
    ) -> None:
        """bows_kpa (q, n): by what the trace may bend because the leak's law is not known better, each times a standard
        normal coefficient; by ``away`` (q) of them the law has been moved already. gives: hoses settle by so many times
        what they usually do. fell_kpa: by so much the pressure had fallen shortly before."""
        b = finder.b
        self.b, self.noise, self.finder = b, noise, finder
        self.white, log_det = finder.whitener(noise)
        self.middle = float(b.y.mean())
        y = b.y - self.middle
        self.bows = np.zeros((0, len(y)))
        if bows_kpa is not None and away is not None:
            y = y + away @ bows_kpa
            if self.white.ndim == 1:
                self.white = np.diag(self.white)
            # noise of rank q more: I + U U' is whitened by its own square root
            q, size, _ = np.linalg.svd(self.white @ bows_kpa.T, full_matrices=False)
            self.white = self.white + (q * (1.0 / np.sqrt(1.0 + size**2) - 1.0)) @ (q.T @ self.white)
            log_det -= 0.5 * float(np.log1p(size**2).sum())
            self.bows = bows_kpa @ self.white.T
        self.y = self.whiten(y)
        self.base = log_det - 0.5 * float(self.y @ self.y)
        self.one = self.whiten(np.ones(len(b.t)))
        self.slow_kpa = gives * settles_kpa(level_kpa)
        self.fast_kpa = settles_kpa(level_kpa) + 0.3 * abs(rise_kpa)
        # gas that was pumped in cools; only what was let out has left gas that warms up again
        self.back_kpa = min(_RISES * self.fast_kpa + _WARMS * fell_kpa, self.fast_kpa)
        self.length_s = float(b.t[-1] + b.half_s[-1])

    def whiten(self, values: FloatArray) -> FloatArray:
        """Values of the bins (..., n), so that their noise is white with variance one."""
        return values * self.white if self.white.ndim == 1 else values @ self.white.T

    @cached_property
    def on_grid(self) -> FloatArray:
        """Whitened bin means (places, n) of the grid's exponentials; the last row is of ``NONE``."""
        return self.whiten(self.finder.decays)

    @cached_property
    def grid_precision(self) -> FloatArray:
        return self.precision(np.append(GRID, NONE))

    def precision(self, theta: FloatArray) -> FloatArray:
        """Prior precisions of amplitudes; any will do for what is not there."""
        return np.asarray(np.where(theta < LOG_SLOW, self.fast_kpa**-2.0, self.slow_kpa**-2.0))

    def bent(self, shape: FloatArray, theta: FloatArray, mean: FloatArray) -> FloatArray:
        """Coefficients (q) of the bows that a fit leaves: log time constants (k), level, rate and amplitudes (2 + k);
        shape (n): the leak's fall."""
        x = np.concatenate([self.one[None], -self.whiten(shape)[None], self.whiten(self.b.decays(theta))])
        return np.asarray(self.bows @ (self.y - mean @ x))

    def bends(
        self, shape: FloatArray, theta: FloatArray, mean: FloatArray, cov: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """The bows' coefficients at points of a posterior: means (q, m), covariances with level, rate and amplitudes
        (q, 2 + k, m), variances (q, m). theta (k, m), mean (2 + k, m), cov (2 + k, 2 + k, m): of the points."""
        q, k = len(self.bows), len(theta)
        along = np.empty((q, 2 + k, theta.shape[1]))  # a unit of each, seen along the bows
        along[:, :2] = (self.bows @ np.stack([self.one, -self.whiten(shape)], axis=1))[:, :, None]
        along[:, 2:] = (self.whiten(self.b.decays(theta.T)) @ self.bows.T).transpose(2, 1, 0)
        cross = -(along[:, :, None] * cov).sum(axis=1)
        own = 1.0 - (self.bows * self.bows).sum(axis=1)
        return (
            (self.bows @ self.y)[:, None] - (along * mean).sum(axis=1),
            cross,
            own[:, None] - (along * cross).sum(axis=1),
        )


def _inverse(a: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Inverses (k, k, m) and log determinants (m) of positive definite matrices ``a`` (k, k, m), k small: by sweeping
    (Goodnight 1979, Am. Stat. 33, 149), which takes less than calling LAPACK for each of many."""
    k, _, m = a.shape
    product = np.ones(m)
    for j in range(k):
        pivot = a[j, j].copy()
        product *= pivot
        row = a[j] / pivot
        column = a[:, j].copy()
        a = a - column[:, None] * row
        a[j] = row
        a[:, j] = -column / pivot
        a[j, j] = 1.0 / pivot
    return a, np.log(product)


class Line:
    """Level and rate of a leak of one law, taken out of readings and amplitudes (Frisch & Waugh 1933, Econometrica 1,
    387), so that what is left has one row and column for each amplitude. shape (n): the leak's fall at the bins."""

    def __init__(self, problem: Problem, shape: FloatArray) -> None:
        self.problem = problem
        one, y, leak = problem.one, problem.y, -problem.whiten(shape)
        # Cholesky's root of their Gram matrix, and its inverse
        size = math.sqrt(float(one @ one) + 1e-12)
        across = float(one @ leak) / size
        rest = math.sqrt(max(float(leak @ leak) + 1e-12 - across * across, 1e-12))
        self.back = np.array([[1.0 / size, 0.0], [-across / (size * rest), 1.0 / rest]])
        self.basis = self.back @ np.stack([one, leak])
        self.right = self.basis @ y
        self.base = problem.base + 0.5 * float(self.right @ self.right) - math.log(size) - math.log(rest)
        self.rest = y - self.right @ self.basis

    def _slopes(self, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
        """What level and rate leave of exponentials (..., n) of log time constants ``theta``, whitened, and their
        derivatives."""
        raw = self.problem.b.slopes(theta)
        flat = self.problem.whiten(raw.reshape(-1, raw.shape[-1]))  # as one matrix: quicker
        left = (flat - (flat @ self.basis.T) @ self.basis).reshape(raw.shape)
        return left[0], left[1]

    def _amplitudes(self, along: FloatArray, gram: FloatArray, right: FloatArray, lam: FloatArray) -> Solved:
        """Of m sets of normal equations without level and rate; along (k, 2, m), gram (k, k, m), right (k, m); lam
        (k, m): prior precisions, which ``gram`` gets added."""
        for j in range(len(lam)):
            gram[j, j] += lam[j]
        cov, size = _inverse(gram)
        mean = (cov * right).sum(axis=1)
        log = 0.5 * ((right * mean).sum(axis=0) - size + np.log(lam).sum(axis=0)) + self.base
        return Solved(along, log, mean, cov)

    def solve(self, theta: FloatArray) -> Solved:
        """At ``theta`` (k, m), which may be ``NONE``."""
        shapes = self.problem.whiten(self.problem.b.decays(theta.T))
        along = shapes @ self.basis.T
        gram = shapes @ shapes.transpose(0, 2, 1) - along @ along.transpose(0, 2, 1)
        right = shapes @ self.rest
        return self._amplitudes(
            np.ascontiguousarray((along @ self.back).transpose(1, 2, 0)),
            np.ascontiguousarray(gram.transpose(1, 2, 0)),
            np.ascontiguousarray(right.T),
            self.problem.precision(theta),
        )

    @cached_property
    def _grid(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Of the grid's exponentials: what level and rate give way (2, places), Gram matrix, right side."""
        shapes = self.problem.on_grid
        along = shapes @ self.basis.T
        return np.ascontiguousarray((along @ self.back).T), shapes @ shapes.T - along @ along.T, shapes @ self.rest

    def on_grid(self, index: IntArray) -> Solved:
        """On the grid places ``index`` (k, m), from one Gram matrix."""
        along, gram, right = self._grid
        lam = self.problem.grid_precision[index]
        return self._amplitudes(
            along[:, index].transpose(1, 0, 2), gram[index[:, None], index[None]], right[index], lam
        )

    def whole(self, found: Solved, use: IntArray) -> tuple[FloatArray, FloatArray]:
        """Means (2 + k, m) and covariances (2 + k, 2 + k, m) of level, rate and amplitudes at the places ``use``."""
        along, amount, own = found.along[:, :, use], found.mean[:, use], found.cov[:, :, use]
        k, m = amount.shape
        mean, cov = np.empty((2 + k, m)), np.empty((2 + k, 2 + k, m))
        mean[:2] = (self.right @ self.back)[:, None] - (amount[:, None] * along).sum(axis=0)
        mean[2:] = amount
        cross = (own[:, :, None] * along).sum(axis=1)  # (k, 2, m)
        cov[:2, :2] = (self.back.T @ self.back)[:, :, None] + (along[:, :, None] * cross[:, None]).sum(axis=0)
        cov[2:, :2] = -cross
        cov[:2, 2:] = -cross.transpose(1, 0, 2)
        cov[2:, 2:] = own
        return mean, cov

    def newton(self, theta: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Optima near ``theta`` (m, k), their covariances (m, k, k) and log evidences by Gauss-Newton steps, shorter
        ones where one does not gain, until no step has anything to gain."""
        m, k = theta.shape
        best, best_log = theta.copy(), np.full(m, -np.inf)
        best_cov, way, slope = np.tile(np.eye(k), (m, 1, 1)), np.zeros((m, k)), np.zeros(m)
        step = np.full(m, _FIRST_STEP)
        going = np.arange(m)
        for _ in range(_STEPS):
            log, cov, move, up = self._climb(theta)
            better = log > best_log[going]
            new = going[better]
            best_log[new], best[new], best_cov[new] = log[better], theta[better], cov[better]
            way[new], slope[new] = move[better], up[better]
            step[going] = np.where(better, np.minimum(step[going] * 1.6, _FURTHEST), step[going] * 0.3)
            short = np.minimum(1.0, step[going] / np.maximum(np.abs(way[going]).max(axis=1), 1e-12))
            gain = slope[going] * short * (1.0 - 0.5 * short)  # of a step so short, on a parabola
            on = gain >= _GAIN
            going, short = going[on], short[on]
            if not len(going):
                break
            start = best[going]
            theta = np.where(start > NONE, np.clip(start + way[going] * short[:, None], GRID[0], GRID[-1]), NONE)
        return best, best_cov, best_log

    def _climb(self, theta: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Log evidences (m) at ``theta`` (m, k), covariances (m, k, k) there, Gauss-Newton steps (m, k), and by how
        much the log evidence goes up along each (m)."""
        k = theta.shape[1]
        index = np.arange(k)
        shapes, d = self._slopes(theta)
        turned = shapes.transpose(0, 2, 1)
        gram, right, prior = shapes @ turned, shapes @ self.rest, self.problem.precision(theta)
        gram[:, index, index] += prior
        cov = np.linalg.inv(gram)
        mean = (cov @ right[:, :, None])[:, :, 0]
        gained = (right * mean).sum(axis=1) - np.linalg.slogdet(gram)[1] + np.log(prior).sum(axis=1)
        d *= mean[:, :, None]
        rest = self.rest - (mean[:, None, :] @ shapes)[:, 0]
        cross = d @ turned
        schur = d @ d.transpose(0, 2, 1) - cross @ cov @ cross.transpose(0, 2, 1)
        spread = np.linalg.inv(schur + np.eye(k))
        up = (d @ rest[:, :, None])[:, :, 0]
        move = (spread @ up[:, :, None])[:, :, 0]
        log = np.asarray(0.5 * gained + self.base)
        return log, np.asarray(spread), np.asarray(move), np.asarray((up * move).sum(axis=1))

    def beside(self, theta: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Of ``theta`` (k), with one exponential more at each of m places of the grid: about where the best of them is
        (m, k), their covariances (m, k, k) and log evidences there (m); by one Gauss-Newton step."""
        k, index, lam = len(theta), np.arange(len(theta)), self.problem.grid_precision[:-1]
        m = len(lam)
        shapes, d = self._slopes(theta)
        grid = self.problem.on_grid[:-1]
        x = np.concatenate([shapes, d, grid - (grid @ self.basis.T) @ self.basis])
        every, right = x @ x.T, x @ self.rest
        rows = np.concatenate([np.repeat(index[:, None], m, axis=1), 2 * k + np.arange(m)[None]])
        prior = np.concatenate([np.repeat(self.problem.precision(theta)[:, None], m, axis=1), lam[None]])
        found = self._amplitudes(np.empty((k + 1, 2, m)), every[rows[:, None], rows[None]], right[rows], prior)
        size = found.mean[:k]
        cross = every[k + index[:, None, None], rows[None]]  # (k, k + 1, m)
        up = size * (right[k : 2 * k, None] - (cross * found.mean).sum(axis=1))
        taken = (cross[:, None, :, None] * found.cov * cross[None, :, None, :]).sum(axis=(2, 3))
        schur = size[:, None] * size * (every[k : 2 * k, k : 2 * k, None] - taken)
        spread = np.linalg.inv(schur.transpose(2, 0, 1) + np.eye(k))
        move = (spread @ up.T[:, :, None])[:, :, 0]
        short = np.minimum(1.0, _FIRST_STEP / np.maximum(np.abs(move).max(axis=1), 1e-12))
        gain = (up.T * move).sum(axis=1) * short * (1.0 - 0.5 * short)
        return theta + move * short[:, None], np.asarray(spread), found.log + gain

    def left(self, theta: FloatArray) -> float:
        """Sum of squares, in variances of the noise, that exponentials of log time constants ``theta`` (k) leave."""
        shapes = self._slopes(theta[None])[0][0]
        gram = shapes @ shapes.T + np.diag(self.problem.precision(theta))
        rest = self.rest - np.linalg.solve(gram, shapes @ self.rest) @ shapes
        return float(rest @ rest)


@dataclass(frozen=True, slots=True, eq=False)
class Solved:
    """Amplitudes at m sets of time constants: along (k, 2, m) what level and rate give way by one kPa of each, log
    evidence (m), means (k, m), covariances (k, k, m)."""

    along: FloatArray
    log: FloatArray
    mean: FloatArray
    cov: FloatArray
