"""A seat that weeps down to a pressure of its own: the flow goes with what the pressure is above that (an orifice whose
lift follows the pressure; first-order balance of a gas space at constant temperature), so it all but shuts within the
hold. That is a leak, and no hose gives so much. The truth is the integral of that law.
"""

from __future__ import annotations

import numpy as np
import pytest

from recorder.analysis.hold import Before, fit_hold

AIR_KPA = 101.3


def weeps(start_kpa: float, shut_kpa: float, tau_s: float, length_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Times (s, 50 a second) and pressures (kPa)."""
    step = 0.02
    p = [start_kpa]
    while len(p) * step < length_s:
        p.append(p[-1] - step * (p[-1] - shut_kpa) / tau_s * (p[-1] + AIR_KPA) / (start_kpa + AIR_KPA))
    return step * np.arange(len(p)), np.array(p)


@pytest.mark.parametrize("tau_s", [13.0, 18.0])
def test_what_weeps_within_a_cap_is_a_leak_and_not_settling(tau_s: float) -> None:
    t, p = weeps(91.0, 56.0, tau_s, 53.0)
    rng = np.random.default_rng(5)
    ages = np.arange(2.0, 14.0, 1.2)  # strokes of which a valve let out what they brought
    fit = fit_hold(
        t, p + 0.1 * rng.standard_normal(len(t)), step_kpa=0.02, noise_kpa=0.1, last_rise_kpa=14.0,
        before=Before(ages, np.full(len(ages), 12.0), 10.0),
    )  # fmt: skip
    true = 60.0 * (p[0] - p[-1]) / t[-1]
    rate, u = 60.0 * fit.rate_kpa_per_s, 60.0 * fit.rate_u
    assert abs(rate - true) < 3.0 * u
    assert u < 0.15 * true
