"""The noise of a hold from the record itself: white, or white with a wandering (Ornstein-Uhlenbeck) part.

The wandering part carries what real transducers show and what makes a white-noise uncertainty of a slope too small.
Its strength and correlation time are those of the greatest restricted likelihood (Patterson & Thompson 1971,
Biometrika 58, 545), found on a grid; white alone is kept unless the likelihood says otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.hold.bins import GRID, NONE, Bins
from recorder.analysis.trace.filters import median

if TYPE_CHECKING:
    from collections.abc import Sequence

    from recorder.model import FloatArray

__all__ = ["Noise", "NoiseFinder"]

# where no source is named beside a number: common practice, no source
_TIMES_S = (0.15, 0.5, 1.5, 5.0, 15.0, 50.0)
_SHARES = np.geomspace(0.01, 100.0, 13)
_EARNED = 3.0  # log likelihood that two more parameters have to bring


@dataclass(frozen=True, slots=True)
class Noise:
    """``white_kpa`` standard deviation of one reading; ``wander_kpa`` and ``wander_s`` of the correlated part."""

    white_kpa: float
    wander_kpa: float = 0.0
    wander_s: float = 1.0


def _wander(b: Bins, time_s: float) -> FloatArray:
    """Covariance of bin means (n, n) of an Ornstein-Uhlenbeck process of unit variance."""
    h = np.maximum(b.half_s, 1e-6) / time_s
    lag = np.abs(b.t[:, None] - b.t[None, :]) / time_s
    damp = -np.expm1(-2.0 * h) / (2.0 * h)
    out = np.exp(np.minimum(h[:, None] + h[None, :] - lag, 0.0)) * damp[:, None] * damp[None, :]
    x = 2.0 * h
    own = np.where(x > 1e-3, 2.0 * (x - 1.0 + np.exp(-x)) / np.maximum(x, 1e-3) ** 2, 1.0)
    np.fill_diagonal(out, own)
    return np.asarray(out)


class NoiseFinder:
    """The noise of what any design leaves of the same bins; the spectra of the wandering parts are found once.

    only_s: no more than the part of this correlation time is wanted.
    """

    def __init__(self, b: Bins, *, only_s: float | None = None) -> None:
        self.b = b
        self.root = np.sqrt(b.weight)
        usual, half = median(b.weight), median(b.half_s)
        length = float(b.t[-1] - b.t[0])
        self.kinds = []
        for time_s in _TIMES_S:
            if time_s == only_s or (only_s is None and 0.5 * half < time_s < 0.5 * length):
                values, vectors = np.linalg.eigh(
                    self.root[:, None] * _wander(b, time_s) * self.root[None, :]
                )
                shares = _SHARES / usual * max(1.0, half / time_s)
                self.kinds.append((time_s, shares, np.maximum(values, 0.0), vectors))

    @cached_property
    def decays(self) -> FloatArray:
        """Bin means (places + 1, n) of the grid's exponentials; the last row is of none."""
        return self.b.decays(np.append(GRID, NONE))

    def whitener(self, noise: Noise) -> tuple[FloatArray, float]:
        """Matrix (n, n) that makes the bins' noise white with variance one, or its diagonal (n) where that is all of
        it, and the log of its determinant."""
        scale = self.root / noise.white_kpa
        log_det = float(np.log(scale).sum())
        if noise.wander_kpa == 0.0:
            return scale, log_det
        values, vectors = next((v, w) for t, _, v, w in self.kinds if t == noise.wander_s)
        spectrum = 1.0 + (noise.wander_kpa / noise.white_kpa) ** 2 * values
        log_det -= 0.5 * float(np.log(spectrum).sum())
        return np.asarray((vectors / np.sqrt(spectrum)).T * scale), log_det

    def find(
        self, columns: FloatArray, designs: Sequence[Sequence[int]], least_kpa: float, *, within: float = 0.0
    ) -> list[Noise]:
        """Noise of what each of ``designs``, numbers of some of ``columns`` (c, n), leaves of the bins. least_kpa: no
        reading is better than this. within: in log likelihood; other correlation times that are so near are given
        too."""
        rows = columns / np.linalg.norm(columns, axis=1)[:, None] * self.root
        rows = np.concatenate([rows, (self.b.y * self.root)[None]])
        # of white noise alone, then of every strength of every kind
        times, all_shares, grams, spectra = [1.0], [np.zeros(1)], [(rows @ rows.T)[None]], [np.zeros(1)]
        for time_s, shares, values, vectors in self.kinds:
            spectrum = 1.0 + shares[:, None] * values
            turned = rows @ vectors
            grams.append((turned / spectrum[:, None]) @ turned.T)
            spectra.append(np.log(spectrum).sum(axis=1))
            all_shares.append(shares)
            times += [time_s] * len(shares)
        kinds = [0, *np.cumsum([len(shares) for shares in all_shares])[:-1].tolist()]
        every, log_spectrum, strengths = np.concatenate(grams), np.concatenate(spectra), np.concatenate(all_shares)
        out = []
        for design in designs:
            dof = max(len(self.b.y) - len(design), 1)
            gram = every[:, np.array(design)[:, None], design] + 1e-12 * np.eye(len(design))
            right = every[:, design, -1]
            beta = np.linalg.solve(gram, right[:, :, None])[:, :, 0]
            rss = np.maximum(every[:, -1, -1] - (beta * right).sum(axis=1), 1e-12)
            var = np.maximum(rss / dof, least_kpa**2)
            log = -0.5 * (dof * np.log(var) + rss / var + log_spectrum + np.linalg.slogdet(gram)[1])
            log[0] += _EARNED
            best = [a + int(np.argmax(log[a:b])) for a, b in zip(kinds, [*kinds[1:], len(log)], strict=True)]
            best.sort(key=lambda i: -log[i])
            for i in best:
                if i == best[0] or log[i] > log[best[0]] - within:
                    white = float(np.sqrt(var[i]))
                    out.append(Noise(white, white * float(np.sqrt(strengths[i])), times[i]))
        return out
