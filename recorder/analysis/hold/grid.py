"""The grid of time constants that a hold's posterior is covered by: all ordered sets of none to three of its places."""

from __future__ import annotations

import math
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.hold.bins import GRID, NONE
from recorder.analysis.hold.line import LOG_SLOW

if TYPE_CHECKING:
    from recorder.model import FloatArray

__all__ = ["FULL", "LOG_ONE_LESS", "QUICK", "THREE", "TWO", "Family", "log_prior"]

_SLOW_PRIOR = np.array([1e-4,.45,.43,.12])  # of none, one, two, three slow ones: rubber always gives
# what the log prior is more with so many slow ones where something else takes the place of one (three: as none)
LOG_ONE_LESS = np.log(np.roll(_SLOW_PRIOR, -1) / _SLOW_PRIOR)


def log_prior(theta: FloatArray, volume: FloatArray) -> FloatArray:
    """Log prior density of ordered log time constants (k, m): flat among those with as many slow ones."""
    slow = np.count_nonzero(theta >= LOG_SLOW, axis=0)
    # as many fast ones as it takes: none, one or two alike
    ways = np.array([3.0, 3.0, 2.0, 1.0])
    return np.asarray(np.log(_SLOW_PRIOR / ways / volume)[slow])


class Structure:
    """The grid of k exponentials, or every second place of it: ``places`` (m, k), volume of one place, of those with
    none, one, two, three slow ones, and the log prior density at each."""

    def __init__(self, k: int, *, coarse: bool) -> None:
        self.k = k
        every = range(0, len(GRID), 2 if coarse else 1)
        self.places = np.array(list(combinations(every, k)), int).reshape(math.comb(len(every), k), k)
        self.cell = (float(GRID[1] - GRID[0]) * (2 if coarse else 1)) ** k
        slow = np.count_nonzero(GRID[self.places] >= LOG_SLOW, axis=1)
        self.volumes = np.maximum(np.bincount(slow, minlength=4), 1) * self.cell
        theta = GRID[self.places].T
        self.log_prior = log_prior(theta, self.volumes) if k else np.array([math.log(_SLOW_PRIOR[0])])


class Family:
    """Structures that are solved at once: the grid places (k, m) of all, ``len(GRID)`` for an exponential too many;
    their log time constants; at which column each structure begins."""

    def __init__(self, *structures: Structure) -> None:
        self.structures = structures
        most = max(s.k for s in structures)
        fill = len(GRID)
        self.index = np.concatenate(
            [np.pad(s.places, ((0, 0), (0, most - s.k)), constant_values=fill) for s in structures]
        ).T.copy()
        self.theta = np.append(GRID, NONE)[self.index]
        self.starts = [0, *np.cumsum([len(s.places) for s in structures])[:-1].tolist()]
        self.counts = [s.k for s in structures]


_NONE, _ONE = Structure(0, coarse=False), Structure(1, coarse=False)
TWO = Family(Structure(2, coarse=True))
QUICK = Family(_NONE, _ONE, *TWO.structures)
FULL = Family(_NONE, _ONE, Structure(2, coarse=False))
THREE = Family(Structure(3, coarse=True))
