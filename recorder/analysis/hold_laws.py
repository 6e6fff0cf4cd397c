"""How a leak's flow goes with pressure, as the shape of the fall it causes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from recorder.model import FloatArray

__all__ = ["LAWS", "NEAR_LAW", "STEADY", "Law", "leak_shape"]

Law = tuple[float, float, float]
"""(n, m, b) of p' = -k p^n (p + b)^m, b kPa: n 1/2 turbulent, 1 laminar, 0 choked or steady. b one
atmosphere: m 0 to 2 says how much the gas space grows by the liquid lost; two atmospheres, n = m = 1: laminar gas,
whose flow goes with P^2 - P_air^2."""
_AIR_KPA = 101.325  # shapes only; the local pressure would change nothing that shows

STEADY: Law = (0.0, 0.0, _AIR_KPA)
NEAR_LAW: Law = (0.5, 1.0, _AIR_KPA)  # a small fall does not show which one it is
LAWS: tuple[Law, ...] = (
    STEADY,
    (0.0, 1.0, _AIR_KPA),
    *((n, m, _AIR_KPA) for n in (0.5, 1.0) for m in (0.0, 1.0, 2.0)),
    (1.0, 1.0, 2.0 * _AIR_KPA),
)


def leak_shape(
    t: FloatArray, law: Law, seen_s: FloatArray, seen_kpa: FloatArray, length_s: float
) -> FloatArray:
    """The leak's fall at ``t`` (s since the start), ``length_s`` at the end: one a second on average.

    seen_s, seen_kpa: the pressure (gauge, noise averaged out) along the hold. It is what drives the leak, settling
    and all, so the shape needs no guess of the leak's size.
    """
    n, m, base = law
    if law == STEADY:
        return t.copy()
    top = max(float(seen_kpa[0]), 1e-3)
    gauge = np.maximum(seen_kpa, 0.0)
    drive = (gauge / top) ** n * ((gauge + base) / (top + base)) ** m
    at = np.concatenate([[0.0], seen_s, [length_s]])
    rate = np.concatenate([drive[:1], drive, drive[-1:]])
    fell = np.concatenate([[0.0], np.cumsum(np.diff(at) * (rate[1:] + rate[:-1]) / 2.0)])
    if fell[-1] <= 0.0:
        return t.copy()
    # between the places a parabola: the drive there is a straight line
    k = np.clip(np.searchsorted(at, t, side="right") - 1, 0, len(at) - 2)
    width = np.maximum(at[k + 1] - at[k], 1e-9)
    d = t - at[k]
    inside = rate[k] * d + (rate[k + 1] - rate[k]) * d * d / (2.0 * width)
    return np.asarray((fell[k] + inside) * (length_s / fell[-1]))
