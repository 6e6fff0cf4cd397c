"""A pair of axes: value to place, ticks, and a trace thinned to the columns that can be seen."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recorder.picture.shapes import Box, Path, Shape, Words

if TYPE_CHECKING:
    from recorder.model import FloatArray

__all__ = ["Axes", "thin", "ticks"]

GRID = "#d0d0d0"


def ticks(low: float, high: float, about: int) -> list[float]:
    """Round numbers (1, 2, 5 times a power of ten) from low to high, about so many."""
    span = high - low
    if not math.isfinite(span) or span <= 0:
        return [low]
    raw = span / max(about, 1)
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(m * power for m in (1, 2, 5, 10) if m * power >= raw)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [i * step for i in range(first, last + 1)]


def thin(x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Lowest and highest point of every whole-number column of x, in time order: what a screen can show.

    x: places along the axis, not falling. Nothing that would be seen is lost, whatever the sample rate.
    """
    if len(x) < 4:
        return x, y
    column = np.floor(x).astype(np.int64)
    starts = np.flatnonzero(np.diff(column, prepend=column[0] - 1))
    ends = np.append(starts[1:], len(x))
    keep: list[int] = []
    for a, b in zip(starts, ends, strict=True):
        pair = {int(a + np.argmin(y[a:b])), int(a + np.argmax(y[a:b]))}
        keep.extend(sorted(pair))
    index = np.array(sorted({0, *keep, len(x) - 1}))
    return x[index], y[index]


@dataclass(frozen=True, slots=True)
class Axes:
    """A plot area (x, y, w, h in user units) and the values at its ends."""

    x: float
    y: float
    w: float
    h: float
    t0: float
    t1: float
    p0: float
    p1: float

    def across(self, t: float) -> float:
        """Place of a time, kept within the area."""
        at = (t - self.t0) / (self.t1 - self.t0)
        return self.x + self.w * min(max(at, 0.0), 1.0)

    def down(self, p: float) -> float:
        """Place of a value, kept within the area."""
        at = (p - self.p0) / (self.p1 - self.p0)
        return self.y + self.h * (1.0 - min(max(at, 0.0), 1.0))

    def line(self, t: FloatArray, p: FloatArray) -> tuple[tuple[float, float], ...]:
        """Points of a thinned trace; times outside the area are left out."""
        inside = (t >= self.t0) & (t <= self.t1) & np.isfinite(p)
        x = self.x + self.w * (t[inside] - self.t0) / (self.t1 - self.t0)
        y = self.y + self.h * (1.0 - (p[inside] - self.p0) / (self.p1 - self.p0))
        x, y = thin(x, np.clip(y, self.y, self.y + self.h))
        return tuple(zip(x.tolist(), y.tolist(), strict=True))

    def frame(self, unit: str, *, label: str = "pressure", every: int = 6) -> list[Shape]:
        """Grid, tick numbers, axis names, outline."""
        out: list[Shape] = []
        ys = ticks(self.p0, self.p1, every)
        step = ys[1] - ys[0] if len(ys) > 1 else 1.0
        places = max(0, -math.floor(math.log10(abs(step) or 1.0) + 1e-9))
        for value in ys:
            y = self.down(value)
            out.append(Path(((self.x, y), (self.x + self.w, y)), 0.5, colour=GRID))
            out.append(Words(self.x - 6, y + 4, f"{value:.{min(places, 4)}f}", 11, "end"))
        for value in ticks(self.t0, self.t1, max(int(self.w / 75), 2)):
            x = self.across(value)
            out.append(Path(((x, self.y + self.h), (x, self.y + self.h + 4)), 0.8))
            out.append(Words(x, self.y + self.h + 16, f"{value:g}", 11, "middle", halo=True))
        out.append(Words(self.x + self.w, self.y + self.h + 30, "seconds", 11, "end", halo=True))
        out.append(Words(self.x - 42, self.y + self.h / 2, f"{label}, {unit}", 11, "middle", turned=True))
        out.append(Box(self.x, self.y, self.w, self.h, 0.8))
        return out
