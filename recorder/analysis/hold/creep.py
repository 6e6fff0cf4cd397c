"""Rubber that creeps evenly in the logarithm of time: what it still gives in a hold.

Creep of vulcanized rubber is told by decades of time, some hundredths of the strain in each (Gent 1962, J. Appl. Polym.
Sci. 6, 433, and ISO 8013; both from memory). Each stroke's load creeps on by itself (Boltzmann's superposition), so
the strokes before the hold give the shape, and one amplitude is all that is not known.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from recorder.model import FloatArray

__all__ = ["creep_shape"]

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
