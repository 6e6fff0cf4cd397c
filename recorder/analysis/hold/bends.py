"""How the slope of a hold's fall changes, where what settles and a steady leak cannot change it so.

What settles falls as a sum of exponentials of one sign. The slope of such a sum is log-convex (so is every completely
monotone function: Widder 1941, The Laplace Transform, ch. IV; from memory), and a steady leak beside it keeps it so: of
three stretches of one length the third falls by no less than the square of the second over the first. And it never
grows. A leak that shuts as the pressure falls breaks the first law, one that begins within the hold the second, however
little fell and however well exponentials and noise that wanders would follow it.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from recorder.analysis.hold.bins import Bins
    from recorder.model import FloatArray

__all__ = ["breaks_off", "speeds_up"]

# where no source is named beside a number: common practice, no source
_LONG = (0.05, 0.1, 0.2)  # of the hold: each of four stretches whose means are compared
_STEP = 1.0 / 60.0  # of the hold, from one place to the next
# so many standard deviations too little or too much, and such a share: what drives a leak falls too, and turbulent flow
# with it
_SURE, _SHARE = 5.0, 0.3


def _slopes(b: Bins, length_s: float, sd_kpa: float) -> Iterator[tuple[FloatArray, FloatArray, FloatArray]]:
    """For each length of stretch, at the places along the hold: slopes (places, 3) between the means of four stretches,
    kPa/s, falling positive; their standard deviations; how far apart these means are (s)."""
    weight = np.concatenate([[0.0], np.cumsum(b.weight)])
    moment = np.concatenate([[0.0], np.cumsum(b.weight * b.t)])
    sums = np.concatenate([[0.0], np.cumsum(b.weight * b.y)])
    for share in _LONG:
        starts = np.arange(0.0, 1.0 - 4.0 * share + 1e-9, _STEP) * length_s
        at = np.searchsorted(b.t, starts[:, None] + share * length_s * np.arange(5.0))
        use = (np.diff(at, axis=1) > 0).all(axis=1) & (np.diff(weight[at], axis=1) > 0.0).all(axis=1)
        many = np.diff(weight[at[use]], axis=1)
        mean, when = np.diff(sums[at[use]], axis=1) / many, np.diff(moment[at[use]], axis=1) / many
        apart = np.diff(when, axis=1)
        yield -np.diff(mean, axis=1) / apart, sd_kpa * np.sqrt(1.0 / many[:, 1:] + 1.0 / many[:, :-1]) / apart, apart


def breaks_off(b: Bins, length_s: float, sd_kpa: float) -> bool:
    """Whether the fall of bins ``b`` slows down at some place by more than a sum of exponentials and a leak can.
    sd_kpa: of a reading."""
    for slope, sd, apart in _slopes(b, length_s, sd_kpa):
        first, second, third = slope.T
        slows = (second > _SURE * sd[:, 1]) & (first >= second)
        power = (apart[:, 2] + apart[:, 1]) / (apart[:, 1] + apart[:, 0])
        ratio = np.where(slows, second / np.where(slows, first, 1.0), 1.0)
        least = second * ratio**power
        u = power * ratio ** (power + 1.0) * sd[:, 0] + (1.0 + power) * ratio**power * sd[:, 1] + sd[:, 2]
        if bool((slows & (least - third > _SURE * u) & (least - third > _SHARE * least)).any()):
            return True
    return False


def speeds_up(b: Bins, length_s: float, sd_kpa: float) -> bool:
    """Whether the fall of bins ``b`` grows faster at some place, and stays so for another stretch. sd_kpa: of a
    reading."""
    for slope, sd, _ in _slopes(b, length_s, sd_kpa):
        more = slope[:, 1:] - slope[:, :1]
        u = sd[:, 1:] + sd[:, :1]
        if bool(((more > _SURE * u) & (more > _SHARE * slope[:, 1:])).all(axis=1).any()):
            return True
    return False
