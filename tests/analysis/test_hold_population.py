"""The hold's rate on holds of a generator that shares nothing with the rig, against the Cramer-Rao bound.

Leak p' = -k p^n plus two exponentials that settle, white or AR(1) noise, rounded to the converter's step. The bound is
that of Kay, Fundamentals of Statistical Signal Processing I (1993), ch. 3 (from memory), for level, slope, both
amplitudes and both time constants unknown; tests/outside checks its line alone against the published formula.
"""

from __future__ import annotations

import numpy as np
import pytest

from recorder.analysis.hold import fit_hold
from recorder.analysis.trace.signal import noise_kpa, resolution_kpa

RATES = {"tight": (0.0, 0.0), "near": (0.2, 0.6), "seep": (0.6, 2.0), "drip": (2.0, 8.0)}


def hold(seed: int, kind: str) -> tuple[np.ndarray, np.ndarray, float, float]:
    """Times s, readings kPa, true rate and its bound kPa/min."""
    r = np.random.default_rng(seed)
    hz = float(r.choice([10, 20, 50, 100]))
    q = float(r.choice([207, 345, 517, 689])) / 0.8 / 2.0 ** int(r.integers(10, 16))
    sd = float(np.exp(r.uniform(np.log(0.05), np.log(0.4))))
    length, p0, n = 120.0, float(r.uniform(60, 140)), float(r.choice([0.5, 1.0]))
    k = r.uniform(*RATES[kind]) / 60.0 / p0**n
    a1, t1 = r.uniform(0.2, 2.5), float(np.exp(r.uniform(np.log(0.7), np.log(5))))
    a2, t2 = r.uniform(0.1, 1.5), float(np.exp(r.uniform(np.log(10), np.log(50))))
    t = np.arange(0, length, 1 / hz)

    def leak(at: np.ndarray) -> np.ndarray:  # the closed form of p' = -k p^n
        return (np.sqrt(p0) - k * at / 2) ** 2 if n == 0.5 else p0 * np.exp(-k * at)

    true = float(p0 - leak(np.array([length]))[0]) / length * 60
    clean = leak(t) - a1 * (1 - np.exp(-t / t1)) - a2 * (1 - np.exp(-t / t2))
    share, tc = float(r.choice([0.0, 0.0, 0.3, 0.5])), float(r.uniform(0.2, 2.0))
    a = np.exp(-1 / hz / tc)
    shocks = r.normal(0, np.sqrt(1 - a * a), len(t))
    slow = np.empty(len(t))
    last = r.normal()
    for i, e in enumerate(shocks):
        last = a * last + e
        slow[i] = last
    y = clean + sd * (np.sqrt(1 - share) * r.normal(0, 1, len(t)) + np.sqrt(share) * slow)
    y = np.round(np.round(y / q) * q, 4)
    m = 240
    block = len(t) // m
    tb = t[: m * block].reshape(m, block).mean(1)
    x = block / hz / tc
    cov = np.where(np.eye(m) > 0, 2 * (x - 1 + np.exp(-x)) / x**2, np.exp(-np.abs(tb[:, None] - tb) / tc))
    cov = sd * sd * share * cov + np.eye(m) * (sd * sd * (1 - share) + q * q / 12) / block
    e1, e2 = np.exp(-tb / t1), np.exp(-tb / t2)
    columns = [np.ones(m), tb / 60, e1, e2, a1 * tb / t1**2 * e1, a2 * tb / t2**2 * e2]
    design = np.stack(columns, 1)
    scale = np.linalg.norm(design, axis=0)
    design = design / scale
    bound = float(np.sqrt(np.linalg.pinv(design.T @ np.linalg.solve(cov, design), rcond=1e-14)[1, 1]) / scale[1])
    return t, y, true, bound


@pytest.mark.parametrize("kind", list(RATES))
def test_rate_is_near_the_bound_and_its_uncertainty_deserved(kind: str) -> None:
    error, u, bound = [], [], []  # the bound knows the leak's law; one per cent of the rate stands for not knowing it
    for seed in range(20):
        t, y, true, least = hold(seed, kind)
        step = resolution_kpa(y)
        fit = fit_hold(t, y, step_kpa=step, noise_kpa=noise_kpa(y, step), last_rise_kpa=3.0)
        error.append(60 * fit.rate_kpa_per_s - true)
        u.append(60 * fit.rate_u)
        bound.append(float(np.hypot(least, 0.01 * true)))
    e, s, b = np.abs(error), np.array(u), np.array(bound)
    # at 95 % in the long run, 16 or fewer of 20 has a chance of 1.6 % (binomial)
    assert np.count_nonzero(e < 2 * s) >= 17, e / s
    assert np.median(s) < 3 * np.median(b), "the stated uncertainty is needlessly large"
    assert np.median(e / b) / 0.6745 < 2.0  # normal errors at the bound give 1
