"""Many relief valves stepped through time side by side; the laws are those of ``valve``."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.opening.closed import Response

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.model import FloatArray

__all__ = ["Lanes", "run_valves"]

SHUT_KPA = 1e-3  # a lift below this is none
SAME_KPA = 1e-9  # rounding, between a pressure and a line that it is on
LEAST = 1e-12
TINY = 1e-12  # kPa: a push so small is none


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

    def left_open(self, pop: float) -> FloatArray:
        """The lift that a stroke begins with: friction holds it as the pressure falls, down to closing. pop: the share
        of ``gap`` that a valve's lift has as soon as it opens."""
        above = np.maximum(self.base - self.p_open + self.gap, 0.0)
        if pop == 1.0:
            return np.where(self.ajar, np.maximum(above, 1e-3), np.where(self.left > 0.0, above, 0.0))
        return np.minimum(np.where(self.left > 0.0, self.left + pop * self.gap, 0.0), above)


def run_valves(
    q: Lanes, r: Response, *, pop: float, full: bool = False, lag_s: float | None = None
) -> tuple[FloatArray, FloatArray]:
    """Pressures (steps + 1, lanes), and the warmth c at the end (lanes). Between two times lift and
    pressure follow a line, so each step is exact in k. lag_s: time constant by which the lift is late; full: such a
    lift is all of ``gap`` until the valve shuts."""
    gas = _Gas(q, r)
    if lag_s is None:
        (_run_popping if pop == 1.0 else _run_rubbing)(q, gas)
    elif full:
        _run_full(q, gas, lag_s)
    else:
        _run_late(q, gas, lag_s, pop)
    return gas.done()


class _Gas:
    """The gas of all lanes, stepped in place; pressures count from the opening, ``out`` (steps + 1, lanes).

    ``push`` (lanes) is what a step adds where nothing is let out, ``free`` the pressure then. ``warm`` is the warmth c
    as the pressure that the same air makes as it comes in.
    """

    def __init__(self, q: Lanes, r: Response) -> None:
        self.scale, self.p_open = 1.0 + r.warming, q.p_open
        self.out = np.empty_like(q.feed)
        np.subtract(q.base, q.p_open, out=self.out[0])
        self.air = np.diff(q.feed, axis=0) * self.scale
        self.gain = self.air - r.fall_kpa_per_s * q.step_s
        self.keep = np.exp(-q.step_s / r.tau_s)
        self.cool = (1.0 - self.keep) * (r.warming / self.scale)
        self.warm = q.warm * self.scale
        self.push, self.free = np.empty_like(q.base), np.empty_like(q.base)

    def begin(self, i: int) -> tuple[FloatArray, FloatArray]:
        """The pressures before step ``i``, and where those after it are to be put."""
        np.multiply(self.warm, self.cool, out=self.push)
        np.subtract(self.gain[i], self.push, out=self.push)
        np.add(self.out[i], self.push, out=self.free)
        return self.out[i], self.out[i + 1]

    def end(self, i: int) -> None:
        """The warmth after step ``i``: what is let out takes its own along."""
        self.warm *= self.keep
        self.warm += self.air[i]
        self.free -= self.out[i + 1]
        self.warm -= self.free

    def done(self) -> tuple[FloatArray, FloatArray]:
        return self.out + self.p_open, self.warm / self.scale


