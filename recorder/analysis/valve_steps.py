"""Many relief valves stepped through time side by side; the laws are those of ``valve``."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.closed import Response

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.model import FloatArray

__all__ = ["Lanes", "run_valves"]


@dataclass(slots=True, eq=False)
class Lanes:
    """Many valves side by side: arrays of one length, ``feed`` (steps + 1, lanes) the air that is
    in (kPa); ``left`` by how much the stroke before went above the opening (kPa)."""

    feed: FloatArray
    step_s: FloatArray
    base: FloatArray
    warm: FloatArray
    p_open: FloatArray
    k: FloatArray
    gap: FloatArray
    ajar: NDArray[np.bool_]
    left: FloatArray

    def left_open(self, pops: bool) -> FloatArray:
        """The lift that a stroke begins with: friction holds it as the pressure falls, down to closing."""
        above = np.maximum(self.base - self.p_open + self.gap, 0.0)
        if pops:
            return np.where(self.ajar, np.maximum(above, 1e-3), np.where(self.left > 0.0, above, 0.0))
        return np.minimum(self.left, above)


def run_valves(
    q: Lanes, r: Response, *, pops: bool, full: bool = False, lag_s: float | None = None
) -> tuple[FloatArray, FloatArray]:
    """Pressures (steps + 1, lanes), and the warmth c at the end (lanes). Between two times lift and
    pressure follow a line, so each step is exact in k. lag_s: time constant by which the lift is late; full: such a
    lift is all of ``gap`` until the valve shuts."""
    if lag_s is not None:
        return _run_full(q, r, lag_s) if full else _run_late(q, r, lag_s, pops)
    p, c = q.base.copy(), q.warm.copy()
    lift = q.left_open(pops)
    out = np.empty_like(q.feed)
    out[0] = p
    cool = 1.0 - np.exp(-q.step_s / r.tau_s)
    rate = (1.0 + r.warming) * q.k * q.step_s
    p_open, p_close = q.p_open, q.p_open - q.gap
    air = np.diff(q.feed, axis=0)
    gain = (1.0 + r.warming) * air - r.fall_kpa_per_s * q.step_s
    for i in range(len(air)):
        cooled = c * cool
        push = gain[i] - r.warming * cooled
        still = p + push - rate * lift  # with the lift as it is
        if pops:
            moves = (lift > 0.0) | (still > p_open)
            over = still - p_open
            line, start = p_close, np.where(lift > 0.0, p - p_close, q.gap)
            whole = lift > 0.0
        else:
            over = still - p_open - lift
            up = over > 0.0
            moves = up | ((still - p_close < lift) & (lift > 0.0))
            line = np.where(up, p_open, p_close)
            start = np.where(up, np.maximum(p - p_open, lift), np.minimum(p - p_close, lift))
            whole = ~up
        if moves.any():
            # where the step begins before the line is met, only the part after counts
            part = np.minimum(np.maximum(over / np.where(push == 0.0, 1.0, push), 0.0), 1.0)
            part = np.where(whole, 1.0, part)
            settle = push / rate
            level = settle + (start - settle) * np.exp(-rate * part)
            level[level < 1e-3] = 0.0
            level = np.where(q.ajar, np.maximum(level, 1e-3), level)
            new = np.where(moves, line + level, still)
            lift = np.where(moves, level, lift)
        else:
            new = still
        c = c + air[i] - (p + push - new) / (1.0 + r.warming) - cooled
        p = new
        out[i + 1] = p
    return out, c


def _run_full(q: Lanes, r: Response, lag_s: float) -> tuple[FloatArray, FloatArray]:
    """A valve that is either shut or wholly open, its lift, from 0 to 1, late by ``lag_s``."""
    p, c = q.base.copy(), q.warm.copy()
    is_open = (q.left > 0.0) & (p > q.p_open - q.gap)
    lift = is_open.astype(float)
    out = np.empty_like(q.feed)
    out[0] = p
    h = q.step_s
    cool = 1.0 - np.exp(-h / r.tau_s)
    flow = np.maximum((1.0 + r.warming) * q.k * q.gap, 1e-9)
    p_open, p_close = q.p_open, q.p_open - q.gap
    air = np.diff(q.feed, axis=0)
    gain = (1.0 + r.warming) * air - r.fall_kpa_per_s * h
    for i in range(len(air)):
        cooled = c * cool
        push = gain[i] - r.warming * cooled
        # as if the lift went on to where it goes now
        gone = np.exp(-h / lag_s)
        mean = is_open + (lift - is_open) * lag_s / h * (1.0 - gone)
        still = p + push - flow * h * mean
        turns = np.where(is_open, still < p_close, still > p_open)
        line = np.where(is_open, p_close, p_open)
        # where the line is met within the step, the lift turns there
        way = np.where(still == p, 1.0, still - p)
        before = np.where(turns, np.clip((line - p) / way, 0.0, 1.0), 1.0) * h
        left = h - before
        first = is_open + (lift - is_open) * np.exp(-before / lag_s)
        passed = is_open * before + (lift - is_open) * lag_s * (1.0 - np.exp(-before / lag_s))
        is_open = is_open ^ turns
        lift = is_open + (first - is_open) * np.exp(-left / lag_s)
        passed += is_open * left + (first - is_open) * lag_s * (1.0 - np.exp(-left / lag_s))
        new = p + push - flow * passed
        c = c + air[i] - flow * passed / (1.0 + r.warming) - cooled
        p = new
        out[i + 1] = p
    return out, c


def _run_late(q: Lanes, r: Response, lag_s: float, pops: bool) -> tuple[FloatArray, FloatArray]:
    """A valve whose lift follows that of friction's two lines with a lag. While the line moves with the pressure,
    y = p - line and lift l are linear, y' = u - K l, l' = (y - l) / lag, and each step is exact; a step in which the
    line is met is two."""
    p, c = q.base.copy(), q.warm.copy()
    wants = q.left_open(pops)
    lift = wants.copy()
    out = np.empty_like(q.feed)
    out[0] = p
    h, gain_k = q.step_s, (1.0 + r.warming) * q.k
    cool = 1.0 - np.exp(-h / r.tau_s)
    gone = np.exp(-h / lag_s)
    half = 0.5 / lag_s
    turn = np.sqrt(gain_k / lag_s - half * half + 0j) + 1e-9

    def waves(some: NDArray[np.intp] | slice, after_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        damp = np.exp(-half * after_s)
        w = turn[some] * after_s
        return damp * np.cos(w).real, damp * (np.sin(w) / turn[some]).real

    even, odd = waves(slice(None), h)
    p_open, p_close = q.p_open, q.p_open - q.gap
    air = np.diff(q.feed, axis=0)
    gain = (1.0 + r.warming) * air - r.fall_kpa_per_s * h
    for i in range(len(air)):
        cooled = c * cool
        push = gain[i] - r.warming * cooled
        still = p + push - gain_k * h * lift
        if pops:
            up = (wants <= 0.0) & (still > p_open)
            moves, line, meet = up | (wants > 0.0), p_close, p_open
            meets = np.flatnonzero(up & (p < p_open))
        else:
            up = still - p_open > wants
            moves = up | ((still - p_close < wants) & (wants > 0.0))
            line = np.where(up, p_open, p_close)
            meet = line + wants
            meets = np.flatnonzero(moves & np.where(up, p < meet, p > meet))
        rest = push / (gain_k * h)
        a, b, first, l_first = even, odd, p, lift
        if len(meets):
            to = meet[meets]
            before = np.clip((to - p[meets]) / (still[meets] - p[meets]), 0.0, 1.0) * h[meets]
            a, b, first, l_first = even.copy(), odd.copy(), p.copy(), lift.copy()
            a[meets], b[meets] = waves(meets, h[meets] - before)
            first[meets] = to
            l_first[meets] = wants[meets] + (lift[meets] - wants[meets]) * np.exp(-before / lag_s)
        y, over = first - line - rest, l_first - rest
        new = np.where(
            moves,
            line + rest + (a + half * b) * y - gain_k * b * over,
            p + push - gain_k * (wants * h + (lift - wants) * lag_s * (1.0 - gone)),
        )
        lift = np.where(moves, rest + b / lag_s * y + (a - half * b) * over, wants + (lift - wants) * gone)
        lift = np.maximum(lift, 0.0)
        wants = np.where(moves, np.maximum(new - line, 0.0), wants)
        c = c + air[i] - (p + push - new) / (1.0 + r.warming) - cooled
        p = new
        out[i + 1] = p
    return out, c
