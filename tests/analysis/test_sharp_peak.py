"""Tops that a valve cuts off at once: the highest pressure is where the readings next to it say, not their average."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from recorder.analysis.peak import find_peak
from recorder.analysis.trace.signal import prepare, sampling

FINE_S = 5e-5


def pops(rise_kpa_per_s: float, falls_s: float, lag_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Strokes in proportion to time, the last one let out at 100 kPa exponentially down to 85 kPa, as a gauge with a
    lag of the first order shows it (SciPy's filter)."""
    t = np.arange(0.0, 12.0, FINE_S)
    up = np.where(t < 4.0, 0.0, 20.0 * np.minimum(t - 4.0, 4.0))
    top_s = 8.0 + 20.0 / rise_kpa_per_s
    p = np.where(t < 8.0, up, np.minimum(80.0 + rise_kpa_per_s * (t - 8.0), 100.0))
    p = np.where(t > top_s, 85.0 + 15.0 * np.exp(-np.maximum(t - top_s, 0.0) / falls_s), p)
    share = FINE_S / lag_s
    return t, lfilter([share], [1.0, share - 1.0], p)


@pytest.mark.parametrize(("rate_hz", "rise_kpa_per_s", "falls_s", "lag_s"), [
    (50.0, 120.0, 0.05, 0.006), (50.0, 200.0, 0.08, 0.008), (60.0, 200.0, 0.05, 0.003), (100.0, 400.0, 0.03, 0.003),
])
def test_a_sharp_top_is_not_flattened(rate_hz: float, rise_kpa_per_s: float, falls_s: float, lag_s: float) -> None:
    fine_s, true = pops(rise_kpa_per_s, falls_s, lag_s)
    off = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        t = np.arange(rng.uniform(0.0, 1.0), len(fine_s) * FINE_S * rate_hz - 1.0) / rate_hz
        p = np.round((np.interp(t, fine_s, true) + rng.normal(0.0, 0.08, len(t))) / 0.05) * 0.05
        peak = find_peak(prepare(t, p, 0.0, sampling(t, p)), float(t[-1]), None)
        assert peak.standard_uncertainty is not None and peak.standard_uncertainty < 1.2
        off.append((peak.value - float(true.max())) / peak.standard_uncertainty)
    assert np.max(np.abs(off)) < 3.0, off
    assert np.count_nonzero(np.abs(off) < 2.0) > 9, off