def _run_rubbing(q: Lanes, gas: _Gas) -> None:
    """A valve whose lift follows p - p_open as it opens, p - p_close as it closes, and stays where it is between."""
    rate = gas.scale * q.k * q.step_s
    slow, stays = 1.0 / rate, np.exp(-rate)
    lift = q.left_open(0.0)
    still, settle = np.empty_like(rate), np.empty_like(rate)
    for i in range(len(gas.air)):
        p, new = gas.begin(i)
        np.subtract(gas.free, np.multiply(rate, lift, out=still), out=still)  # with the lift as it is
        up = still > lift
        moves = up | ((still + q.gap < lift) & (lift > 0.0))
        if moves.any():
            np.multiply(gas.push, slow, out=settle)
            # where the step begins before the line is met, only the part after counts
            part = (still - lift) / np.where(np.abs(gas.push) < TINY, 1.0, gas.push)
            np.minimum(np.maximum(part, 0.0, out=part), 1.0, out=part)
            part *= rate
            level = np.where(up, np.maximum(p, lift), np.minimum(p + q.gap, lift)) - settle
            level *= np.where(up, np.exp(np.negative(part, out=part), out=part), stays)
            level += settle
            level *= level >= SHUT_KPA
            still = np.where(moves, np.where(up, level, level - q.gap), still)
            lift = np.where(moves, level, lift)
        new[:] = still
        gas.end(i)


def _run_popping(q: Lanes, gas: _Gas) -> None:
    """A valve whose lift is p - p_close as soon as it is open, and never 0 where it is left ajar."""
    rate = gas.scale * q.k * q.step_s
    lift = q.left_open(1.0)
    least = np.where(q.ajar, SHUT_KPA, 0.0)
    for i in range(len(gas.air)):
        p, new = gas.begin(i)
        still = gas.free - rate * lift
        is_open = lift > 0.0
        moves = is_open | (still > 0.0)
        if moves.any():
            part = np.where(is_open, 1.0, np.clip(still / np.maximum(gas.push, LEAST), 0.0, 1.0))
            settle = gas.push / rate
            level = settle + (np.where(is_open, p, 0.0) + q.gap - settle) * np.exp(-rate * part)
            level = np.where(level < SHUT_KPA, least, level)
            still = np.where(moves, level - q.gap, still)
            lift = np.where(moves, level, lift)
        new[:] = still
        gas.end(i)


def _run_full(q: Lanes, gas: _Gas, lag_s: float) -> None:
    """A valve that is either shut or wholly open, its lift, from 0 to 1, late by ``lag_s``."""
    h = q.step_s
    is_open = ((q.left > 0.0) & (q.base > q.p_open - q.gap)).astype(float)
    lift = is_open.copy()
    flow = np.maximum(gas.scale * q.k * q.gap, 1e-9)
    gone = np.exp(-h / lag_s)
    whole, late = flow * h, flow * lag_s * (1.0 - gone)
    off, still = np.empty_like(h), np.empty_like(h)
    for i in range(len(gas.air)):
        p, new = gas.begin(i)
        # as if the lift went on to where it goes now
        np.subtract(lift, is_open, out=off)
        np.subtract(gas.free, np.multiply(whole, is_open, out=new), out=new)
        new -= np.multiply(late, off, out=still)
        np.multiply(off, gone, out=lift)
        lift += is_open
        turns = np.flatnonzero(np.where(is_open > 0.0, new < -q.gap, new > 0.0))
        if len(turns):
            # where the line is met within the step, the lift turns there
            was, by, start = is_open[turns], off[turns], p[turns]
            way = new[turns] - start
            met = np.clip((-q.gap[turns] * was - start) / np.where(way == 0.0, 1.0, way), 0.0, 1.0)
            before = met * h[turns]
            left = h[turns] - before
            shrunk = np.exp(-before / lag_s)
            first = was + by * shrunk
            passed = was * before + by * lag_s * (1.0 - shrunk)
            now = 1.0 - was
            shrunk = np.exp(-left / lag_s)
            passed += now * left + (first - now) * lag_s * (1.0 - shrunk)
            is_open[turns], lift[turns] = now, now + (first - now) * shrunk
            new[turns] = gas.free[turns] - flow[turns] * passed
        gas.end(i)


