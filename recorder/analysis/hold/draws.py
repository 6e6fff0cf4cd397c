"""Where a hold's posterior is looked at beside the places of the grid: points of known density about its optima, and
along its ridges.

Where fewer exponentials are enough, some time constants of more of them are sharp and the others may be anything: a
ridge along the grid, narrower than its places are apart, which no normal about an optimum covers.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.hold.bins import GRID
from recorder.analysis.trace.normal import normal_quantile

if TYPE_CHECKING:
    from recorder.analysis.hold.line import Line
    from recorder.model import FloatArray

__all__ = ["LIKELY", "Modes", "Ridge", "apart"]

# where no source is named beside a number: common practice, no source
_DRAWS = {1: 16, 2: 32, 3: 48}
_ALONG = 4  # draws at each place of a ridge
_SCALES = (1.1, 2.5)
_CELL = float(GRID[1] - GRID[0])
LIKELY = 11.0  # in log density: less than this below the best weighs nothing


def _uniforms(n: int, k: int) -> FloatArray:
    """n evenly spread points (n, k) between 0 and 1: additive recurrence (Roberts, golden ratio)."""
    root = 2.0
    for _ in range(30):
        root = (1.0 + root) ** (1.0 / (k + 1))
    return np.asarray((0.5 + np.arange(1, n + 1)[:, None] * root ** -np.arange(1.0, k + 1)[None]) % 1.0)


_NORMALS = {k: normal_quantile(_uniforms(n, k)) for k, n in _DRAWS.items()}
# half of the draws wider
_WIDTHS = {k: np.where(np.arange(n) < n // 2, *_SCALES)[:, None] for k, n in _DRAWS.items()}


def apart(theta: FloatArray, weight: FloatArray) -> list[int]:
    """Up to four of the best of ``theta`` (k, m) that are no neighbours."""
    order = np.argsort(-weight)[:40]
    near = theta[:, order]
    chosen, far = [0], np.ones(len(order), bool)
    while len(chosen) < 4:
        far &= np.abs(near - near[:, chosen[-1], None]).max(axis=0) > 0.6
        following = int(np.argmax(far))
        if not far[following]:
            break
        chosen.append(following)
    return [int(order[i]) for i in chosen]


def _inside(drawn: FloatArray) -> FloatArray:
    """Those of ``drawn`` (m, k) that are ordered and no further out than the grid, as (k, fewer)."""
    inside = ((drawn >= GRID[0] - 0.1) & (drawn <= GRID[-1] + 0.1)).all(axis=1)
    inside &= (drawn[:, 1:] - drawn[:, :-1] > 0.1).all(axis=1)
    return np.asarray(drawn[inside].T)


class Modes:
    """Draws about optima ``modes`` (m, k), half of them wider; cov (m, k, k): their covariances."""

    def __init__(self, modes: FloatArray, cov: FloatArray) -> None:
        self.modes, self.roots = modes, np.asarray(np.linalg.cholesky(cov), float)

    def drawn(self) -> FloatArray:
        """Points (k, m)."""
        k = self.modes.shape[1]
        on = (_NORMALS[k] * _WIDTHS[k]) @ self.roots.transpose(0, 2, 1)
        return _inside((self.modes[:, None, :] + on).reshape(-1, k))

    def density(self, theta: FloatArray) -> FloatArray:
        """How many draws fall at ``theta`` (k, m), a unit of volume."""
        k = self.modes.shape[1]
        back = np.linalg.inv(self.roots)
        z = back @ (theta - self.modes[:, :, None])
        q = np.exp(-0.5 * (z * z).sum(axis=1))
        scale = (_DRAWS[k] // 2) * np.abs(np.linalg.det(back)) / (2 * math.pi) ** (k / 2)
        return np.asarray(sum(scale / s**k @ q ** (s**-2.0) for s in _SCALES))


class Ridge:
    """Draws where one time constant more is anywhere on the grid, and ``theta`` (k - 1) about where that leaves them;
    best: the highest log evidence that is known of as many."""

    def __init__(self, line: Line, theta: FloatArray, best: float) -> None:
        middles, cov, log = line.beside(theta)
        use = log > max(float(log.max()), best) - LIKELY
        self.free, self.middles = GRID[use], middles[use]
        self.roots = np.linalg.cholesky(cov[use])
        self.which = np.where(use, np.cumsum(use) - 1, -1)

    def drawn(self) -> FloatArray:
        """Points (k, m)."""
        m, j = self.middles.shape
        u = _uniforms(m * _ALONG, 1 + j).reshape(m, _ALONG, 1 + j)
        width = np.where(np.arange(_ALONG) < _ALONG // 2, *_SCALES)[:, None]
        sharp = self.middles[:, None] + (normal_quantile(u[:, :, 1:]) * width) @ self.roots.transpose(0, 2, 1)
        free = self.free[:, None, None] + (u[:, :, :1] - 0.5) * _CELL
        return _inside(np.sort(np.concatenate([sharp, free], axis=2).reshape(-1, 1 + j), axis=1))

    def density(self, theta: FloatArray) -> FloatArray:
        """How many draws fall at ``theta`` (k, m), a unit of volume."""
        k, m = theta.shape
        back = np.linalg.inv(self.roots)
        scale = _ALONG // 2 / _CELL * np.abs(np.linalg.det(back)) / (2 * math.pi) ** ((k - 1) / 2)
        place = np.clip(np.rint((theta - GRID[0]) / _CELL).astype(np.int64), 0, len(GRID) - 1)
        out = np.zeros(m)
        for i in range(k):  # any of them may be the free one
            which = self.which[place[i]]
            here = np.flatnonzero(which >= 0)
            which, sharp = which[here], np.delete(theta, i, axis=0)[:, here].T
            z = (back[which] @ (sharp - self.middles[which])[:, :, None])[:, :, 0]
            q = np.exp(-0.5 * (z * z).sum(axis=1))
            out[here] += scale[which] * sum(q ** (s**-2.0) / s ** (k - 1) for s in _SCALES)
        return out
