"""A trace that can be drawn sixty times a second however long it is: smallest and largest of blocks of samples.

A drawn column never hides a peak, because both ends of every block are kept.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from recorder.model import FloatArray

__all__ = ["Earlier", "TraceStore", "earlier_of", "thinned"]

_BLOCK = 8  # each level covers eight entries of the one below
_MEANS_OF = 40_000  # samples that are averaged in no time


def thinned(time_s: FloatArray, pressure_kpa: FloatArray, n: int) -> tuple[FloatArray, FloatArray]:
    """About ``n`` block means, for a line that is dashed: dashes along noise are slow and unreadable."""
    size = max(len(time_s) // n, 1)
    whole = len(time_s) // size * size
    if not whole:
        return time_s, pressure_kpa
    blocks = np.stack([time_s[:whole], pressure_kpa[:whole]]).reshape(2, -1, size).mean(axis=2)
    return blocks[0], blocks[1]


class _Grow:
    """A float array that grows at its end."""

    def __init__(self) -> None:
        self._a = np.empty(1024)
        self.n = 0

    def add(self, values: FloatArray) -> None:
        need = self.n + len(values)
        if need > len(self._a):
            bigger = np.empty(max(need, 2 * len(self._a)))
            bigger[: self.n] = self._a[: self.n]
            self._a = bigger
        self._a[self.n : need] = values
        self.n = need

    @property
    def all(self) -> FloatArray:
        return self._a[: self.n]


class TraceStore:
    """Times (s, rising) and pressures (kPa) of one trace, with coarser levels beside them.

    ``zero_kpa`` is taken off whatever ``points`` gives; it may be set again as the zero becomes known better.
    """

    def __init__(self) -> None:
        self.zero_kpa = 0.0
        self._t = _Grow()
        self._p = _Grow()
        self._levels: list[tuple[_Grow, _Grow, _Grow]] = []  # start time, smallest, largest

    def __len__(self) -> int:
        return self._t.n

    @property
    def time_s(self) -> FloatArray:
        return self._t.all

    @property
    def pressure_kpa(self) -> FloatArray:
        return self._p.all

    def add(self, time_s: FloatArray, pressure_kpa: FloatArray) -> None:
        """More samples, after those that are there."""
        self._t.add(np.asarray(time_s, float))
        self._p.add(np.asarray(pressure_kpa, float))
        t, low, high = self._t.all, self._p.all, self._p.all
        level = 0
        while len(t) >= _BLOCK:
            if level == len(self._levels):
                self._levels.append((_Grow(), _Grow(), _Grow()))
            starts, lows, highs = self._levels[level]
            first, last = starts.n * _BLOCK, len(t) // _BLOCK * _BLOCK
            if last > first:
                starts.add(t[first:last:_BLOCK])
                lows.add(np.fmin.reduce(low[first:last].reshape(-1, _BLOCK), axis=1))
                highs.add(np.fmax.reduce(high[first:last].reshape(-1, _BLOCK), axis=1))
            t, low, high = starts.all, lows.all, highs.all
            level += 1

    def points(self, start_s: float, end_s: float, columns: int) -> tuple[FloatArray, FloatArray]:
        """The stretch as a polyline of ``2 * columns`` to ``8 * columns`` points (+ the last few samples), of fewer
        samples all; times s and pressures kPa, one sample beyond either end."""
        t = self._t.all
        first = max(int(np.searchsorted(t, start_s)) - 1, 0)
        last = min(int(np.searchsorted(t, end_s, side="right")) + 1, len(t))
        if last - first <= 8 * columns or not self._levels:
            return t[first:last], self._p.all[first:last] - self.zero_kpa
        level, size = 0, _BLOCK
        while (last - first) / (size * _BLOCK) >= columns and level + 1 < len(self._levels):
            level, size = level + 1, size * _BLOCK
        join = max((last - first) // (size * columns), 1)  # blocks that are drawn as one
        xs, ys, at = [], [], first // (size * join) * size * join
        # What is left over behind the last whole block comes from the finer levels, the very end as it is.
        for finer in range(level, -1, -1):
            x, y, at = self._blocks(finer, _BLOCK ** (finer + 1), at, last, join if finer == level else 1)
            xs.append(x)
            ys.append(y)
        tail = slice(at, last)
        return np.concatenate([*xs, t[tail]]), np.concatenate([*ys, self._p.all[tail]]) - self.zero_kpa

    def means(self, start_s: float, end_s: float, n: int) -> tuple[FloatArray, FloatArray]:
        """About ``n`` means of the stretch; of a very long one, of the middles of its blocks."""
        t = self._t.all
        first, last = (int(k) for k in np.searchsorted(t, (start_s, end_s)))
        if last - first <= _MEANS_OF or not self._levels:
            return thinned(t[first:last], self._p.all[first:last] - self.zero_kpa, n)
        level, size = 0, _BLOCK
        while (last - first) / size > _MEANS_OF and level + 1 < len(self._levels):
            level, size = level + 1, size * _BLOCK
        starts, lows, highs = self._levels[level]
        a, b = -(-first // size), last // size
        return thinned(starts.all[a:b], (lows.all[a:b] + highs.all[a:b]) / 2 - self.zero_kpa, n)

    def _blocks(self, level: int, size: int, at: int, last: int, join: int) -> tuple[FloatArray, FloatArray, int]:
        """Both ends of the whole blocks of one level, ``join`` of them as one, from sample ``at`` to ``last``, and
        where they end."""
        starts, lows, highs = self._levels[level]
        a, b = at // size, min(last // size, starts.n)
        b -= max(b - a, 0) % join
        if b <= a:
            return np.empty(0), np.empty(0), at
        low = np.fmin.reduce(lows.all[a:b].reshape(-1, join), axis=1)
        high = np.fmax.reduce(highs.all[a:b].reshape(-1, join), axis=1)
        y = np.empty(2 * len(low))
        # Where the trace falls the high end comes first, so that a steep fall is drawn without teeth.
        falls = np.diff(low + high, append=np.inf) < 0
        y[0::2], y[1::2] = np.where(falls, high, low), np.where(falls, low, high)
        return np.repeat(starts.all[a:b:join], 2), y, b * size


@dataclass(frozen=True, slots=True, eq=False)
class Earlier:
    """A trace that lies behind another: where its hold was (s; None where there was none), and its word."""

    store: TraceStore
    hold_start_s: float | None = None
    hold_end_s: float | None = None
    word: str = "before"


def earlier_of(store: TraceStore, judgement: Mapping[str, Any]) -> Earlier:
    """The finished trace, as what lies behind the next one."""
    hold = judgement.get("hold")
    if not isinstance(hold, Mapping):
        return Earlier(store)
    return Earlier(store, float(hold["start_s"]), float(hold["end_s"]))