class _Swing:
    """y above the line and a lift l that is late: y' = u - K l, l' = (y - l) / lag, of all lanes. gain: K (1/s)."""

    def __init__(self, gain: FloatArray, lag_s: float) -> None:
        self.gain, self.lag_s, self.half = gain, lag_s, 0.5 / lag_s
        self.turn = np.sqrt(gain / lag_s - self.half * self.half + 0j) + 1e-9

    def turned(self, some: NDArray[np.intp] | slice, after_s: FloatArray) -> FloatArray:
        """The matrix (4, lanes) that takes y and l, both from where they settle, ``after_s`` further."""
        damp = np.exp(-self.half * after_s)
        by = self.turn[some]
        on = np.exp(1j * by * after_s)
        back = 1.0 / on
        a, b = damp * (0.5 * (on + back).real), damp * ((on - back) / by).imag * 0.5
        return np.stack([a + self.half * b, self.gain[some] * b, b / self.lag_s, a - self.half * b])

    def on(
        self, some: NDArray[np.intp], after_s: FloatArray, y: FloatArray, lift: FloatArray, rest: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """y and lift ``after_s`` further; rest: where both settle."""
        step = self.turned(some, after_s)
        y, lift = y - rest, lift - rest
        return step[0] * y - step[1] * lift + rest, step[2] * y + step[3] * lift + rest


def _run_late(q: Lanes, gas: _Gas, lag_s: float, pop: float) -> None:
    """A valve whose lift follows that of friction's two lines with a lag. While the line moves with the pressure,
    y = p - line and lift l are linear and each step is exact; a step in which the line is met is two."""
    h, swing = q.step_s, _Swing(gas.scale * q.k, lag_s)
    wants = q.left_open(pop)
    lift = wants.copy()
    whole, gone = swing.gain * h, np.exp(-h / lag_s)
    late, slow = swing.gain * lag_s * (1.0 - gone), 1.0 / whole
    steady = swing.turned(slice(None), h)
    pops, shut_line, jump = pop == 1.0, -q.gap, pop * q.gap
    still, rest, y, over, other = (np.empty_like(h) for _ in range(5))
    for i in range(len(gas.air)):
        p, new = gas.begin(i)
        np.subtract(gas.free, np.multiply(whole, lift, out=still), out=still)
        is_open = wants > 0.0
        if pops:
            up = still > 0.0
            moves = up | is_open
        else:
            up = still > np.where(is_open, wants - jump, 0.0)
            moves = up | ((still + q.gap < wants) & is_open)
        # where it does not move
        np.subtract(lift, wants, out=over)
        np.subtract(gas.free, np.multiply(whole, wants, out=new), out=new)
        new -= np.multiply(late, over, out=other)
        if not moves.any():
            np.add(wants, np.multiply(over, gone, out=over), out=lift)
            gas.end(i)
            continue
        if pops:
            line, meet = shut_line, wants
            meets = np.flatnonzero(up & ~is_open & (p < -SAME_KPA))
        else:
            line = np.where(up, -jump, shut_line)
            meet = np.where(is_open, line + wants, 0.0)
            before = p - meet
            meets = np.flatnonzero(moves & np.where(up, before < -SAME_KPA, before > SAME_KPA))
        np.multiply(gas.push, slow, out=rest)
        np.subtract(p, line, out=y)
        y -= rest
        begins = lift - rest
        if len(meets):
            to, was = np.zeros(len(meets)) if pops else meet[meets], p[meets]
            until_s = np.clip((to - was) / (still[meets] - was), 0.0, 1.0) * h[meets]
            # the lift as it is until the line is met, and from there on
            l_first = wants[meets] + over[meets] * np.exp(-until_s / lag_s)
            met = swing.on(meets, h[meets] - until_s, to - line[meets], l_first, rest[meets])
        held = wants + np.multiply(over, gone, out=over)
        np.multiply(steady[0], y, out=still)
        still -= np.multiply(steady[1], begins, out=other)
        still += rest  # from the line
        y *= steady[2]
        y += np.multiply(steady[3], begins, out=other)
        y += rest
        if len(meets):
            still[meets], y[meets] = met
        lift = np.maximum(np.where(moves, y, held), 0.0)
        wants = np.where(moves, np.maximum(still, 0.0), wants)
        still += line
        new[:] = np.where(moves, still, new)
        gas.end(i)
