"""The air that a hand pump's strokes bring.

A stroke's piston takes the time d for its way; its speed is 1 - w cos(2 pi x) + v sin(2 pi x), x the part of d: from a
steady push (w = 0) to one that begins and ends softly (w = 1), early or late (v). It starts full of outside air, and
its check valve lets nothing through before that air has the pressure of the space: then the flow begins at once. With
the part s swept, the share 1 - (1 - s) R of its air is in, R = (p / outside)^(1/1.2); ``held`` is the part of R - 1
that is seen.
The gas is warmed while it is compressed: c' = inflow - c/tau (``warmth``).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from recorder.model import FloatArray

__all__ = ["POLYTROPE", "Piston"]

# where no source is named beside a number: common practice, no source
POLYTROPE = 1.2  # a quick stroke in a warm barrel is between 1 and 1.4
WAY = np.linspace(0.0, 1.0, 49)  # of a stroke, for what is summed along it


@dataclass(frozen=True, slots=True, eq=False)
class Piston:
    """The air that strokes bring, each against a pressure of its own: w, v as above; first, more (strokes): R - 1 at
    the stroke's start, and by how much R is more at its end; begins (strokes): part of the way before air passes."""

    w: float
    v: float
    first: FloatArray
    more: FloatArray
    begins: FloatArray

    @classmethod
    def of(
        cls, w: float, v: float, held: float, base_kpa: FloatArray, rise_kpa: FloatArray, outside_kpa: float
    ) -> Piston:
        """For strokes that raise the pressure from ``base_kpa`` by ``rise_kpa``, of air of ``outside_kpa``.
        With w^2 + v^2 above 1 a piston would go back on its way: such a pair is that at 1 of the same direction."""
        back = max(math.hypot(w, v), 1.0)
        w, v = w / back, v / back
        ratio = [np.maximum(1.0 + p / outside_kpa, 1.0) ** (1.0 / POLYTROPE) for p in (base_kpa, base_kpa + rise_kpa)]
        first, more = held * (ratio[0] - 1.0), held * (ratio[1] - ratio[0])
        return cls(w, v, first, more, np.interp(first / (1.0 + first), cls(w, v, first, more, first).swept(WAY), WAY))

    def swept(self, x: FloatArray) -> FloatArray:
        """Share of its way that the piston is at ``x``, 0 to 1."""
        angle = 2.0 * math.pi * x
        late, soft = np.cos(angle), np.sin(angle, out=angle)
        np.subtract(1.0, late, out=late)
        late *= self.v
        soft *= self.w
        late -= soft
        late /= 2.0 * math.pi
        late += x
        return late

    def inflow(self, x: FloatArray) -> FloatArray:
        """Share of a stroke's air (..., strokes) that is in at ``x``, (time since air passes) / length."""
        at = self.begins + np.maximum(x, 0.0)
        if x.ndim == 1:
            return self._in(np.minimum(at, 1.0))
        out = np.where(x > 0.0, self._in(np.ones(self.begins.shape)), self._in(self.begins))
        # most of the time no stroke is on its way
        on = np.flatnonzero(((x > 0.0) & (at < 1.0)).any(axis=tuple(range(1, x.ndim))))
        out[on] = self._in(np.minimum(at[on], 1.0))
        return out

    def _in(self, way: FloatArray) -> FloatArray:
        """Share of a stroke's air (..., strokes) that is in when ``way`` is the part of its time that is over."""
        left = 1.0 - self.swept(way)
        more = 1.0 + left * self.more
        left *= 1.0 + self.first
        np.subtract(1.0, left, out=left)
        np.maximum(left, 0.0, out=left)
        left /= more
        return left

    def warmth(self, t: FloatArray, length_s: FloatArray, tau_s: float) -> FloatArray:
        """The state c per unit of air, (strokes, times), at ``t`` (strokes, times) s after air passes."""
        on = (1.0 - self.begins) * length_s
        x = WAY[:, None] * on / tau_s
        step = np.diff(x, axis=0)
        # flow is steady from point to point; e^x stays below e^(1.6 / 0.15)
        part = np.diff(self.inflow(WAY[:, None] * (1.0 - self.begins)), axis=0)
        summed = np.cumsum(part * np.exp(x[:-1]) * np.expm1(step) / step, axis=0)
        c = np.concatenate([np.zeros((1, len(on))), summed]) * np.exp(-x)
        out = np.empty(t.shape)
        for i, after in enumerate(t):
            out[i] = np.interp(after, WAY * on[i], c[:, i]) * np.exp(-np.maximum(after - on[i], 0.0) / tau_s)
        return out
