"""Knocks during a hold: a hose or a gauge that was hit rings, and leaves the pressure as it was."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.signal import Prepared
from recorder.analysis.stroke import PAUSE_S, Stroke

if TYPE_CHECKING:
    from recorder.model import FloatArray

__all__ = ["without_knocks"]

TOGETHER_S = PAUSE_S  # rises no further apart are of one knock
RINGS_S = 1.0  # it may have rung for so long before a rise of it looked like a stroke
FELL_S = 5.0  # before that: how fast it falls anyway; it settles ever more slowly
LEFT = 0.2  # of its height: a stroke leaves more, or lets out
SWINGS, RECOVERS = 0.4, 0.25  # of its height: below where it was, and back up again


def without_knocks(x: Prepared, strokes: list[Stroke], end_s: float) -> list[Stroke]:
    """Without rises in a hold that leave nothing and swing to both sides."""
    if len(strokes) < 3:
        return strokes
    keep, k = strokes[:1], 1
    while k < len(strokes):
        m = k + 1
        while m < len(strokes) and strokes[m].start_s - strokes[m - 1].end_s < TOGETHER_S:
            m += 1
        some = strokes[k:m]
        if strokes[k].start_s - keep[-1].end_s < PAUSE_S or not _rings(x, some, end_s):
            keep += some
        k = m
    return keep


def _rings(x: Prepared, some: list[Stroke], end_s: float) -> bool:
    """Whether the pressure swings to both sides about where it was, and is there again afterwards, or lower by no more
    than it would have fallen to anyway."""
    t, p = x.even_t, x.even_p
    first, last = some[0].start_s - RINGS_S, some[-1].end_s

    def between(a: float, b: float) -> FloatArray:
        i, j = np.searchsorted(t, [a, b])
        return p[i:j]

    before, after = between(first - (PAUSE_S - RINGS_S), first), between(last + 0.8, min(last + 1.6, end_s))
    earlier = between(first - 1.0 - FELL_S - 0.5, first - 1.0 - FELL_S + 0.5)
    among = between(first, last + 0.6)
    if min(len(before), len(after)) < 3 or len(among) < 4:
        return False
    two = 0.5 * (among[1:] + among[:-1])  # one wild reading is no swing
    was, is_now = float(np.median(before)), float(np.median(after))
    height, low = float(two.max()) - was, float(two.min())
    fell = max(float(np.median(earlier)) - was, 0.0) / FELL_S if len(earlier) > 2 else 0.0
    anyway = fell * (last + 1.2 - first)
    if height < 4.0 * x.sd_kpa or not -LEFT * height - anyway < is_now - was < LEFT * height:
        return False
    by_itself = max(was - is_now - LEFT * height, 0.0)
    return was - low - by_itself > SWINGS * height and is_now - low > RECOVERS * height
