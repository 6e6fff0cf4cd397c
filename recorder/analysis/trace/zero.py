"""Zero of the transducer: from the vented start; from the release where a recording was begun under pressure."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.trace.filters import STEP_TO_SD, median, normal_sd, running_mean
from recorder.analysis.trace.signal import Prepared, Sampling, sampling
from recorder.model import Quantity

if TYPE_CHECKING:
    from recorder.model import Calibration, FloatArray

__all__ = ["Start", "find_start", "find_zero", "full_scale_kpa", "most_offset_kpa", "zero_shift"]

# A calibrated transducer, vented, reads nearer to nought than this: 3 % of its scale, zero error and drift with
# temperature together; common practice, no source. Without a scale: what 3 % of 345 kPa (50 psi) comes to.
OFFSET_SHARE, OFFSET_KPA = 0.03, 10.0
SAME_KPA = 2.0  # two vented readings of one transducer differ by less
# What a vented one reads that is absolute: the air, from 3500 m (ICAO standard atmosphere, from memory) to a high at
# the sea. And how far one that was never calibrated may be off, in times of the most; common practice, no source.
# Else what stands before and after is pressure that was never let go.
AIR_KPA, OFF_TIMES = (65.0, 110.0), 2.0
TAIL_S = 0.5
# of what is left, in half of what is seen after the release, or at that pace in so long
STILL_FALLS, STILL_S = 0.1, 1.0
_VERY_FIRST_S, _STAYS_S = 0.12, 3.0  # a start too short for the first second to be vented
# so many rises make a row; of so much each on average over so long, and so far apart, at least; common practice, no
# source
_MANY, _MOMENT_S, _LEAST_KPA, _APART_S = 4, 0.1, 1.0, 0.35


@dataclass(frozen=True, slots=True, eq=False)
class Start:
    """Zero (kPa), its standard uncertainty, when the vented start ends (s). late: the recording was begun under
    pressure, so that zero is the reading after the release. wrong: why there is no zero at all, else None; then zero is
    the calibration's."""

    zero_kpa: float
    zero_u: float
    vented_end_s: float
    late: bool = False
    wrong: str | None = None


def full_scale_kpa(calibration: Calibration | None) -> float | None:
    """What the transducer's scale is: 80 % of the supply's ratio; None where it is not known."""
    return None if calibration is None else calibration.full_scale_kpa


def most_offset_kpa(calibration: Calibration | None) -> float:
    """What a vented transducer reads at most."""
    scale = full_scale_kpa(calibration)
    return max(OFFSET_KPA, OFFSET_SHARE * scale) if scale is not None else OFFSET_KPA


def find_start(t: FloatArray, p: FloatArray, calibration: Calibration | None, known: Sampling) -> Start:
    """The start of a trace, not zero-corrected (s, kPa; three readings or more)."""
    zero, u, vented_end = find_zero(t, p, known)
    most = most_offset_kpa(calibration)
    begins = _begins_kpa(t, p, known.dt_s)
    if begins > most:
        zero = begins  # what it went through later, let down and pumped up again, is no zero
    if zero <= most:
        return Start(zero, u, vented_end)
    tail = p[t > t[-1] - TAIL_S]
    tail = tail if len(tail) >= 3 else p[-3:]
    last = median(tail)
    never_calibrated = calibration is None or calibration.date is None
    may_be_zero = AIR_KPA[0] < zero < AIR_KPA[1] or (never_calibrated and zero <= OFF_TIMES * most)
    smooth = running_mean(p, max(round(0.25 / known.dt_s), 1))  # noise goes up as well
    if may_be_zero and abs(last - zero) < SAME_KPA and float(np.max(smooth)) > zero + 3.0 * SAME_KPA:
        return Start(zero, u, vented_end)  # vented before and after: a reading that is off by so much, or absolute
    first = float(t[0])
    if last > most or last > zero - 3.0 * SAME_KPA:
        between = _vented_since(t, p, zero, most, known) if begins > most else None
        if between is not None:
            return between
        text = (
            f"it begins at {zero:.0f} kPa, under pressure, so zero is not known; begin with the tester open to the "
            "air, or let the pressure go at the end"
        )
        return Start(0.0, most / math.sqrt(3.0), first, True, text)  # anywhere within what a vented one reads
    spread = normal_sd(tail - last)
    return Start(last, max(u, spread / 2.0), first, True)


