"""Strokes that are only what is left of a beat: they come and go, and the pressure stays where it was."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.strokes.stroke import Stroke
from recorder.analysis.trace.filters import median, normal_sd, running_mean, running_median
from recorder.analysis.trace.signal import Prepared

if TYPE_CHECKING:
    from recorder.model import FloatArray

__all__ = ["that_bring"]

# where no source is named beside a number: common practice, no source
MEAN_S = 0.5  # the pressure is averaged over whole periods, for so long at least
TOGETHER = 5  # strokes: what is left of a beat brings nothing in the middle of so many
LEAST, SURE = 0.04, 4.0  # a stroke brings so much of a usual one, and so many standard deviations of what is by chance
HELD = 0.9  # of the highest pressure: above it is what is by chance


def that_bring(x: Prepared, strokes: list[Stroke], period_s: float) -> list[Stroke]:
    """``strokes`` without those, after the pressure was pumped up, that bring nothing. period_s: of the beat."""
    if len(strokes) <= TOGETHER:
        return strokes
    width = max(round(max(round(MEAN_S / period_s), 1) * period_s / x.dt_s), 1)
    mean = running_mean(x.even_p, width)
    gains = _gains(x, strokes, mean, width)
    level = np.array([s.base_kpa for s in strokes])
    up = gains[level < 0.85 * float(level.max())]
    change = (mean[width:] - mean[:-width])[mean[width:] > HELD * float(mean.max())]
    if not len(up) or len(change) < 2:
        return strokes
    some, chance = LEAST * median(up), SURE * normal_sd(change)
    # while a hand pumps, one that brings too little to tell is a stroke all the same
    pumped = np.flatnonzero(running_median(gains, TOGETHER) >= max(some, chance / math.sqrt(TOGETHER)))
    last = int(pumped[-1]) if len(pumped) else 0
    brings = np.flatnonzero(gains[: last + TOGETHER // 2 + 1] >= some)
    end = int(brings[-1]) + 1 if len(brings) else 0
    return [s for i, s in enumerate(strokes) if i < end or gains[i] >= max(some, chance)]


def _gains(x: Prepared, strokes: list[Stroke], mean: FloatArray, width: int) -> FloatArray:
    """By how much (kPa) the pressure averaged over ``width`` readings is higher after each stroke than before it."""
    half = 0.5 * width * x.dt_s
    starts, ends = np.array([[s.start_s, s.end_s] for s in strokes]).T
    middles = 0.5 * (starts[1:] + ends[:-1])
    before = np.maximum(starts - half, np.append(-np.inf, middles))
    after = np.minimum(ends + half, np.append(middles, np.inf))
    return np.asarray(np.interp(after, x.even_t, mean) - np.interp(before, x.even_t, mean))
