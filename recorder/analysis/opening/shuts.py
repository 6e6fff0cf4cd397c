"""When a valve has shut after the last stroke: the moment at which the pressure stops falling as fast as it did.

While the valve lets out, the pressure falls towards one below that at which it shuts: an exponential that is cut off.
After that it only settles. Air that cools falls fast at first as well, but smoothly: what an exponential that goes on
explains as well is no valve.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.trace.filters import STEP_TO_SD

if TYPE_CHECKING:
    from recorder.analysis.trace.signal import Prepared
    from recorder.model import FloatArray

__all__ = ["Shut", "shut_later"]

# where no source is named beside a number: common practice, no source
LOOK_S = 5.0  # a valve that takes longer is looked for by levels
LATEST = 0.7  # of that: to see what comes after
BIN_S, STEP_S = 0.02, 0.03  # of readings, of moments that are tried; no finer than the readings
LETS_OUT_S = np.geomspace(0.06, 1.0, 7)  # time constants
SETTLES_S = (1.0, 3.0, 10.0)
SURE = 5.0  # log likelihood ratio against a fall that goes on smoothly
CLEAR_S = 0.25  # standard uncertainty of the moment, at most
LEVEL_S = 0.15  # over which the pressure then is averaged
FEWEST = 12  # readings


@dataclass(frozen=True, slots=True)
class Shut:
    """When (s) and at which pressure (kPa) a valve shut, and the pressure's standard uncertainty."""

    at_s: float
    kpa: float
    u: float


def _off(columns: FloatArray, p: FloatArray) -> tuple[FloatArray, FloatArray]:
    """An orthonormal basis (n, k) of the columns, and what they leave of ``p``."""
    q = np.linalg.qr(columns)[0]
    return q, p - q @ (q.T @ p)


def _smooth(t: FloatArray, p: FloatArray) -> float:
    """The least sum of squares beside a level, a steady fall and two exponentials that go on."""
    least = math.inf
    for slow, fast in product(SETTLES_S, LETS_OUT_S):
        apart = fast if fast != slow else 0.93 * fast
        left = _off(np.stack([np.ones_like(t), t, np.exp(-t / slow), np.exp(-t / apart)], axis=1), p)[1]
        least = min(least, float(left @ left))
    return least


def _cut_off(t: FloatArray, p: FloatArray, tried: FloatArray) -> FloatArray:
    """Sums of squares (tried, settling, letting out) beside a level, a steady fall, an exponential that goes on and one
    that is cut off at each of the moments ``tried``."""
    squares = np.empty((len(tried), len(SETTLES_S), len(LETS_OUT_S)))
    for i, slow in enumerate(SETTLES_S):
        q, left = _off(np.stack([np.ones_like(t), t, np.exp(-t / slow)], axis=1), p)
        for j, tau in enumerate(LETS_OUT_S):
            cut = np.maximum(np.exp(-t / tau) - np.exp(-tried[:, None] / tau), 0.0)
            cut /= np.maximum(cut[:, :1], 1e-12)
            cut -= (cut @ q) @ q.T
            size, along = (cut**2).sum(axis=1), cut @ left
            squares[:, i, j] = float(left @ left) - np.maximum(along, 0.0) ** 2 / np.maximum(size, 1e-9)
    return squares


def shut_later(x: Prepared, from_s: float, end_s: float) -> Shut | None:
    """The moment after ``from_s`` at which the valve shut, where the readings up to ``end_s`` show it plainly."""
    lo, hi = np.searchsorted(x.t, [from_s, min(from_s + LOOK_S, end_s)])
    each = max(round(BIN_S / x.dt_s), 1)
    many = (hi - lo) // each
    if many < FEWEST:
        return None
    t = x.t[lo : lo + many * each].reshape(many, each).mean(axis=1)
    p = x.p[lo : lo + many * each].reshape(many, each).mean(axis=1)
    first, t = float(t[0]), t - t[0]
    tried = np.arange(0.0, LATEST * float(t[-1]), max(each * x.dt_s, STEP_S))
    squares = _cut_off(t, p, tried)
    best = float(squares.min())
    var = max(best / max(many - 6, 1), x.sd_kpa**2 / each)
    weight = np.exp(-0.5 * (squares - best) / var).sum(axis=(1, 2))
    weight /= weight.sum()
    at = float(weight @ tried)
    u_s = math.sqrt(float(weight @ (tried - at) ** 2))
    if u_s > CLEAR_S or _smooth(t, p) - best < 2.0 * SURE * var:
        return None
    then = (t >= at) & (t <= at + max(LEVEL_S, 2.5 * x.dt_s))
    before = (t >= at - LEVEL_S) & (t < at)
    if not then.any():
        return None
    kpa = float(p[then].mean())
    steep = max(float(p[before].mean()) - kpa, 0.0) / LEVEL_S if before.any() else 0.0
    noise = math.hypot(x.sd_kpa / math.sqrt(each * int(np.count_nonzero(then))), x.step_kpa / STEP_TO_SD)
    return Shut(first + at, kpa, math.hypot(noise, steep * max(u_s, 0.5 * x.dt_s), 0.1))
