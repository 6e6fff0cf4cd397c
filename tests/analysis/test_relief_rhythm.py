"""Strokes that a valve lets out come and go in a cadence at the height of what is held: no rhythm, where they stop.
From the valve's own law: it opens at one pressure and shuts at a lower one, so each stroke leaves what the one before
left.
"""

from __future__ import annotations

import numpy as np
import pytest

from recorder.model import Judgement
from tests.analysis.judging import judged
from tests.analysis.other_physics import Made, Valve, make

OPENS_KPA, SHUTS_KPA = 98.0, 94.0


def pumped_on(seed: int, hold_s: float) -> Made:
    valve = Valve(OPENS_KPA, SHUTS_KPA, 8.0, pops=True)
    return make(seed, rate_hz=50.0, stroke_kpa=9.0, valve=valve, extra=12, hold_s=hold_s)


def told_of(told: Judgement) -> list[str]:
    return [n["code"] for n in told.extra.get("notes", [])]


@pytest.mark.parametrize(("seed", "hold_s"), [(1, 5.0), (2, 11.0)])
def test_a_cap_that_is_pumped_on_for_long_has_no_rhythm(seed: int, hold_s: float) -> None:
    made = pumped_on(seed, hold_s)
    told = judged("cap", made.time_s, made.pressure_kpa)
    assert "rhythmic" not in told_of(told)
    assert told.strokes == made.strokes
    assert told.opening is not None and told.opening.standard_uncertainty is not None
    assert abs(told.opening.value - OPENS_KPA) < 2.5 * told.opening.standard_uncertainty
    assert told.hold is not None
    assert told.hold.start_s == pytest.approx(made.hold_start_s, abs=1.0)
    assert told.outcome == ("undecided" if hold_s < 10.0 else "pass")


def test_nor_where_the_hose_was_hit_at_the_end() -> None:
    made = pumped_on(1, 5.0)
    since = made.time_s - (made.release_s - 1.2)
    hit = np.where((since > 0.0) & (since < 0.1), -12.0, 0.0)
    assert "rhythmic" not in told_of(judged("cap", made.time_s, made.pressure_kpa + hit))


def test_one_that_goes_on_is_named() -> None:
    made = pumped_on(1, 15.0)
    beat = np.where(made.pressure_kpa > 60.0, 1.5 * np.sin(2.0 * np.pi * 0.7 * made.time_s), 0.0)
    assert "rhythmic" in told_of(judged("cap", made.time_s, made.pressure_kpa + beat))
