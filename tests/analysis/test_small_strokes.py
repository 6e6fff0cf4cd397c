"""Rows of small strokes: those that a valve lets out again, where single readings that fly off come later as well; and
what keeps its pressure for long before it begins to fall. Against ``other_physics``."""

from __future__ import annotations

import numpy as np
import pytest

from recorder.analysis.strokes import Stroke
from recorder.analysis.strokes.chain import Rises
from recorder.analysis.strokes.knocks import without_more_alike
from tests.analysis.judging import judged
from tests.analysis.other_physics import make


def strokes_and_rises(small: int, later_s: list[float]) -> tuple[list[Stroke], Rises]:
    """Twelve strokes of 9 kPa and ``small`` of 2 kPa, one in 1.05 s; the rises of those, and such as the small ones
    later."""
    at = 5.0 + 1.05 * np.arange(12 + small)
    rise = np.where(np.arange(len(at)) < 12, 9.0, 2.0)
    strokes = [Stroke(float(t), float(t) + 0.4, 9.0 * min(n, 11), 9.0 * min(n, 11) + float(r))
               for n, (t, r) in enumerate(zip(at, rise, strict=True))]
    t = np.concatenate([at + 0.2, later_s])
    height = np.concatenate([rise, np.full(len(later_s), 2.0)])
    nothing = np.zeros(len(t))
    return strokes, Rises(np.arange(len(t)), t, height, nothing, nothing, nothing, nothing)


LATER_S = [35.0, 42.0, 49.0, 55.0, 62.0, 70.0]  # readings that fly off


@pytest.mark.parametrize(("small", "stay"), [(7, 7), (1, 0)])
def test_a_row_in_the_cadence_is_no_chance(small: int, stay: int) -> None:
    """Six in fifty seconds: one of them where the next stroke was due is no wonder; seven in a row, 1e-7, are."""
    strokes, rises = strokes_and_rises(small, LATER_S)
    assert len(without_more_alike(strokes, rises, 84.0)) == 12 + stay


def test_a_leak_that_begins_late_was_no_row_of_strokes() -> None:
    """Tight for 50 s, and then it leaks: nobody pumped until then."""
    made = make(5, rate_hz=50.0, stroke_kpa=1.2, target_kpa=105.0, hold_s=125.0, count_kpa=0.5, noise_kpa=0.05)
    since = np.clip(made.time_s - made.hold_start_s - 50.0, 0.0, made.release_s - made.hold_start_s - 50.0)
    held = (made.time_s > made.hold_start_s) & (made.time_s < made.release_s)
    told = judged("system", made.time_s, np.round((made.pressure_kpa - np.where(held, 0.13 * since, 0.0)) / 0.5) * 0.5)
    assert abs(told.strokes - made.strokes) <= 1
    assert told.hold is not None
    assert told.hold.start_s == pytest.approx(made.hold_start_s, abs=1.5)
    assert told.outcome == "fail"


@pytest.mark.parametrize(("begins_s", "kpa_per_s"), [(50.0, 0.15), (54.0, 0.17)])
def test_a_late_leak_on_coarse_steps_is_nobody_who_lets_down(begins_s: float, kpa_per_s: float) -> None:
    """One count takes three seconds: that long the reading stands still, and the fall is not over."""
    made = make(5, rate_hz=50.0, stroke_kpa=2.4, target_kpa=105.0, hold_s=125.0, count_kpa=0.5, noise_kpa=0.02)
    held = (made.time_s > made.hold_start_s) & (made.time_s < made.release_s)
    since = np.clip(made.time_s - made.hold_start_s - begins_s, 0.0, made.release_s - made.hold_start_s - begins_s)
    fell = np.where(held, kpa_per_s * since, 0.0)
    told = judged("system", made.time_s, np.round((made.pressure_kpa - fell) / 0.5) * 0.5)
    assert told.outcome == "fail"
    assert told.hold is not None
    assert told.hold.end_s == pytest.approx(made.release_s, abs=0.5)
