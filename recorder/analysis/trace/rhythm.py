"""A beat in the pressure: an engine that idles while it is tested moves the coolant in a steady
rhythm.

One line in the spectrum of the quiet part, far above what is beside it. Strokes come in a cadence
too, so only what follows the build-up of pressure is looked at.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.trace.filters import median, running_mean
from recorder.analysis.trace.signal import Prepared, noise_kpa, prepare

if TYPE_CHECKING:
    from recorder.model import FloatArray

__all__ = ["Beat", "find_beat", "without_beat"]

# where no source is named beside a number: common practice, no source
LOWEST_HZ, HIGHEST_HZ = 0.3, 12.0  # an idling engine's strokes are below 12 Hz
# slower (readings few enough that a quick rhythm looks slow): so many waves, and all but so much of what does not
# drift, or it is not told from settling
WAVES, SLOW_REST, SLOW_KPA = 3.0, 0.2, 0.5
SMALLEST_KPA = 0.3  # amplitude; mains hum that aliases stays below in a usable adapter
LARGEST_SHARE = 0.15  # of the pressure held: more is the pump's own strokes, which do not stay
FALSE_ALARM = 1e-6  # of a noise line in one recording
FLAT_S = 2.0  # what is slower than this is no beat's
LONGER = 0.9  # of its size: so much a wave keeps that is the same all the time
# at the end of what is held: over so many waves, and so long, it is still as large; else it was a pump's strokes
LAST_WAVES, LAST_S, STILL = 2.0, 2.0, 0.5
HARMONICS = 3  # an engine's beat repeats itself, but need be no sine wave; of a slow one settling hides the shape


@dataclass(frozen=True, slots=True, eq=False)
class Beat:
    """A wave that repeats itself: frequency (Hz), and the cosine and sine parts (kPa) of it and its harmonics at time
    0, in turn. steady: one wave fits it throughout, so that it can be taken out, from since_s on."""

    hz: float
    parts_kpa: FloatArray
    steady: bool = True
    since_s: float = -math.inf

    @property
    def amplitude_kpa(self) -> float:
        """Of its fundamental."""
        return math.hypot(*self.parts_kpa[:2])

    @property
    def steepest_kpa_per_s(self) -> float:
        """It changes no faster."""
        sizes = np.hypot(self.parts_kpa[::2], self.parts_kpa[1::2])
        return 2.0 * math.pi * self.hz * float(sizes @ np.arange(1, len(sizes) + 1))

    def at(self, t: FloatArray) -> FloatArray:
        """Its pressure (kPa) at times ``t`` (s)."""
        return self.parts_kpa @ _waves(self.hz, len(self.parts_kpa) // 2, t)


def _waves(hz: float, many: int, t: FloatArray) -> FloatArray:
    """Cosine and sine of ``hz`` and its harmonics, ``many`` in all (2 many, n)."""
    angle = 2.0 * math.pi * hz * np.arange(1, many + 1)[:, None] * t
    return np.stack([np.cos(angle), np.sin(angle)], axis=1).reshape(2 * many, len(t))


def _quiet(x: Prepared, end_s: float) -> tuple[float, float, float]:
    """The end of the build-up, and the later part of the time from there to ``end_s``."""
    width = max(round(1.0 / x.dt_s), 1)
    # nothing beyond the ends, so that they count less
    total = np.cumsum(np.pad(x.even_p, (width // 2 + 1, width - 1 - width // 2)))
    mean = (total[width:] - total[:-width]) / width
    t = x.even_t
    near = np.flatnonzero((mean > 0.97 * float(np.max(mean))) & (t < end_s))
    start = float(t[near[0]]) if len(near) else end_s
    later = (t > start) & (t < end_s)
    if not later.any() or float(np.min(mean[later])) < 0.4 * float(np.max(mean)):
        return end_s, end_s, end_s  # nothing is held
    return start, start + max(0.3 * (end_s - start), 3.0), end_s - 1.0


def find_beat(x: Prepared, end_s: float, *, may_open: bool) -> Beat | None:
    """The beat before ``end_s`` (release, or end of the trace), or None. may_open: strokes that a valve lets out beat
    as well, at the height of what is held; but they stop, and are none."""
    held_s, start, end = _quiet(x, end_s)
    first, last = np.searchsorted(x.even_t, start, "right"), np.searchsorted(x.even_t, end)
    n = int(last - first)
    if end - start < 6.0 or n < 60 or float(np.max(x.smooth)) < 5.0:
        return None
    t, p = x.even_t[first:last], x.even_p[first:last]
    middle, level = float(t[n // 2]), float(np.mean(p))
    since = (t - middle) / (end - start)
    square = since * since
    drift = np.stack([np.ones(n), since, square, since * square])  # least squares
    p = p - np.linalg.solve(drift @ drift.T, drift @ p) @ drift
    power = np.abs(np.fft.rfft(p * np.hanning(n))) ** 2
    hz = np.fft.rfftfreq(n, x.dt_s)
    band = np.flatnonzero((hz > min(WAVES / (end - start), LOWEST_HZ)) & (hz < min(HIGHEST_HZ, 0.45 / x.dt_s)))
    if len(band) < 8:
        return None
    best = int(band[np.argmax(power[band])])
    # noise power of a bin is exponential about its mean: a line this high comes by chance with FALSE_ALARM
    beside = median(power[band]) / math.log(2.0)
    if float(power[best]) < beside * math.log(len(band) / FALSE_ALARM):
        return None
    near = np.abs(hz - hz[best]) <= max(0.03 * float(hz[best]), 1.5 * float(hz[1]))  # idling wanders
    slow = float(hz[best]) < LOWEST_HZ
    if float(power[near].sum()) < (1.0 - SLOW_REST if slow else 0.5) * float(power[band].sum()):
        return None

    bin_hz = float(hz[1])
    at_hz, parts, rest = _fitted(t, p, float(hz[best]), bin_hz, 1)
    many = 1 if slow else max(min(HARMONICS, int(0.45 / (x.dt_s * at_hz))), 1)
    if many > 1:
        at_hz, parts, rest = _fitted(t, p, at_hz, bin_hz / (2.0 * many), many)
    beat = Beat(at_hz, parts)
    seen_kpa = math.sqrt(16.0 / 3.0 * float(power[near].sum())) / n  # Hann: mean of its square is 3/8
    if not max(SMALLEST_KPA, 0.5 * x.sd_kpa) < seen_kpa < LARGEST_SHARE * level:
        return None
    if may_open and not slow and _stopped(x, t, p, at_hz, seen_kpa):
        return None
    if slow and (rest > SLOW_REST * float(p @ p) or beat.amplitude_kpa < SLOW_KPA):
        return None
    beat = replace(beat, steady=beat.amplitude_kpa > 0.8 * seen_kpa, since_s=_since(x, beat))
    return beat if slow or not beat.steady else _longer(x, beat, since_s=max(beat.since_s, held_s), end_s=end)


def _stopped(x: Prepared, t: FloatArray, p: FloatArray, hz: float, seen_kpa: float) -> bool:
    """Whether the last of the readings ``p`` (kPa) at ``t`` (s) have clearly less of a wave of ``hz`` than all of them,
    which have ``seen_kpa``."""
    last = t > t[-1] - min(max(LAST_WAVES / hz, LAST_S), 0.5 * float(t[-1] - t[0]))
    t, p = t[last], p[last]
    p = np.clip(p - median(p), -2.0 * seen_kpa, 2.0 * seen_kpa)  # a knock is none of it
    design = np.concatenate([_waves(hz, 1, t), np.ones((1, len(t))), t[None] - t[0]])
    part, *_ = np.linalg.lstsq(design.T, p, rcond=None)
    u = x.sd_kpa * math.sqrt(2.0 / len(t))  # of an amplitude beside white noise
    return math.hypot(float(part[0]), float(part[1])) + 2.0 * u < STILL * seen_kpa


def _fitted(t: FloatArray, p: FloatArray, hz: float, wide_hz: float, many: int) -> tuple[float, FloatArray, float]:
    """The wave of ``many`` harmonics that explains ``p`` best, at most ``wide_hz`` from ``hz``: its frequency and
    parts, and the sum of squares that it leaves."""
    from scipy import optimize  # slow to load, and seldom needed

    def fit(f: float) -> tuple[float, FloatArray]:
        design = np.concatenate([_waves(f, many, t), np.ones((1, len(t)))])
        part, *_ = np.linalg.lstsq(design.T, p, rcond=None)
        miss = p - part @ design
        return float(miss @ miss), part[:-1]

    found = optimize.minimize_scalar(
        lambda f: fit(f)[0], bounds=(hz - wide_hz, hz + wide_hz), method="bounded",
        options={"xatol": 1e-4 * wide_hz},
    )
    rest, parts = fit(float(found.x))
    return float(found.x), parts, rest


def _longer(x: Prepared, beat: Beat, since_s: float, end_s: float) -> Beat:
    """``beat`` by all that was held, from ``since_s`` on: its phase is known that far back only so."""
    first, last = np.searchsorted(x.even_t, [since_s, end_s])
    width = round(max(round(FLAT_S * beat.hz), 1) / (beat.hz * x.dt_s))  # of whole periods the mean is nothing
    if last - first < 2 * width:
        return beat
    t, p = x.even_t[first:last], x.even_p[first:last] - running_mean(x.even_p, width)[first:last]
    many = len(beat.parts_kpa) // 2
    hz, parts, _ = _fitted(t, p, beat.hz, 1.0 / (2.0 * many * (end_s - since_s)), many)
    longer = replace(beat, hz=hz, parts_kpa=parts)
    # one that wanders is lost on so long a way
    return longer if longer.amplitude_kpa > LONGER * beat.amplitude_kpa else beat


def _since(x: Prepared, beat: Beat) -> float:
    """When it began (s): from where on the changes are smaller without it."""
    apart = max(round(0.1 / (beat.hz * x.dt_s)), 1)  # a slow one moves little between two readings
    p, calm = x.even_p, x.even_p - beat.at(x.even_t)
    change, without = p[apart:] - p[:-apart], calm[apart:] - calm[:-apart]
    most = 4.0 * x.sd_kpa + beat.steepest_kpa_per_s * x.dt_s * apart
    gain = np.minimum(change**2, most**2) - np.minimum(without**2, most**2)
    total = np.cumsum(gain[::-1])[::-1]
    return float(x.even_t[int(np.argmax(total))])


def without_beat(x: Prepared, beat: Beat) -> Prepared:
    """The trace with a steady beat taken out; where there is next to no pressure there is none to take out."""
    if not beat.steady:
        return x
    share = np.clip(x.smooth / (0.1 * float(np.max(x.smooth))), 0.0, 1.0)
    if beat.hz < LOWEST_HZ:  # when a slow one began is not well known, and a step would look like a stroke
        share *= np.clip((x.t - beat.since_s) * beat.hz + 0.5, 0.0, 1.0)
    else:
        share *= x.t >= beat.since_s
    calm = prepare(x.t, x.p - share * beat.at(x.t), 0.0)
    # what is left is no longer on the steps of the resolution: their part is taken out of its spread
    spread = min(noise_kpa(calm.p, 0.0), x.sd_kpa)
    noise = math.sqrt(max(spread**2 - x.step_kpa**2 / 12.0, (0.1 * x.step_kpa) ** 2))
    return replace(calm, step_kpa=x.step_kpa, noise_kpa=noise)
