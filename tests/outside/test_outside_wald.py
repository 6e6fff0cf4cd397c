"""Wald's sequential test (Annals of Mathematical Statistics 16, 1945, 117): the bounds of the early answer."""

import math

import numpy as np
import pytest

from recorder.analysis.early import answer, thresholds


@pytest.mark.parametrize(
    ("alpha", "beta", "log_a", "log_b"),
    [
        (0.05, 0.10, math.log(18), -2.251292), (0.01, 0.01, 4.595120, -4.595120),
        (0.001, 0.01, 6.897705, -4.604170),
    ],
)
def test_wald_bounds(alpha: float, beta: float, log_a: float, log_b: float) -> None:
    a, b = thresholds(alpha, beta)
    assert (math.log(a), math.log(b)) == pytest.approx((log_a, log_b), abs=1e-6)


@pytest.mark.parametrize(("truth", "wrong"), [(0.0, "leak"), (0.7, "tight")])
def test_early_answers_are_seldom_wrong(truth: float, wrong: str) -> None:
    """Independent estimates added one by one: errors stay within the stated chances (Wald's inequality:
    alpha / (1 - beta), beta / (1 - alpha)), and every walk ends."""
    rng = np.random.default_rng(20)
    alpha = beta = 0.05
    bad = 0
    for _ in range(2000):
        total = 0.0
        for n in range(1, 2000):
            total += rng.normal(truth, 1.0)
            got = answer(total / n, 1.0 / math.sqrt(n), 0.35, alpha=alpha, beta=beta)
            if got is not None:
                break
        assert got is not None
        bad += got == wrong
    assert bad / 2000 <= alpha / (1 - beta) + 3 * math.sqrt(0.05 * 0.95 / 2000)
    assert bad > 10  # the bounds are used, not some far stricter ones
