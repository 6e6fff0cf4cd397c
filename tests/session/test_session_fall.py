"""The fall of the hold that is shown is of seconds ago, however seldom the phases are looked at."""

from __future__ import annotations

import numpy as np
import pytest

from recorder.analysis import Analyser
from recorder.analysis.setup import Setup
from recorder.limits import resolve
from recorder.model import LiveView
from recorder.session.views import Views
from recorder.units import parse_marking

RATE_HZ = 50
SETUP = Setup("system", parse_marking("16 psi"), resolve("system"))
HOLD_FROM_S, SECONDS = 11.0, 75.0
COST_S = 0.2  # of a look, so that it is made as seldom as can be


def truth_kpa(t: np.ndarray, per_min: float) -> np.ndarray:
    """4 s vented, eight strokes of 15 kPa a second apart, then a steady fall and a settling of 1 kPa in 10 s."""
    pumped = 15.0 * np.clip(np.floor(t - 4.0) + 1.0, 0, 8)
    held = np.maximum(t - HOLD_FROM_S, 0.0)
    return pumped - per_min * held / 60.0 - (1.0 - np.exp(-held / 10.0))


def watched(
    seed: int, per_min: float, *, step_kpa: float = 0.0001, stop_s: float = SECONDS, zero_kpa: float = 0.0
) -> list[LiveView]:
    """Every view of a test, taken ten times a second."""
    t = np.arange(round(SECONDS * RATE_HZ)) / RATE_HZ
    p = truth_kpa(t, per_min) + np.random.default_rng(seed).normal(0, 0.06, len(t))
    p = np.where(t < stop_s, np.round((p + zero_kpa) / step_kpa) * step_kpa, 0.0)
    now = [0.0]
    analyser, views, seen = Analyser(SETUP), Views(lambda: now[0]), []
    for i in range(0, len(t), 5):
        now[0] = float(t[i])
        analyser.feed(t[i : i + 5], p[i : i + 5])
        views.stale = True
        seen.append(views.take(analyser))
        views._cost_s = COST_S
        assert views.take(analyser) is seen[-1]
    return seen


@pytest.mark.parametrize(("per_min", "step_kpa", "zero_kpa"), [
    (0.0, 0.0001, 0.0), (1.5, 0.0001, 0.0), (1.5, 0.25, 0.0), (1.5, 0.0001, 0.8),
])
def test_it_is_fresh_and_as_good_as_it_says(per_min: float, step_kpa: float, zero_kpa: float) -> None:
    """step_kpa 0.25: a gauge of 10 bits. zero_kpa: what it reads with nothing on it."""
    within = []
    for seed in range(2):
        seen = watched(seed, per_min, step_kpa=step_kpa, zero_kpa=zero_kpa)
        views = [v for v in seen if v.fall_kpa is not None]
        assert views[-1].hold_elapsed_s > 55.0
        for v in views:
            assert v.fall_at_s is not None and v.hold_start_s is not None
            assert v.time_s - v.fall_at_s < 5.0
            fell = truth_kpa(np.array([v.hold_start_s, v.fall_at_s]), per_min)
            within.append(abs(v.fall_kpa - float(fell[0] - fell[1])) < 2 * v.fall_u_kpa)
        late = [v for v in views if v.hold_elapsed_s > 20.0]
        assert max(v.time_s - v.fall_at_s for v in late) < 2.0
        assert max(v.fall_u_kpa for v in late) < 0.2
    assert np.mean(within) > 0.9


def test_what_comes_when_the_hold_is_over_is_no_fall() -> None:
    """Until the next look the phase is still the hold; letting the pressure off is no leak of a hundred kPa."""
    assert max(v.fall_kpa or 0.0 for v in watched(5, 0.5, stop_s=70.0)) < 3.0
