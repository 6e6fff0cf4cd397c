"""A fall that stops all at once, as a leak that is tightened or that lets out above some pressure only: what is held
after it is judged, and is no test where it is held below the target. Against ``other_physics``; the target is the
marking plus 7 to 14 kPa (common practice, no source)."""

from __future__ import annotations

import numpy as np
import pytest

from recorder.analysis import Analyser, Setup
from recorder.limits import resolve
from recorder.model import Judgement, Marking
from tests.analysis.other_physics import make

FELL_KPA, FELL_S, TARGET_LOW_KPA = 9.0, 16.0, 7.0


@pytest.fixture(scope="module")
def trace() -> tuple[np.ndarray, np.ndarray, float]:
    """A tight system that falls straight by 9 kPa first: times, pressures, and what it is held at then."""
    made = make(31, rate_hz=50.0, stroke_kpa=6.0, target_kpa=108.0, hold_s=170.0)
    t, p = made.time_s, made.pressure_kpa - float(np.median(made.pressure_kpa[:100]))
    since = t - made.hold_start_s
    held = float(np.median(p[(since > 30.0) & (since < 40.0)]))
    more = FELL_KPA * np.clip(np.where(since < 0.0, p / held, 1.0 - since / FELL_S), 0.0, 1.0)
    return t, p + np.where(t < made.release_s, more, 0.0), held


def told(trace: tuple[np.ndarray, np.ndarray, float], marked_kpa: float) -> Judgement:
    analyser = Analyser(Setup("system", Marking(marked_kpa, "kPa", marked_kpa), resolve("system", {})))
    analyser.feed(trace[0].round(6), trace[1].round(4))
    return analyser.judgement()


def test_what_is_held_below_the_target_after_a_fall_that_stops_is_no_pass(
    trace: tuple[np.ndarray, np.ndarray, float]
) -> None:
    found = told(trace, trace[2] - TARGET_LOW_KPA + 5.0)  # 5 kPa more than it is held at is the least
    assert found.hold is not None and found.hold.start.value == pytest.approx(trace[2], abs=1.5)
    assert found.outcome == "undecided" and "below-target" in [r.code for r in found.reasons]
    text = next(r.text for r in found.reasons if r.code == "below-target")
    assert text.startswith("Held at ")


def test_what_is_held_at_the_target_after_it_passes(trace: tuple[np.ndarray, np.ndarray, float]) -> None:
    assert told(trace, trace[2] - TARGET_LOW_KPA - 1.0).outcome == "pass"
