"""Counts over supply counts, or over full scale; and those that no sensor gives: the sense wire is off, or the supply
has gone."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from recorder.model import BoolArray, FloatArray, IntArray

__all__ = ["RATIO_FLAG", "RatioWatch", "ratio_of"]

RATIO_FLAG = "fault-ratio"
# A ratiometric sensor ends at 90 %, one that is short-circuited at 100 %; common practice, no source.
_HIGHEST_RATIO = 1.05
_LOWEST_SHARE = 2.0 / 3.0  # of the supply that there was; a good one moves by some percent; common practice, no source
_STEADY = 3  # rows in a row: one wild one says nothing of the supply


def ratio_of(counts: IntArray, supply: FloatArray, full_scale_counts: float) -> FloatArray:
    """counts / supply where supply was sent, counts / full scale where it was not (NaN). NaN where what it is divided
    by is not above zero: a supply of nothing tells no pressure."""
    by = np.where(np.isnan(supply), float(full_scale_counts), supply)
    out: FloatArray = counts / np.where(by > 0.0, by, np.nan)
    return out


class RatioWatch:
    """Fed every row of a recording, in blocks of any size."""

    def __init__(self) -> None:
        self._last: FloatArray = np.empty(0)  # the latest supplies
        self._most = 0.0  # that supply which was reached in _STEADY rows

    def odd(self, counts: IntArray, supply: FloatArray, full_scale_counts: float) -> BoolArray:
        """Which rows have no pressure. supply: NaN where it was not sent."""
        sent = ~np.isnan(supply)
        out: BoolArray = counts > _HIGHEST_RATIO * np.where(sent, supply, full_scale_counts)
        if not sent.any():
            return out
        known = supply[sent]
        joined = np.concatenate([self._last, known])
        steady = np.zeros(len(known))
        if len(joined) >= _STEADY:
            lows = np.lib.stride_tricks.sliding_window_view(joined, _STEADY).min(axis=1)
            steady[-len(lows) :] = lows[-len(known) :]
        most = np.maximum(np.maximum.accumulate(steady), self._most)
        out[sent] |= known < _LOWEST_SHARE * most
        self._last, self._most = joined[-(_STEADY - 1) :], float(most[-1])
        return out
