"""A leak that begins within the hold. The truth is the trace's own fall beyond its settling: no rate before, a steady
one after, so the mean over the hold is that by the share of it that leaks."""

from __future__ import annotations

import numpy as np
import pytest

from recorder.analysis.hold import HoldFit, fit_hold
from recorder.analysis.hold.rounded import Rounded

LENGTH_S = 121.0


def fitted(begins_s: float, kpa_per_s: float, *, step_kpa: float, noise_kpa: float, seed: int = 3) -> HoldFit:
    t = np.arange(0.0, LENGTH_S, 0.05)
    p = 101.0 + 0.9 * np.exp(-t / 9.0) - kpa_per_s * np.maximum(t - begins_s, 0.0)
    p = p + noise_kpa * np.random.default_rng(seed).standard_normal(len(t))
    return fit_hold(
        t, np.round(p / step_kpa) * step_kpa, step_kpa=step_kpa, noise_kpa=noise_kpa, last_rise_kpa=1.1, coolant=True
    )


@pytest.mark.parametrize(
    ("begins_s", "kpa_per_s", "step_kpa"), [(60.0, 0.06, 0.02), (70.0, 0.2, 0.02), (60.0, 0.06, 0.6)]
)
def test_its_mean_over_the_hold(begins_s: float, kpa_per_s: float, step_kpa: float) -> None:
    fit = fitted(begins_s, kpa_per_s, step_kpa=step_kpa, noise_kpa=0.15)
    true = kpa_per_s * (LENGTH_S - begins_s) / LENGTH_S
    assert abs(fit.rate_kpa_per_s - true) < 3.0 * fit.rate_u
    assert fit.rate_u < 0.1 * true


def test_rounding_moves_a_fall_by_no_more_than_a_step(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where no curve follows the fall, noise before rounding may seem to explain it."""
    was = fitted(60.0, 0.1, step_kpa=0.6, noise_kpa=0.15).rate_kpa_per_s
    monkeypatch.setattr(Rounded, "doubt", lambda *_: (0.08, 0.003))
    now = fitted(60.0, 0.1, step_kpa=0.6, noise_kpa=0.15)
    assert now.rate_kpa_per_s - was < 1.05 * 0.6 / LENGTH_S
    assert now.rate_u > 0.6 / LENGTH_S
