"""The likeliest curve of a quick look at a hold: what lies off it is looked at before anything is weighed."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.hold.bins import Bins
from recorder.analysis.hold.laws import NEAR_LAW, leak_shape
from recorder.analysis.hold.line import Problem
from recorder.analysis.hold.noise import Noise, NoiseFinder
from recorder.analysis.hold.posterior import posterior, top

if TYPE_CHECKING:
    from recorder.model import FloatArray

__all__ = ["Curve", "curve_through"]


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """Pressures (kPa) at the times asked for and at the bins; rate of the leak in it (kPa/s)."""

    kpa: FloatArray
    at_bins: FloatArray
    rate_kpa_per_s: float


def curve_through(
    b: Bins, noise: Noise, time_s: FloatArray, *, length_s: float, level_kpa: float, last_rise_kpa: float
) -> Curve:
    """The curve through the bins, at ``time_s`` (s since the hold's start, increasing)."""
    problem = Problem(NoiseFinder(b, only_s=0.0), noise, level_kpa, last_rise_kpa)
    near = leak_shape(b.t, NEAR_LAW, b.t, b.y, length_s)
    best, i = top(posterior(problem, NEAR_LAW, near, quick=True))
    mean, theta = best.mean[:, i], best.theta[:, i]

    def at(t: FloatArray, shape: FloatArray) -> FloatArray:
        out = problem.middle + (mean[0] - mean[1] * shape)
        for a, th in zip(mean[2:], theta, strict=True):
            out = out + a * np.exp(-t * math.exp(-th))
        return np.asarray(out)

    return Curve(at(time_s, leak_shape(time_s, NEAR_LAW, b.t, b.y, length_s)), at(b.t, near), float(mean[1]))
