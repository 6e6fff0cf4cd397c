"""Preparing a trace: sampling step, resolution, noise, spikes, zero.

Times s, pressures kPa; arrays one-dimensional and of one length.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.trace.filters import (
    STEP_TO_SD,
    median,
    normal_sd,
    running_mean,
    running_median,
    smooth_slope,
)
from recorder.analysis.trace.ringing import without_ringing

if TYPE_CHECKING:
    from recorder.model import BoolArray, FloatArray, IntArray

__all__ = ["COARSE_S", "FINE_S", "TELLS_STROKES_S", "Prepared", "Sampling", "prepare", "sampling"]

# where no source is named beside a number: common practice, no source
FINE_S = 0.03  # readings further apart show a short peak in one of them alone, which a wild reading is as well
# readings further apart: two or three a stroke, so that tops are missed and two strokes may look like one
COARSE_S = 0.22
TELLS_STROKES_S = 0.45  # less than two in a stroke each second: none can be told (sampling theorem)
_JUMP_RANKS = np.array([0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.85, 0.9, 0.93, 0.95, 0.97])
_JUMPS_LEAST = 0.03  # of all changes
_GOES_TOGETHER = 0.98  # squared correlation of counts and pressures
AMONG_S = 2.0  # after another rise a stroke may follow
BESIDE, STANDS_OUT = 3, 2.0  # readings on each side; steps by which a top stands out from the median of five
LAST_PLACE_KPA = 2.5e-4  # the last decimal of the file
SLOPE_S = 0.09  # width of the Gaussian whose derivative gives the slope: a fraction of a stroke


@dataclass(frozen=True, slots=True, eq=False)
class Prepared:
    """A trace ready for the estimators. ``p`` is zero-corrected, without spikes and without ringing; ``smooth`` is
    ``p`` averaged over about 0.15 s; ``slope`` its rate of change (kPa/s). ``noise_kpa`` is the
    white part of the noise without resolution, ``step_kpa`` the resolution (0 where the readings
    are not quantised). ``even_*``: the same with holes bridged by straight lines, so that equal
    steps of the index are equal times."""

    t: FloatArray
    p: FloatArray
    smooth: FloatArray
    slope: FloatArray
    dt_s: float
    step_kpa: float
    noise_kpa: float
    spikes: int
    even_t: FloatArray
    even_p: FloatArray
    even_slope: FloatArray

    @property
    def sd_kpa(self) -> float:
        """Standard deviation of one reading: noise and resolution."""
        return float(np.hypot(self.noise_kpa, self.step_kpa / STEP_TO_SD)) + 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class Sampling:
    """Usual time between two readings (s), and the step between neighbouring readings (kPa; 0 where there is none)."""

    dt_s: float
    step_kpa: float


def sampling(t: FloatArray, p: FloatArray, counts: FloatArray | None = None) -> Sampling:
    """How readings ``p`` (kPa) at ``t`` (s) were taken; two or more. counts: of the converter, where they are known
    (NaN where not)."""
    step = counted_kpa(p, counts) if counts is not None else 0.0
    return Sampling(median(t[1:] - t[:-1]), step or resolution_kpa(p))


def counted_kpa(p: FloatArray, counts: FloatArray) -> float:
    """What one step of the converter comes to (kPa): a supply that is converted too moves the pressures of one count
    about. 0 where counts and pressures do not go together."""
    known = np.isfinite(counts)
    p, counts = p[known], counts[known]
    if len(p) < 8:
        return 0.0
    off, kpa = counts - counts.mean(), p - p.mean()
    size, along, all_kpa = float(off @ off), float(off @ kpa), float(kpa @ kpa)
    if along * along < _GOES_TOGETHER * size * all_kpa or size <= 0.0:
        return 0.0
    # a converter whose lowest bits are not sent jumps by several counts
    return abs(along) / size * float(np.gcd.reduce(np.diff(_distinct(counts).astype(np.int64))))


def _distinct(values: FloatArray) -> FloatArray:
    """``numpy.unique``, which loads masked arrays first: a fifth of what numpy takes to load."""
    ordered = np.sort(values)
    return np.asarray(ordered[np.append(True, ordered[1:] > ordered[:-1])])


def resolution_kpa(p: FloatArray) -> float:
    """The step between neighbouring readings; 0 where it means nothing.

    It is what readings jump by to and fro, else the median gap of the values seen. Those gaps are too small where a
    supply that drifts turns counts into pressure, and too large where few values were seen.
    """
    return _usual_jump(p) or _usual_gap(_distinct(p))


def _usual_gap(values: FloatArray) -> float:
    if len(values) < 3:
        return float(values[-1] - values[0]) if len(values) == 2 else 0.0
    gaps = np.diff(values)
    gaps = gaps[gaps > LAST_PLACE_KPA]
    return median(gaps) if len(gaps) else 0.0


def _usual_jump(p: FloatArray) -> float:
    """Size (kPa) of the changes between two readings that stand apart from the small ones, up as often as down; else 0.

    Noise that no step divides leaves no such gap: of what is about as large as twice its spread, ten times less is
    larger by half than smaller by half.
    """
    change = p[1:] - p[:-1]
    if len(change) < 50:
        return 0.0
    size = np.sort(np.abs(change))
    tried = size[(_JUMP_RANKS * len(size)).astype(np.int64)]
    small, low, high = (np.searchsorted(size, factor * tried) for factor in (0.4, 0.7, 1.3))
    many = high - low
    apart = (tried > LAST_PLACE_KPA) & (many >= _JUMPS_LEAST * len(size)) & (low - small <= 0.1 * many)
    if not apart.any():
        return 0.0
    best = int(np.argmax(np.where(apart, many, -1)))
    step = median(size[low[best] : high[best]])
    up, down = (np.count_nonzero(np.abs(change - sign * step) < 0.3 * step) for sign in (1.0, -1.0))
    return step if min(up, down) > 0.6 * max(up, down) else 0.0


def noise_kpa(p: FloatArray, step_kpa: float) -> float:
    """White noise from second differences, which lines and slow curves leave alone."""
    if len(p) < 8:
        return step_kpa
    d2 = p[2:] - 2.0 * p[1:-1] + p[:-2]
    sd = normal_sd(d2 - median(d2)) / np.sqrt(6.0)
    core = d2[np.abs(d2) <= 6.0 * max(sd, step_kpa, 1e-6)]
    if len(core) > 8:  # a coarse step makes the median jump; the core's own spread does not
        sd = float(np.std(core)) / np.sqrt(6.0)
    return float(np.sqrt(max(sd**2 - step_kpa**2 / 12.0, 0.0)))


def without_spikes(p: FloatArray, dt_s: float, sd_kpa: float) -> tuple[FloatArray, int]:
    """Lone wild readings replaced by the median of their neighbours; edges and steep tops stay where they are.

    So few readings a second that a relieving stroke may show in one or two of them alone: then readings among strokes
    are wild only where they stand higher than strokes bring them.
    """
    if len(p) < 5:
        return p, 0
    if dt_s <= FINE_S:
        limit = max(7.0 * sd_kpa, 1.5)
        jumps = np.abs(p[1:] - p[:-1]) > limit
        if not jumps.any():  # what stands apart from the median of five does so from a neighbour
            return p, 0
        some = np.flatnonzero(np.append(jumps, False) | np.append(False, jumps))
        beside = np.arange(-BESIDE, BESIDE + 1)[:, None] + np.arange(5)
        near = np.pad(p, BESIDE + 2, mode="edge")[some[:, None, None] + BESIDE + beside]
        medians = np.sort(near, axis=2)[:, :, 2]
        middle = medians[:, BESIDE]
        # where the pressure itself goes steeply up and down, in strokes that a valve cuts short, its tops stand out
        steep = np.abs(np.diff(medians, axis=1)).max(axis=1)
        wild = np.abs(p[some] - middle) > np.maximum(limit, STANDS_OUT * steep)
        out = p.copy()
        out[some[wild]] = middle[wild]
        return out, int(np.count_nonzero(wild))
    limit = max(7.0 * sd_kpa, 4.0)
    pairs, levels = _wild_pairs(p, dt_s, limit)
    whole = np.where(pairs, levels, p)
    middle = running_median(whole, 3)
    off = whole - middle
    wild = np.abs(off) > limit
    if wild.any():
        steep = np.diff(middle, prepend=middle[0])
        most = float(steep.max())
        rises = np.flatnonzero(steep > max(0.3 * most, limit / 2))
        for k in np.flatnonzero(wild & (off > 0.0) & (off < 1.5 * most)):
            before = rises[rises < k]
            if len(before) and (k - before[-1]) * dt_s < AMONG_S and middle[k] > 0.6 * float(middle.max()):
                wild[k] = False
                rises = np.sort(np.append(rises, k))
    return np.where(wild, middle, whole), int(np.count_nonzero(wild) + np.count_nonzero(pairs))


def _wild_pairs(p: FloatArray, dt_s: float, limit: float) -> tuple[BoolArray, FloatArray]:
    """Which readings are two wild ones in a row between quiet ones, and what is read around them (kPa)."""
    middle = running_median(p, 5)
    wild = np.zeros(len(p), bool)
    if len(p) < 8:
        return wild, middle
    k = np.arange(2, len(p) - 3)  # the first of two
    before, after = p[k - 1], p[k + 2]
    up = np.minimum(p[k], p[k + 1]) - np.maximum(before, after)
    down = np.minimum(before, after) - np.maximum(p[k], p[k + 1])
    size = np.maximum(up, down)
    rough = np.abs(np.stack([before - after, p[k - 2] - before, p[k + 3] - after])).max(axis=0)
    found = (size > limit) & (rough < 0.2 * size)
    if found.any():
        rise = middle[4:] - middle[:-4]
        most = float(rise.max())  # of one stroke, that one or two wild readings leave no trace in
        strokes = np.flatnonzero(rise > 0.3 * most) + 4
        for i in np.flatnonzero(found & (up > 0.0) & (up < 2.0 * most)):
            last = strokes[strokes < k[i]]
            if len(last) and (k[i] - last[-1]) * dt_s < 2.0 * AMONG_S and before[i] > 0.6 * float(middle.max()):
                found[i] = False
                strokes = np.sort(np.append(strokes, k[i] + 1))
    wild[k[found]] = wild[k[found] + 1] = True
    return wild, np.where(wild, middle, p)


def prepare(t: FloatArray, p: FloatArray, zero_kpa: float, known: Sampling | None = None) -> Prepared:
    """The trace, zero-corrected and cleaned. Needs two samples or more."""
    known = known or sampling(t, p)
    dt, step = known.dt_s, known.step_kpa
    noise = noise_kpa(p, step)
    sd = float(np.hypot(noise, step / STEP_TO_SD)) + 1e-6
    clean, spikes = p - zero_kpa, 0
    if dt <= FINE_S:
        clean, spikes = without_spikes(clean, dt, sd)
    even_t, even_p, own = _evenly(t, clean, dt)
    even_p, rings = without_ringing(even_t, even_p, dt, sd)
    clean = even_p[own] if rings else clean
    if dt > FINE_S:  # where ringing looks wild itself
        clean, spikes = without_spikes(clean, dt, sd)
        even_t, even_p, own = _evenly(t, clean, dt)
    width = max(round(0.15 / dt), 1)
    smooth = running_mean(even_p, width)
    slope = smooth_slope(even_p, max(SLOPE_S / dt, 0.5)) / dt
    return Prepared(
        t, clean, smooth[own], slope[own], dt, step, noise, spikes, even_t, even_p, slope
    )


def _evenly(t: FloatArray, p: FloatArray, dt_s: float) -> tuple[FloatArray, FloatArray, IntArray | slice]:
    """Times and readings with lost ones put in on straight lines, and where the real ones are among them."""
    steps = t[1:] - t[:-1]
    if float(steps.max()) < 1.5 * dt_s:
        return t, p, slice(None)
    missing = np.clip(np.rint(steps / dt_s).astype(np.int64) - 1, 0, round(600.0 / dt_s))
    own = np.arange(len(t)) + np.concatenate([[0], np.cumsum(missing)])
    if own[-1] == len(t) - 1:
        return t, p, slice(None)
    every = np.arange(own[-1] + 1)
    return np.interp(every, own, t), np.interp(every, own, p), own