def _vented_since(t: FloatArray, p: FloatArray, begins_kpa: float, most_kpa: float, known: Sampling) -> Start | None:
    """Of a trace that ``begins_kpa`` high and ends under pressure as well: the start at its lowest, where it was let go
    in between and stood open for a second. None where it was not."""
    n = max(round(1.0 / known.dt_s), 3)  # a second of readings
    if len(p) < 3 * n:
        return None
    each = running_mean(p, n)[n // 2 : -n // 2]
    at = int(np.argmin(each))
    level = median(p[at : at + n])
    if level > min(most_kpa, begins_kpa - 3.0 * SAME_KPA):
        return None
    if float(np.max(p[at : at + n])) > level + _leaves_kpa(p[at : at + n], level, known.step_kpa):
        return None  # it only went through
    zero, u, vented_end = find_zero(t[at:], p[at:], known)
    return Start(zero, u, vented_end)


def _begins_kpa(t: FloatArray, p: FloatArray, dt_s: float) -> float:
    """What a trace begins at; pumping may begin within its first second."""
    few = max(int(np.searchsorted(t, t[0] + _VERY_FIRST_S, "right")), 3)
    return min(median(_first_second(t, p, dt_s)), median(p[:few]))


def _first_second(t: FloatArray, p: FloatArray, dt_s: float) -> FloatArray:
    return p[: np.searchsorted(t, t[0] + max(1.0, 3 * dt_s), "right")]


def _leaves_kpa(vented: FloatArray, level_kpa: float, step_kpa: float) -> float:
    """By so much more than the level of readings that are ``vented`` another one is none of them."""
    return max(5.0 * normal_sd(vented - level_kpa), 1.2, 2.5 * step_kpa)


def find_zero(t: FloatArray, p: FloatArray, known: Sampling | None = None) -> tuple[float, float, float]:
    """Zero from the vented start: (mean kPa, standard uncertainty kPa, end of the vented start s).

    The start ends where the pressure leaves the level of the first second and does not come back.
    """
    if len(t) < 3:
        return (median(p) if len(p) else 0.0), 0.0, float(t[-1]) if len(t) else 0.0
    known = known or sampling(t, p)
    dt, step = known.dt_s, known.step_kpa
    first = _first_second(t, p, dt)
    level = median(first)
    limit = _leaves_kpa(first, level, step)
    short = _short_start(t, p, dt, step)
    if short is not None:
        at, limit = short
        end = float(t[at])
    else:
        above = np.flatnonzero(p > level + limit)
        need = max(round(0.25 / dt), 2)  # in a row
        runs = np.flatnonzero(above[need - 1 :] - above[: max(len(above) - need + 1, 0)] == need - 1)
        at = int(above[runs[0]]) if len(runs) else len(p)
        at = _short_rises(t[:at], p[:at], level, dt, limit)
        end = float(t[at]) - 0.25 if at < len(p) else float(t[-1])
        if len(runs):
            end = _where_it_leaves(t[: at + need], p[: at + need], end, dt)
    before = int(np.searchsorted(t, end))
    part = p[: before if before >= 3 else max(at, 1)]
    centre = median(part)
    kept = part[np.abs(part - centre) <= limit]
    kept = kept if len(kept) else part
    zero = float(np.mean(kept))
    # correlated noise: as if every quarter second gave one independent reading
    independent = max(len(kept) * min(dt / 0.25, 1.0), 1.0)
    u = float(np.hypot(np.std(kept), step / STEP_TO_SD) / np.sqrt(independent))
    if len(kept) < 3:
        u = max(u, limit / 3.0)  # it may have begun to rise already
    return zero, u, max(end, float(t[0]))


def _short_rises(t: FloatArray, p: FloatArray, level_kpa: float, dt_s: float, limit_kpa: float) -> int:
    """Where nothing stayed up for long: number of the reading at which the first of many short rises begins, of which
    each is gone before the next; ``len(p)`` where there are none. That is how strokes look where nothing seals."""
    n = max(round(_MOMENT_S / dt_s), 1)
    if len(p) < 4 * n:
        return len(p)
    mean = running_mean(p, n)
    quiet = normal_sd(mean - level_kpa)
    up = mean > level_kpa + max(5.0 * quiet, _LEAST_KPA, limit_kpa / math.sqrt(n))
    begins = np.flatnonzero(up[1:] & ~up[:-1]) + 1
    begins = begins[np.diff(t[begins], prepend=-math.inf) > _APART_S]
    return int(begins[0]) if len(begins) >= _MANY else len(p)


def _short_start(t: FloatArray, p: FloatArray, dt_s: float, step_kpa: float) -> tuple[int, float] | None:
    """Where pumping began within the first second, and stayed above the very first readings: number of the first
    reading of the rise, and how far vented readings may lie from their middle (kPa). Else None."""
    soon = np.searchsorted(t, t[0] + max(1.0, 3 * dt_s), "right")
    if soon < 2:
        return None
    few = max(int(np.searchsorted(t, t[0] + _VERY_FIRST_S, "right")), 3)
    level = median(p[:few])
    change = np.diff(p)
    # of few readings the rise is most: then the whole trace tells what noise is
    spread = min(float(normal_sd(part - median(part))) for part in (change[: soon - 1], change)) / math.sqrt(2.0)
    limit = max(5.0 * spread, 1.2, 2.5 * step_kpa)
    back = np.flatnonzero(p[: np.searchsorted(t, t[0] + _STAYS_S)] <= level + limit)
    last = int(back[-1]) if len(back) else 0
    if last + 1 >= soon or float(t[-1] - t[0]) < _STAYS_S:
        return None
    # the rise began before it was that clear
    low = np.flatnonzero(p[: last + 1] <= level + max(2.0 * spread, 0.5 * step_kpa))
    return int(low[-1]) + 1 if len(low) else 1, limit


def _where_it_leaves(t: FloatArray, p: FloatArray, end_s: float, dt_s: float) -> float:
    """Where a rise that was clear at ``end_s`` began: level, then a line upwards, by least squares.

    Small strokes are clear only after two or three of them. ``end_s`` where the line explains no more than chance.
    """
    block = max(round(0.25 / dt_s), 1)
    n = len(p) // block
    if n < 6:
        return end_s
    q = p[len(p) - n * block :].reshape(n, block).mean(axis=1)
    at = t[len(t) - n * block :].reshape(n, block).mean(axis=1)
    # with sums from every corner to the end: of ones, of times since the corner and their squares, and with the rise
    since, rise = at - at[-1], q - q.mean()
    count = np.arange(n, 0, -1)
    one, two, up, along = (np.cumsum(v[::-1])[::-1] for v in (since, since * since, rise, since * rise))
    first = one - count * since
    square = two - 2.0 * since * one + count * since * since - first * first / n
    along = along - since * up
    corner = slice(2, n - 1)
    explained = np.where(along[corner] > 0.0, along[corner] ** 2 / square[corner], -1.0)
    k = int(np.argmax(explained))
    return min(end_s, float(at[corner][k])) if explained[k] > 0.0 else end_s


def zero_shift(x: Prepared, zero_again_s: float, zero_u: float) -> Quantity | None:
    """Where the reading rests after the release, against the zero before (kPa). Where it still falls, as much again as
    it fell in the second half of what is seen may be to come; where that is a tenth of what is left, all of it, and so
    where too little is seen to tell."""
    tail = x.p[x.t > zero_again_s + 0.8]
    if len(tail) < 5:
        return None

    def u_of(part: FloatArray) -> float:
        """Of the mean, the noise about a straight line."""
        at = np.arange(len(part)) - (len(part) - 1) / 2.0
        rest = part - np.mean(part) - at * (at @ part) / max(float(at @ at), 1.0)
        return float(np.std(rest) / np.sqrt(max(len(part) * min(x.dt_s / 0.25, 1.0), 1.0)))

    first, second = tail[: len(tail) // 2], tail[len(tail) // 2 :]
    falls = float(np.mean(first) - np.mean(second))
    falls_u = math.hypot(u_of(first), u_of(second))
    may_fall = (falls + falls_u) * max(1.0, STILL_S / (len(second) * x.dt_s))
    if falls > 3.0 * falls_u:
        tail = second
    else:
        falls = 0.0
    value = float(np.mean(tail))
    to_come = max(falls, value / 2.0) if may_fall > STILL_FALLS * value else falls
    return Quantity(value, math.hypot(u_of(tail), zero_u, x.step_kpa / 7.0, to_come), "kPa")
