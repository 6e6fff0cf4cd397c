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

from recorder.analysis.trace.filters import median
from recorder.analysis.trace.signal import Prepared, noise_kpa, prepare

if TYPE_CHECKING:
    from recorder.model import FloatArray

__all__ = ["Beat", "find_beat", "without_beat"]

LOWEST_HZ, HIGHEST_HZ = 0.3, 12.0  # an idling engine's strokes are below 12 Hz
# slower (readings few enough that a quick rhythm looks slow): so many waves, and all but so much of what does not
# drift, or it is not told from settling
WAVES, SLOW_REST, SLOW_KPA = 3.0, 0.2, 0.5
SMALLEST_KPA = 0.3  # amplitude; mains hum that aliases stays below in a usable adapter
LARGEST_SHARE = 0.15  # of the pressure held: more is the pump's own strokes, which do not stay
FALSE_ALARM = 1e-6  # of a noise line in one recording


@dataclass(frozen=True, slots=True, eq=False)
class Beat:
    """A sine wave: frequency (Hz), amplitude (kPa), and its cosine and sine parts (kPa) at time 0.
    steady: one sine wave fits it throughout, so that it can be taken out, from since_s on."""

    hz: float
    cosine_kpa: float
    sine_kpa: float
    steady: bool = True
    since_s: float = -math.inf

    @property
    def amplitude_kpa(self) -> float:
        return math.hypot(self.cosine_kpa, self.sine_kpa)

    def at(self, t: FloatArray) -> FloatArray:
        """Its pressure (kPa) at times ``t`` (s)."""
        angle = 2.0 * math.pi * self.hz * t
        return np.asarray(self.cosine_kpa * np.cos(angle) + self.sine_kpa * np.sin(angle))


def _quiet(x: Prepared, end_s: float) -> tuple[float, float]:
    """The later part of the time between build-up and ``end_s``."""
    width = max(round(1.0 / x.dt_s), 1)
    # nothing beyond the ends, so that they count less
    total = np.cumsum(np.pad(x.even_p, (width // 2 + 1, width - 1 - width // 2)))
    mean = (total[width:] - total[:-width]) / width
    t = x.even_t
    near = np.flatnonzero((mean > 0.97 * float(np.max(mean))) & (t < end_s))
    start = float(t[near[0]]) if len(near) else end_s
    later = (t > start) & (t < end_s)
    if not later.any() or float(np.min(mean[later])) < 0.4 * float(np.max(mean)):
        return end_s, end_s  # nothing is held
    return start + max(0.3 * (end_s - start), 3.0), end_s - 1.0


def find_beat(x: Prepared, end_s: float) -> Beat | None:
    """The beat before ``end_s`` (release, or end of the trace), or None."""
    start, end = _quiet(x, end_s)
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

    from scipy import optimize  # slow to load, and seldom needed

    def fit(f: float) -> tuple[float, FloatArray]:
        angle = 2.0 * math.pi * f * t
        design = np.stack([np.cos(angle), np.sin(angle), np.ones(n)], axis=1)
        part, *_ = np.linalg.lstsq(design, p, rcond=None)
        miss = p - design @ part
        return float(miss @ miss), part

    bin_hz = float(hz[1])
    found = optimize.minimize_scalar(
        lambda f: fit(f)[0], bounds=(hz[best] - bin_hz, hz[best] + bin_hz), method="bounded",
        options={"xatol": 1e-4 * bin_hz},
    )
    rest, part = fit(float(found.x))
    beat = Beat(float(found.x), float(part[0]), float(part[1]))
    seen_kpa = math.sqrt(16.0 / 3.0 * float(power[near].sum())) / n  # Hann: mean of its square is 3/8
    if not max(SMALLEST_KPA, 0.5 * x.sd_kpa) < seen_kpa < LARGEST_SHARE * level:
        return None
    if slow and (rest > SLOW_REST * float(p @ p) or beat.amplitude_kpa < SLOW_KPA):
        return None
    return replace(beat, steady=beat.amplitude_kpa > 0.8 * seen_kpa, since_s=_since(x, beat))


def _since(x: Prepared, beat: Beat) -> float:
    """When it began (s): from where on the changes are smaller without it."""
    apart = max(round(0.1 / (beat.hz * x.dt_s)), 1)  # a slow one moves little between two readings
    p, calm = x.even_p, x.even_p - beat.at(x.even_t)
    change, without = p[apart:] - p[:-apart], calm[apart:] - calm[:-apart]
    most = 4.0 * x.sd_kpa + 2.0 * math.pi * beat.hz * x.dt_s * apart * beat.amplitude_kpa
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
