"""Median, and running mean, least, median and slope of evenly spaced values, with numpy alone.

The running ones are what ``scipy.ndimage`` calls uniform_filter1d, minimum_filter1d, median_filter and
gaussian_filter1d, with ``mode="nearest"`` (ends mirrored: "mirror"), and are tested against these. Loading scipy's
parts takes longer than judging a recording.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from recorder.model import FloatArray

__all__ = [
    "STEP_TO_SD", "median", "medians", "normal_sd", "quantile", "running_least", "running_mean", "running_median",
    "smooth_slope",
]

# what is rounded is off by anything in half a step, all alike (GUM 4.3.7)
STEP_TO_SD = math.sqrt(12.0)
_MAD_TO_SD = 1.4826  # 1 over the upper quartile of the standard normal distribution
_TAIL = 4.0  # standard deviations of a Gaussian that count


def _padded(values: FloatArray, width: int, ends: Literal["edge", "reflect"] = "edge") -> FloatArray:
    """Values with their ends repeated or mirrored, so that windows of ``width`` end up one for each value."""
    return np.pad(values, (width // 2, width - 1 - width // 2), mode=ends)


def median(values: FloatArray | Sequence[float]) -> float:
    """Median of finite ``values`` (n,), NaN where there is none: numpy's own to the last digit, whose checks take
    several times as long for few values, and which loads masked arrays first."""
    if len(values) == 0:
        return math.nan
    middle = len(values) // 2
    # for two places numpy is several times as quick as for one
    part = np.partition(values, [middle - 1, middle] if middle else 0)
    above = float(part[middle])
    return above if len(values) % 2 else 0.5 * (float(part[middle - 1]) + above)


def medians(rows: FloatArray) -> FloatArray:
    """Median of each of ``rows`` (m, n), n at least one: (m,). As ``median``."""
    n, middle = rows.shape[1], rows.shape[1] // 2
    part = np.partition(rows, [middle - 1, middle] if middle else 0, axis=1)
    return np.asarray(part[:, middle] if n % 2 else 0.5 * (part[:, middle - 1] + part[:, middle]))


def quantile(values: FloatArray | Sequence[float], share: float) -> float:
    """Value that ``share`` of finite ``values`` (n,), n at least one, lie below; linear between two. As ``median``."""
    at = (len(values) - 1) * share
    low = int(at)
    part = np.partition(values, [low, min(low + 1, len(values) - 1)])
    below, above = float(part[low]), float(part[min(low + 1, len(values) - 1)])
    further = at - low
    return above - (above - below) * (1.0 - further) if further >= 0.5 else below + (above - below) * further


def normal_sd(off: FloatArray) -> float:
    """Standard deviation of normal values that are ``off`` (n,) from their middle, from the median of how far, which a
    few wild ones do not move: what ``scipy.stats.median_abs_deviation`` calls scale="normal"."""
    return _MAD_TO_SD * median(np.abs(off))


def running_mean(values: FloatArray, width: int) -> FloatArray:
    """Mean of ``width`` values around each of ``values`` (n,): (n,)."""
    if width <= 1:
        return np.array(values)
    middle = values.mean()  # small sums lose less
    total = np.cumsum(np.concatenate([[0.0], _padded(values - middle, width)]))
    return np.asarray((total[width:] - total[:-width]) / width + middle)


def running_least(values: FloatArray, width: int) -> FloatArray:
    """Smallest of ``width`` values around each of ``values`` (n,): (n,)."""
    out, reach = _padded(values, width), 1
    while reach < width:  # the least of twice as many, while that is not too many
        more = min(reach, width - reach)
        out = np.minimum(out[:-more], out[more:])
        reach += more
    return np.asarray(out)


def running_median(values: FloatArray, width: int, ends: Literal["edge", "reflect"] = "edge") -> FloatArray:
    """Median of ``width`` (odd) values around each of ``values`` (n,): (n,). ends: repeated, or mirrored."""
    windows = np.lib.stride_tricks.sliding_window_view(_padded(values, width, ends), width)
    return np.asarray(np.partition(windows, width // 2, axis=1)[:, width // 2])


def smooth_slope(values: FloatArray, sd: float) -> FloatArray:
    """First derivative (per step) of ``values`` (n,) smoothed by a Gaussian of ``sd`` steps: (n,)."""
    reach = int(_TAIL * sd + 0.5)
    x = np.arange(-reach, reach + 1.0)
    bell = np.exp(-0.5 * (x / sd) ** 2)
    return np.convolve(_padded(values, 2 * reach + 1), -x * bell / (bell.sum() * sd**2), "valid")
