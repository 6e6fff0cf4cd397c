"""Running filters and the normal distribution against SciPy, a general reference library."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage, special, stats

from recorder.analysis.trace.filters import (
    normal_sd,
    running_least,
    running_mean,
    running_median,
    smooth_slope,
)
from recorder.analysis.trace.normal import normal_cdf, normal_quantile


@pytest.fixture(scope="module")
def trace() -> np.ndarray:
    rng = np.random.default_rng(11)
    return 90.0 + np.cumsum(rng.normal(0.0, 0.3, 4001))


@pytest.mark.parametrize("length", [1, 2, 7, 4001])
@pytest.mark.parametrize("width", [1, 2, 3, 8, 61, 540])
def test_running_mean_and_least(trace: np.ndarray, length: int, width: int) -> None:
    x = trace[:length]
    mean = ndimage.uniform_filter1d(x, width, mode="nearest")
    assert running_mean(x, width) == pytest.approx(mean, abs=1e-9)
    assert np.array_equal(running_least(x, width), ndimage.minimum_filter1d(x, width, mode="nearest"))


@pytest.mark.parametrize("width", [1, 3, 5, 9])
def test_running_median(trace: np.ndarray, width: int) -> None:
    for length in (5, 4001):
        x = trace[:length]
        assert np.array_equal(running_median(x, width), ndimage.median_filter(x, width, mode="nearest"))
        assert np.array_equal(running_median(x, width, "reflect"), ndimage.median_filter(x, width, mode="mirror"))


@pytest.mark.parametrize("length", [1, 2, 7, 4001])
def test_normal_sd(trace: np.ndarray, length: int) -> None:
    x = trace[:length]
    assert normal_sd(x - np.median(x)) == pytest.approx(stats.median_abs_deviation(x, scale="normal"), rel=1e-5)


@pytest.mark.parametrize("sd", [0.5, 0.9, 4.5, 18.0])
def test_smooth_slope(trace: np.ndarray, sd: float) -> None:
    for length in (9, 4001):
        x = trace[:length]
        assert smooth_slope(x, sd) == pytest.approx(ndimage.gaussian_filter1d(x, sd, order=1, mode="nearest"), abs=1e-9)


@pytest.mark.parametrize("count", [3, 5000])
def test_normal_distribution(count: int) -> None:
    x = np.linspace(-9.0, 9.0, count)
    assert normal_cdf(x) == pytest.approx(special.ndtr(x), rel=1e-12)
    share = np.linspace(1e-6, 1.0 - 1e-6, 97)
    assert normal_quantile(share) == pytest.approx(special.ndtri(share), abs=1e-12)
