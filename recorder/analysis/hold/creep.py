"""Rubber that creeps evenly in the logarithm of time: what it still gives in a hold.

Creep of vulcanized rubber is told by decades of time, some hundredths of the strain in each (Gent 1962, J. Appl. Polym.
Sci. 6, 433, and ISO 8013; both from memory). Each stroke's load creeps on by itself (Boltzmann's superposition), so
the strokes before the hold give the shape, and one amplitude is all that is not known.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from recorder.analysis.hold.line import Problem
    from recorder.model import FloatArray

__all__ = ["Creep", "creep_shape"]

_SINCE_S = 1.0  # a load is not put on at once; what creeps sooner is told by exponentials


def creep_shape(
    t: FloatArray, ages_s: FloatArray, rises_kpa: FloatArray, level_kpa: float, length_s: float
) -> FloatArray:
    """The fall at ``t`` (s since the hold's start), one at ``length_s``.

    ages_s, rises_kpa: how long before the start each stroke ended, in order, and its rise; what they bring beyond
    ``level_kpa``, the pressure at the start, a valve let out again.
    """
    load = np.diff(np.minimum(np.cumsum(rises_kpa), max(level_kpa, 1.0)), prepend=0.0)
    if not load.sum() > 0.0:
        load, ages_s = np.ones(1), np.zeros(1)
    fell = np.log1p(np.append(t, length_s)[:, None] / (ages_s + _SINCE_S)) @ load
    return np.asarray(fell[:-1] / fell[-1])


@dataclass(frozen=True, slots=True, eq=False)
class Creep:
    """The creep in a posterior's points, which is among the bows of ``problem``: ``usual_kpa`` in the hold, and as much
    less or more. leak (n): the leak's fall at the bins; fell: the creep's at any times, one at the end."""

    problem: Problem
    leak: FloatArray
    usual_kpa: float
    fell: Callable[[FloatArray], FloatArray]

    def sizes(
        self, theta: FloatArray, mean: FloatArray, cov: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """By how much (kPa) it lowers the pressure in the hold at m points: means (m), covariances with level, rate and
        amplitudes (2 + k, m), variances (m)."""
        by, cross, var = self.problem.bends(self.leak, theta, mean, cov)
        return self.usual_kpa * (1.0 + by[0]), self.usual_kpa * cross[0], self.usual_kpa**2 * var[0]
