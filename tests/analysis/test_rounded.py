"""Readings rounded more coarsely than their noise, against SciPy: the likelihood of grouped data is that of the normal
distribution's integrals between the boundaries (Kulldorff 1961, Estimation from Grouped and Partially Grouped Samples;
from memory)."""

import numpy as np
import pytest
from scipy import optimize, stats

from recorder.analysis.hold import fit_hold
from recorder.analysis.hold.bins import bin_hold
from recorder.analysis.hold.rounded import Rounded, rounded_response

STEP, SD = 0.5, 0.05


def log_likelihood(y: np.ndarray, sd: float, curve: np.ndarray) -> np.ndarray:
    upper, lower = (stats.norm.cdf((y + side * STEP / 2 - curve) / sd) for side in (1.0, -1.0))
    return np.asarray(np.log(upper - lower))


def test_response_and_information_are_the_derivatives_of_the_likelihood() -> None:
    y = np.full(41, 100.0)
    curve = 100.0 + np.linspace(-0.4, 0.4, 41)  # up to 0.15 kPa, 3 standard deviations, beyond the boundaries
    h = 1e-4
    up, here, down = (log_likelihood(y, SD, curve + k * h) for k in (1, 0, -1))
    score, information = (up - down) / (2 * h), -(up - 2 * here + down) / h**2
    z, got = rounded_response(y, STEP, SD, curve)
    some = information * SD**2 > 0.01  # far inside there is none
    assert 20 < np.count_nonzero(some) < 41
    assert got[some] == pytest.approx(information[some] * SD**2, rel=0.01, abs=1e-4)
    assert (z - curve)[some] == pytest.approx((score / information)[some], rel=0.01, abs=1e-4)


def test_a_curve_far_from_where_the_reading_steps_is_drawn_there() -> None:
    """A reading far beyond its boundaries counts as one of the boundary."""
    z, information = rounded_response(np.array([100.0, 100.0]), STEP, SD, np.array([101.0, 98.5]))
    assert z == pytest.approx([100.25, 99.75])
    assert information == pytest.approx([1.0, 1.0])


@pytest.mark.parametrize("seed", range(4))
def test_noise_before_rounding_and_slope_are_those_of_the_greatest_likelihood(seed: int) -> None:
    """A line that crosses two boundaries in 140 s, by SciPy's optimiser over level, slope and noise."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 140.0, 0.02)
    line = 100.6 - 0.36 / 60.0 * t
    p = np.round((line + rng.normal(0.0, SD, len(t))) / STEP) * STEP

    def cost(q: np.ndarray) -> float:
        inside = log_likelihood(p, float(np.exp(q[2])), 100.0 + q[0] + q[1] * (t - 70.0) / 70.0)
        return -float(np.maximum(inside, -100.0).sum())

    best = optimize.minimize(cost, [0.1, -0.4, np.log(0.08)], method="Nelder-Mead",
                             options={"xatol": 1e-5, "fatol": 1e-4, "maxiter": 2000})  # fmt: skip
    assert best.success
    sd = STEP / np.sqrt(12.0)
    rounded = Rounded(t, p, STEP, sd, float(t[-1]), 100.0, 0.0)
    bins, noise = rounded.settled(bin_hold(t, p, sd))
    assert noise == pytest.approx(float(np.exp(best.x[2])), rel=0.1)  # the curve is a line only nearly
    slope = np.polyfit(bins.t, bins.y, 1, w=np.sqrt(bins.weight))[0]
    assert 60.0 * slope == pytest.approx(60.0 * best.x[1] / 70.0, abs=0.01)


def test_what_is_not_known_of_the_noise_is_in_the_rate() -> None:
    """Two steps of 0.5 kPa: a creep that slows down and a steady leak look alike but for how long a step takes, and
    that is the noise over the slope. Of 30 creeping and leaking holds the truth is inside two u in all but a few."""
    inside, stated = [], []
    for seed in range(30):
        rng = np.random.default_rng(seed)
        t = np.arange(0.0, 120.0, 0.02)
        leak, creep = rng.uniform(0.0, 0.6), rng.uniform(0.2, 1.0)
        p = 100.0 + rng.uniform(0.0, 0.5) - leak / 60.0 * t + creep * np.exp(-t / rng.uniform(15.0, 60.0))
        p = np.round((p + rng.normal(0.0, SD, len(t))) / STEP) * STEP
        fit = fit_hold(t, p, step_kpa=STEP, noise_kpa=0.0, last_rise_kpa=2.0, coolant=True)
        inside.append(abs(fit.rate_kpa_per_s * 60.0 - leak) < 2.0 * 60.0 * fit.rate_u)
        stated.append(fit.rounding_u)
    assert np.mean(inside) > 0.85
    assert max(stated) > 0.0
