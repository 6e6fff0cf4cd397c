"""Hoses that creep evenly in the logarithm of time. The traces are of a chain of Kelvin elements with equal
compliances, four in a decade, which is how such creep is built of exponentials (Tschoegl 1989, The Phenomenological
Theory of Linear Viscoelastic Behavior, ch. 6; from memory); the strokes' creep adds up (Boltzmann)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import curve_fit

from recorder.analysis.hold import Before, fit_hold
from recorder.analysis.hold.creep import creep_shape

TAUS_S = np.geomspace(0.1, 1e4, 21)
AGES_S = np.arange(25.0, -0.5, -1.0)
LENGTH_S, RATE_HZ = 125.0, 50.0


def chain_fell(t: np.ndarray) -> np.ndarray:
    """What a load of one, put on in equal parts ``AGES_S`` before, creeps from the start to ``t``."""
    still = np.exp(-AGES_S[:, None] / TAUS_S) / len(AGES_S)
    return np.asarray((still.sum(axis=0) * -np.expm1(-t[:, None] / TAUS_S)).sum(axis=1) / 4.0 * np.log(10.0))


def hold(leak_kpa_per_min: float, noise_kpa: float, seed: int) -> tuple[np.ndarray, np.ndarray]:
    t = np.arange(0.0, LENGTH_S, 1.0 / RATE_HZ)
    p = 115.0 - 0.9 * chain_fell(t) - leak_kpa_per_min * t / 60.0 + 1.1 * np.exp(-t / 3.0)
    return t, p + np.random.default_rng(seed).normal(0.0, noise_kpa, len(t))


def test_the_shape_is_that_of_a_chain_of_kelvin_elements() -> None:
    t = np.linspace(1.0, LENGTH_S, 40)
    shape = creep_shape(t, AGES_S, np.full(len(AGES_S), 5.0), 1e3, LENGTH_S)
    fell = chain_fell(np.append(t, LENGTH_S))
    assert np.abs(shape - fell[:-1] / fell[-1]).max() < 0.06


def test_what_a_valve_let_out_again_is_no_load() -> None:
    """The strokes beyond the pressure at the start bring no more to creep."""
    t = np.linspace(1.0, 60.0, 5)
    some = creep_shape(t, np.array([20.0, 10.0]), np.array([50.0, 50.0]), 100.0, 60.0)
    more = creep_shape(t, np.array([20.0, 10.0, 1.0]), np.array([50.0, 50.0, 40.0]), 100.0, 60.0)
    assert more == pytest.approx(some)


def rate_of(t: np.ndarray, p: np.ndarray, noise_kpa: float) -> tuple[float, float]:
    """Rate and its standard uncertainty, kPa/min."""
    fit = fit_hold(t, p, step_kpa=0.0, noise_kpa=noise_kpa, last_rise_kpa=5.0,
                   before=Before(AGES_S, np.full(len(AGES_S), 5.0), 0.0), coolant=True)  # fmt: skip
    return 60.0 * fit.rate_kpa_per_s, 60.0 * fit.rate_u


@pytest.mark.parametrize("noise_kpa", [0.03, 0.08])
@pytest.mark.parametrize("seed", range(4))
def test_such_creep_is_no_leak(noise_kpa: float, seed: int) -> None:
    t, p = hold(0.0, noise_kpa, seed)

    def one(t: np.ndarray, a: float, r: float, b: float, tau: float) -> np.ndarray:
        return np.asarray(a - r * t + b * np.exp(-t / tau))

    plain = 60.0 * curve_fit(one, t, p, p0=[112.0, 0.0, 3.0, 10.0])[0][1]
    assert plain > 0.35  # beside one exponential it would be a leak that matters
    rate, u = rate_of(t, p, noise_kpa)
    assert rate < 2.0 * u + 0.01
    assert noise_kpa > 0.05 or rate + 2.0 * u < 0.35


@pytest.mark.parametrize("noise_kpa", [0.03, 0.08])
@pytest.mark.parametrize("seed", range(4))
def test_a_leak_beside_it_is_seen(noise_kpa: float, seed: int) -> None:
    t, p = hold(1.0, noise_kpa, seed)
    rate, u = rate_of(t, p, noise_kpa)
    assert abs(rate - 1.0) < 2.0 * u and rate - 2.0 * u > 0.35


@pytest.mark.parametrize("leak_kpa_per_min", [0.0, 1.0])
@pytest.mark.parametrize("creep", [0.4, 0.9])
def test_the_curve_and_the_drop_are_those_of_the_trace(creep: float, leak_kpa_per_min: float) -> None:
    """What creeps is in the curve that is drawn, in the fall from start to end, and in what settled."""
    t = np.arange(0.0, LENGTH_S, 1.0 / RATE_HZ)
    quick = 1.1 * np.exp(-t / 3.0)
    true = 115.0 - creep * chain_fell(t) - leak_kpa_per_min * t / 60.0 + quick
    p = true + np.random.default_rng(5).normal(0.0, 0.05, len(t))
    fit = fit_hold(t, p, step_kpa=0.0, noise_kpa=0.05, last_rise_kpa=5.0,
                   before=Before(AGES_S, np.full(len(AGES_S), 5.0), 0.0), coolant=True)  # fmt: skip
    off = np.interp(t, fit.time_s, fit.curve_kpa) - true
    assert max(abs(part.mean()) for part in np.array_split(off, 8)) < 0.02
    assert abs(fit.end_kpa - true[-1]) < 2.0 * fit.end_u + 0.01
    drop = fit.start_kpa - fit.end_kpa
    assert abs(drop - (true[0] - true[-1])) < 2.0 * fit.drop_u + 0.02
    assert fit.drop_u < 0.15
    settled = drop - fit.rate_kpa_per_s * LENGTH_S
    assert fit.amplitude_kpa == pytest.approx(settled, abs=0.15 * settled + 0.05)
