"""From the true pressure to counts: sensor, noise, converter, clock and loss."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recorder.rig.scene import Scene

if TYPE_CHECKING:
    from recorder.model import FloatArray, IntArray

LOW, SPAN = 0.1, 0.8  # a ratiometric sensor uses 10 to 90 % of its supply


@dataclass(frozen=True, slots=True, eq=False)
class Sampled:
    """Arrays of one length, one entry a sample, lost ones included.

    time_s: true time since the first sample; pressure_kpa: true gauge pressure; counts; supply counts and
    temp_c (NaN where not sent); seq 0..65535; device_us 0..4294967295; lost: never arrived.
    faults: (adapter clock us, word).
    """

    time_s: FloatArray
    pressure_kpa: FloatArray
    counts: IntArray
    supply: FloatArray
    temp_c: FloatArray
    seq: IntArray
    device_us: IntArray
    lost: np.ndarray
    faults: tuple[tuple[int, str], ...]


def correlated(rng: np.random.Generator, n: int, sd: float, samples: float) -> FloatArray:
    """AR(1) noise of standard deviation sd and a correlation length in samples."""
    from scipy.signal import lfilter

    phi = float(np.exp(-1.0 / max(samples, 1e-6)))
    white = rng.normal(0.0, sd * np.sqrt(1 - phi * phi), n)
    white[0] = rng.normal(0.0, sd)
    return np.asarray(lfilter([1.0], [1.0, -phi], white), dtype=np.float64)


def _knocks(rng: np.random.Generator, t: FloatArray, number: int, end_s: float) -> FloatArray:
    out = np.zeros_like(t)
    for _ in range(number):
        at = rng.uniform(0.0, end_s)
        decay = rng.uniform(0.05, 0.25)
        hz = rng.uniform(4.0, 25.0)
        since = t - at
        on = (since >= 0) & (since < 6 * decay)
        out[on] += (rng.choice([-1.0, 1.0]) * rng.uniform(1.0, 5.0) * np.exp(-since[on] / decay)
                    * np.cos(2 * np.pi * hz * since[on]))
    return out


def sample(scene: Scene, time_s: FloatArray, pressure_kpa: FloatArray, hold_start_s: float,
           end_s: float) -> Sampled:
    """What the adapter reads of the pressure given on the integrator's grid."""
    s = scene.sensor
    rng = np.random.default_rng([scene.seed, 77])
    n = int(end_s * s.rate_hz)
    t = (np.arange(n) + rng.normal(0.0, 0.01, n).clip(-0.05, 0.05)) / s.rate_hz
    t[0] = 0.0
    true = np.interp(t, time_s, pressure_kpa)
    if scene.pulse_kpa:
        ramp = np.clip(true / 10.0, 0.0, 1.0)
        true = true + scene.pulse_kpa * ramp * np.sin(2 * np.pi * scene.pulse_hz * t)
    read = (true * s.span + s.offset_kpa + rng.normal(0.0, s.white_kpa, n)
            + correlated(rng, n, s.correlated_kpa, s.correlated_s * s.rate_hz))
    if s.hum_kpa:
        read += s.hum_kpa * np.sin(2 * np.pi * s.hum_hz * t + rng.uniform(0, 6.28))
    read += _knocks(rng, t, s.knocks, end_s)
    for i in rng.integers(0, n, s.spikes):
        read[i] += rng.choice([-1.0, 1.0]) * rng.uniform(5.0, 60.0)
    ratio = LOW + SPAN * read / s.full_scale_kpa
    supply_true = s.full_counts * (1.0 if not s.supply_sent else
                                   0.97 + 0.004 * np.sin(2 * np.pi * t / 37.0))
    counts = np.clip(np.rint(ratio * supply_true), 0, s.full_counts).astype(np.int64)
    device_us = (s.boot_us + np.rint(t * 1e6 * (1 + s.ppm * 1e-6)).astype(np.int64)) % 2**32
    faults: list[tuple[int, str]] = []
    broken = np.zeros(n, dtype=bool)
    if scene.fault == "wire":
        broken = t >= hold_start_s + scene.fault_s
        counts[broken] = s.full_counts
        last = -1.0
        for i in np.flatnonzero(broken):
            if t[i] - last >= 0.5:
                faults.append((int(device_us[i]), "open"))
                last = t[i]
    lost = rng.random(n) < s.lost
    for start in rng.integers(1, max(n, 2), s.burst_lost):
        lost[start:start + int(rng.integers(3, max(4, int(1.5 * s.rate_hz))))] = True
    lost[0] = False
    supply = (np.rint(np.broadcast_to(supply_true, (n,))) if s.supply_sent
              else np.full(n, np.nan))
    temp = np.round(21.0 + 0.01 * t, 1) if s.temperature_sent else np.full(n, np.nan)
    seq = (s.first_seq + np.arange(n, dtype=np.int64)) % 65536
    return Sampled(t, true, counts, supply, temp, seq, device_us, lost, tuple(faults))
