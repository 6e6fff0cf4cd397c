"""When a valve shut: pressures by scipy's ``solve_ivp``, with its event where the valve shuts."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from recorder.analysis.opening.shuts import shut_later
from recorder.analysis.trace.signal import Prepared, prepare

RATE_HZ, NOISE_KPA, SHUTS_KPA, COOLS_S = 50.0, 0.12, 94.0, 2.5


def after_a_stroke(per_s: float, below_kpa: float, warm_kpa: float, seed: int) -> tuple[Prepared, float]:
    """The trace from 3 s before the stroke's end, and when the valve shut (s). It lets out in proportion to the
    pressure above one that is ``below_kpa`` lower than where it shuts; ``warm_kpa`` is the stroke's heat."""

    def falls(t: float, p: np.ndarray) -> np.ndarray:
        return -per_s * (p - SHUTS_KPA + below_kpa)

    def shuts(t: float, p: np.ndarray) -> float:
        return float(p[0]) - SHUTS_KPA

    shuts.terminal = True  # type: ignore[attr-defined]
    out = solve_ivp(falls, (0.0, 20.0), [108.0], events=shuts, dense_output=True, rtol=1e-9, atol=1e-9)
    at = float(out.t_events[0][0])
    t = np.arange(-3.0, 30.0, 1.0 / RATE_HZ)
    p = np.where(t < at, out.sol(np.clip(t, 0.0, at))[0], SHUTS_KPA) + warm_kpa * np.exp(-np.maximum(t, 0.0) / COOLS_S)
    p[t < 0.0] = 80.0
    p += np.random.default_rng(seed).normal(0.0, NOISE_KPA, len(t))
    return prepare(t + 3.0, p, 0.0), at + 3.0


@pytest.mark.parametrize(("per_s", "below_kpa"), [(3.0, 2.0), (3.0, 5.0), (1.5, 5.0)])
@pytest.mark.parametrize("warm_kpa", [0.0, 3.0])
def test_the_moment_is_seen(per_s: float, below_kpa: float, warm_kpa: float) -> None:
    x, at = after_a_stroke(per_s, below_kpa, warm_kpa, seed=3)
    found = shut_later(x, 3.1, 30.0)
    assert found is not None
    assert found.at_s == pytest.approx(at, abs=0.12)
    assert abs(found.kpa - SHUTS_KPA - warm_kpa * np.exp(-(at - 3.0) / COOLS_S)) < 2.0 * found.u


@pytest.mark.parametrize("tau_s", [0.1, 0.4, 1.0, 3.0])
def test_air_that_cools_is_no_valve(tau_s: float) -> None:
    t = np.arange(0.0, 30.0, 1.0 / RATE_HZ)
    p = 100.0 + 8.0 * np.exp(-t / tau_s) + 2.0 * np.exp(-t / 20.0)
    for seed in range(8):
        x = prepare(t, p + np.random.default_rng(seed).normal(0.0, NOISE_KPA, len(t)), 0.0)
        assert shut_later(x, 0.1, 30.0) is None


def test_too_few_readings_show_nothing() -> None:
    x, _ = after_a_stroke(3.0, 5.0, 0.0, seed=1)
    assert shut_later(x, 3.1, 3.25) is None
