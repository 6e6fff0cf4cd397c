"""A hold's readings brought down to some eighty means: short bins where settling is quick, long ones later."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.trace.filters import median

if TYPE_CHECKING:
    from recorder.model import BoolArray, FloatArray, IntArray

__all__ = ["GRID", "NONE", "Bins", "bin_hold", "knocked"]

# where no source is named beside a number: common practice, no source
GRID = np.linspace(math.log(0.5), math.log(100.0), 26)  # log time constants (s) of what settles
NONE = -math.inf  # log time constant of an exponential that is not there
_FIRST_S = 0.12
_GROWTH = 1.25
_LATE = 60  # bins over the hold where they have stopped growing
_KNOCK = 5.0  # standard deviations
_KNOCK_S = 3.0  # what is off for longer, and to the hold's end, is no knock
_OVER = 120.0  # time constants: what is left is nothing; the squares of less yet would be slow to reckon with


@dataclass(frozen=True, slots=True, eq=False)
class Bins:
    """Means of n bins. Times s since the hold's start: middle (of the readings), half width; ``y`` kPa;
    ``weight`` effective number of readings; ``first`` index of the first reading of each bin, of those too that were
    left out."""

    t: FloatArray
    half_s: FloatArray
    y: FloatArray
    weight: FloatArray
    first: IntArray

    def decays(self, theta: FloatArray) -> FloatArray:
        """Means (..., n) of exp(-t / tau) over the bins, at log time constants ``theta``; nothing at ``NONE``."""
        return self.slopes(theta, only_means=True)

    def slopes(self, theta: FloatArray, *, only_means: bool = False) -> FloatArray:
        """``decays`` and their derivatives with respect to log tau: (2, ..., n); only_means: ``decays`` alone."""
        there = theta > NONE
        whole = bool(there.all())
        rate = np.exp(-theta if whole else np.where(there, -theta, 0.0))[..., None]
        x = np.minimum(rate * self.half_s, 30.0)
        inside = np.where(x > 1e-3, np.sinh(x) / np.maximum(x, 1e-3), 1.0)
        spent = rate * self.t
        means = np.exp(-np.minimum(spent, _OVER)) * inside
        if not whole:
            means *= there[..., None]
        return means if only_means else np.stack([means, means * spent])


def _edges(t: FloatArray) -> IntArray:
    """Index of the first reading of every bin; every bin has one reading at least."""
    length, dt = float(t[-1]), median(t[1:] - t[:-1])
    widest = max(length / _LATE, 1.01 * dt)
    width = max(_FIRST_S, 1.01 * dt)
    cuts = [0.0]
    while cuts[-1] < length:
        cuts.append(cuts[-1] + width)
        width = min(width * _GROWTH, widest)
    at = np.minimum(np.searchsorted(t, cuts[:-1]), len(t) - 1)
    return np.asarray(at[np.append(True, at[1:] > at[:-1])])


def _levels(y: FloatArray, first: IntArray, n: IntArray) -> FloatArray:
    """The (lower) median of each bin."""
    out = np.empty(len(first))
    for i, (begin, many) in enumerate(zip(first.tolist(), n.tolist(), strict=True)):
        some = y[begin : begin + many].copy()
        some.sort()
        out[i] = some[(many - 1) // 2]
    return out


def knocked(t: FloatArray, far: BoolArray) -> BoolArray:
    """What of ``far`` from a curve, readings at ``t`` (s), may be knocks: not what stays there to the hold's end, as
    that is what the curve does not follow."""
    if far[-1]:
        begins = int(np.flatnonzero(np.append(True, ~far))[-1])
        if t[-1] - t[begins] > _KNOCK_S:
            far = far.copy()
            far[begins:] = False
    return far


def bin_hold(
    t: FloatArray,
    y: FloatArray,
    sd_kpa: float,
    middle: FloatArray | None = None,
    information: FloatArray | None = None,
    first: IntArray | None = None,
) -> Bins:
    """Bin readings ``y`` (kPa) at ``t`` (s since the start). Knocks, far from ``middle`` (the fitted curve at the
    readings; the bin's own sloping median where there is none yet) are left out, with their neighbours.

    information: weight of each reading against a plain one (1 where absent). first: of bins of the same readings that
    were made before.
    """
    if first is None:
        first = _edges(t)
    n = np.append(first[1:], len(t)) - first
    if middle is None:
        level = _levels(y, first, n)
        at = np.add.reduceat(t, first) / n
        middle = np.interp(t, at, level) if len(at) > 1 else np.full_like(y, level[0])
    far = knocked(t, np.abs(y - middle) > _KNOCK * sd_kpa)
    if not far.any() and information is None:  # all readings count alike
        many = n.astype(float)
        half = (t[first + n - 1] - t[first]) / 2.0
        return Bins(np.add.reduceat(t, first) / many, half, np.add.reduceat(y, first) / many, many, first)
    if far.any():
        which = np.repeat(np.arange(len(first)), n)
        # of a few readings with a hole behind them most may lie in the first tenth of a second
        reach = min(max(int(np.count_nonzero(t < 0.1)), 1), (len(t) - 1) // 2)
        far = np.convolve(far, np.ones(2 * reach + 1), "same") > 0.5
        alone = np.add.reduceat((~far).astype(float), first)[which] == 0
        if np.mean(far) > 0.3:
            far[:] = False
        far[alone] &= np.mean(alone) > 0.3
    w = (~far).astype(float)
    if information is not None:
        w = w * information
    total = np.add.reduceat(w, first)
    keep = total > 1e-6
    if np.count_nonzero(keep) < 4:  # nothing lies near any curve: take all as they are
        w = np.ones_like(y)
        total = n.astype(float)
        keep = total > 0
    safe = np.where(keep, total, 1.0)
    tm = np.add.reduceat(t * w, first) / safe
    ym = np.add.reduceat(y * w, first) / safe
    half = (t[first + n - 1] - t[first]) / 2.0
    return Bins(tm[keep], half[keep], ym[keep], total[keep], first)
