"""The slope of the pressure, in which strokes are looked for, and how noisy slope and level are where nobody pumps."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.strokes.chain import LAG_S
from recorder.analysis.trace.filters import median, normal_sd, running_mean, smooth_slope
from recorder.analysis.trace.signal import SLOPE_S, Prepared

if TYPE_CHECKING:
    from recorder.model import FloatArray

__all__ = ["Slopes", "level_noise", "level_of", "level_width", "slopes"]

# where no source is named beside a number: common practice, no source
LEVEL_S = 0.06  # half of the time over which the pressure is averaged for a level
BLOCK_S = 4.0  # noise is looked at in blocks: some of them are quiet
QUIET_SHARE = 0.2  # of the blocks, at least
APART_S = 0.3  # before the first stroke: its beginning is no noise
TELLS_S = 1.5  # of a vented start


@dataclass(frozen=True, slots=True, eq=False)
class Slopes:
    """Slope (kPa/s) at equal steps of time, smoothed by a Gaussian of ``width_s``, and its noise."""

    even: FloatArray
    width_s: float
    sd: float


def slopes(x: Prepared, width_s: float, start_s: float) -> Slopes:
    """Noise of the slope where nothing happens: white, correlated, resolution. start_s: end of the vented start."""
    even = x.even_slope
    if width_s > SLOPE_S:
        even = smooth_slope(x.even_p, width_s / x.dt_s) / x.dt_s
    width_s = max(width_s, 0.5 * x.dt_s)
    white = x.sd_kpa * math.sqrt(x.dt_s / (4.0 * math.sqrt(math.pi) * width_s**3))
    seen = _quiet_spread(even, x.dt_s)
    most = max(4.0 * white, _vented_spread(even, x, start_s))
    # a lone step of the resolution has this slope; where noise is much smaller than the step
    # they come alone
    toggle = x.step_kpa / (math.sqrt(2.0 * math.pi) * width_s) if x.step_kpa > 2.5 * x.noise_kpa else 0.0
    return Slopes(even, width_s, math.hypot(max(white, min(seen, most)), 0.4 * toggle))


def level_width(x: Prepared) -> int:
    """How many readings a level is the mean of: 0.12 s, an odd number."""
    return 2 * round(LEVEL_S / x.dt_s) + 1


def level_of(x: Prepared) -> FloatArray:
    """Pressure (kPa) at the even times, averaged over 0.12 s."""
    return running_mean(x.even_p, level_width(x))


def level_noise(x: Prepared, start_s: float) -> float:
    """Standard deviation (kPa) of the pressure averaged over 0.12 s, from how it changes within
    twice ``LAG_S``. start_s: end of the vented start."""
    width = level_width(x)
    white = x.sd_kpa / math.sqrt(width)
    level = level_of(x)
    lag = max(round(2.0 * LAG_S / x.dt_s), 1)
    change = level[lag:] - level[:-lag]
    most = max(3.0 * white, _vented_spread(change, x, start_s - lag * x.dt_s) / math.sqrt(2.0))
    return max(white, min(_quiet_spread(change, x.dt_s) / math.sqrt(2.0), most))


def _vented_spread(values: FloatArray, x: Prepared, until_s: float) -> float:
    """Standard deviation of ``values`` (at the even times) up to ``until_s``, while nobody pumps, knocks left out; 0
    where that is too short to tell. Without it, strokes without a quiet block could be taken for noise."""
    n = int(np.searchsorted(x.even_t, until_s - APART_S))
    if n * x.dt_s < TELLS_S or n < 20:
        return 0.0
    return normal_sd(values[:n] - median(values[:n]))


def _quiet_spread(values: FloatArray, dt_s: float) -> float:
    """Standard deviation of ``values`` within the quiet ones of many blocks of time."""
    n = max(round(BLOCK_S / dt_s), 20)
    blocks = values[: len(values) // n * n].reshape(-1, n)
    if not len(blocks):
        return 0.0
    spread = blocks.std(axis=1)
    k = int(QUIET_SHARE * len(spread))
    return float(np.partition(spread, k)[k])
