"""A hold that warms up by some exponential is undecided, and nothing sure is said of it early: it was said to hold. The
trace is ``other_physics``; a rise in a closed space is warmth (p / T, common textbook physics)."""

from __future__ import annotations

import numpy as np
import pytest

from tests.analysis.judging import judged
from tests.analysis.other_physics import Valve, make

VALVE = Valve(98.0, 94.0, 60.0, pops=False)


@pytest.mark.parametrize(("seed", "tau_s", "size_kpa"), [(40, 15.0, 1.5), (41, 30.0, 0.6), (43, 15.0, 1.5)])
def test_what_warms_up_is_not_said_to_hold(seed: int, tau_s: float, size_kpa: float) -> None:
    made = make(seed, rate_hz=50.0, stroke_kpa=6.0, valve=VALVE, hold_s=60.0)
    t, p = made.time_s, made.pressure_kpa - float(np.median(made.pressure_kpa[:100]))
    held = np.clip(t - made.hold_start_s, 0.0, None)
    p = p + np.where(held < 60.0, size_kpa * (1.0 - np.exp(-held / tau_s)), 0.0)
    told = judged("cap", t, p)
    assert told.outcome == "undecided" and "warming" in [n["code"] for n in told.extra["notes"]]
    assert "early" not in told.extra
    plain = judged("cap", t, made.pressure_kpa - float(np.median(made.pressure_kpa[:100])))
    assert plain.outcome == "pass" and plain.extra["early"]["answer"] == "tight"
