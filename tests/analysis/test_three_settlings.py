"""Holds in which air cools and a hose gives with two time constants (sums of exponentials: Ferry 1980, Viscoelastic
Properties of Polymers, from memory). What two exponentials miss must not pass for noise."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy.optimize import least_squares, minimize
from scipy.signal import lfilter
from scipy.stats import norm

from recorder.analysis.hold import fit_hold
from recorder.analysis.hold.bins import bin_hold
from recorder.analysis.hold.line import Line, Problem
from recorder.analysis.hold.noise import Noise, NoiseFinder
from recorder.analysis.hold.posterior import _covering

TAUS_S, SIZES_KPA = np.array([1.0, 9.7, 45.0]), np.array([4.5, 1.5, 2.2])
NOISE_KPA, RATE_HZ, LENGTH_S, ALLOWED = 0.027, 25.0, 126.0, 0.35


def hold(leak_kpa_per_min: float, seed: int, *, wander_kpa: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """wander_kpa: of noise that stays for a second and a half."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, LENGTH_S, 1.0 / RATE_HZ)
    p = 115.0 - leak_kpa_per_min * t / 60.0 + np.exp(-t[:, None] / TAUS_S) @ SIZES_KPA
    keeps = np.exp(-1.0 / (1.5 * RATE_HZ))
    wander = lfilter([wander_kpa * np.sqrt(1.0 - keeps**2)], [1.0, -keeps], rng.normal(size=len(t)))
    return t, p + wander + rng.normal(0.0, NOISE_KPA, len(t))


def rate_of(t: np.ndarray, p: np.ndarray) -> tuple[float, float]:
    """Rate and its standard uncertainty, kPa/min."""
    fit = fit_hold(t, p, step_kpa=0.0, noise_kpa=NOISE_KPA, last_rise_kpa=6.0, coolant=True)
    return 60.0 * fit.rate_kpa_per_s, 60.0 * fit.rate_u


@pytest.mark.parametrize("wander_kpa", [0.0, 0.008])
@pytest.mark.parametrize("leak", [0.15, 0.5])
def test_a_small_leak_beside_three_settlings(leak: float, wander_kpa: float) -> None:
    """Within its uncertainty, and never sure of the wrong side of what is allowed."""
    off = []
    for seed in range(6):
        rate, u = rate_of(*hold(leak, seed, wander_kpa=wander_kpa))
        off.append((rate - leak) / u)
        assert rate - 2.0 * u < ALLOWED if leak < ALLOWED else rate + 2.0 * u > ALLOWED
    assert np.abs(off).max() < 2.6 and np.sqrt(np.mean(np.square(off))) < 1.4


def test_it_is_what_least_squares_gives_that_are_told_the_model() -> None:
    """Against scipy.optimize.least_squares with three exponentials and a line."""
    t, p = hold(0.5, 3)
    rate, u = rate_of(t, p)

    def miss(q: np.ndarray) -> np.ndarray:
        return np.asarray((q[0] - q[1] * t + np.exp(-t[:, None] * np.exp(-q[5:])) @ q[2:5] - p) / NOISE_KPA)

    told: Any = least_squares(miss, [115.0, 0.0, 4.0, 2.0, 2.0, *np.log([1.5, 8.0, 30.0])], x_scale="jac", max_nfev=500)
    told_u = float(np.sqrt(np.linalg.inv(told.jac.T @ told.jac)[1, 1]))
    assert abs(rate - 60.0 * told.x[1]) < 2.0 * u
    assert u > 60.0 * told_u


@pytest.mark.parametrize("start_s", [(0.6, 2.0, 20.0), (1.0, 3.0, 90.0), (0.5, 25.0, 60.0), (4.0, 9.0, 20.0)])
def test_gauss_newton_gets_where_a_simplex_gets(start_s: tuple[float, ...]) -> None:
    """Where its first steps are too long as well; against scipy's Nelder and Mead on the same log evidence."""
    t, p = hold(0.5, 1)
    b = bin_hold(t, p, 0.1)
    problem = Problem(NoiseFinder(b), Noise(NOISE_KPA), 120.0, 6.0)
    line = Line(problem, b.t)
    found, _, value = line.newton(np.log([start_s]))
    nelder_mead: dict[str, Any] = {"method": "Nelder-Mead", "options": {"xatol": 1e-5, "fatol": 1e-5}}

    def cost(x: np.ndarray) -> float:
        return -float(line.solve(x[:, None]).log[0])

    best = minimize(cost, np.log(TAUS_S), **nelder_mead)
    assert value[0] > -best.fun - 0.05
    assert np.sort(found[0]) == pytest.approx(best.x, abs=0.05)


@pytest.mark.parametrize("share", [0.0, 0.03, 0.12, 0.3, 0.5])
def test_twice_the_uncertainty_holds_the_less_likely_story_too(share: float) -> None:
    """Two normals; against scipy's normal distribution."""
    w, at, sd = np.array([1.0 - share, share]), np.array([0.0, 0.45]), np.array([0.02, 0.05])
    mean = float(w @ at)
    plain = float(np.sqrt(w @ (sd**2 + (at - mean) ** 2)))
    u = _covering(w, at - mean, sd, plain)
    outside = float(w @ (norm.cdf(mean - 2.0 * u, at, sd) + norm.sf(mean + 2.0 * u, at, sd)))
    assert outside < 0.051
    assert (u > 1.2 * plain) == (share == 0.12)  # elsewhere the standard deviation does


def test_a_trace_that_rises_begins_where_it_is_seen() -> None:
    """Cooling, then warming that no leak does: the pressures at the ends are the readings'."""
    t = np.arange(0.0, 120.0, 0.05)
    p = 120.0 + 6.0 * np.exp(-t / 1.2) + 3.0 * t / 60.0 - 9.0 * np.exp(-t / 30.0)
    y = p + np.random.default_rng(1).normal(0.0, 0.1, len(t))
    fit = fit_hold(t, y, step_kpa=0.0, noise_kpa=0.1, last_rise_kpa=6.0)
    assert fit.rising
    assert abs(fit.start_kpa - p[0]) < 1.5 and abs(fit.end_kpa - p[-1]) < 0.5
