"""Recordings in which pumping begins at once. Against ``other_physics``."""

from __future__ import annotations

import numpy as np
import pytest

from recorder.analysis import Analyser, Setup
from recorder.analysis.trace.zero import find_zero
from recorder.limits import resolve
from recorder.model import Marking
from tests.analysis.judging import judged
from tests.analysis.other_physics import Valve, make

VALVE = Valve(101.0, 97.0, 35.0, pops=False)


@pytest.mark.parametrize("vented_s", [0.15, 0.3, 0.6])
@pytest.mark.parametrize("rate_hz", [20.0, 100.0])
def test_zero_where_pumping_begins_within_the_first_second(rate_hz: float, vented_s: float) -> None:
    made = make(84, rate_hz=rate_hz, stroke_kpa=11.0, valve=VALVE)
    first = float(made.time_s[int(np.argmax(made.pressure_kpa > 4.0))]) - 0.2
    use = made.time_s >= first - vented_s
    t, p = np.round(made.time_s[use] - first + vented_s, 6), np.round(made.pressure_kpa[use] + 0.7, 4)
    zero = find_zero(t, p)[0]
    assert abs(zero - find_zero(made.time_s, made.pressure_kpa)[0] - 0.7) < 0.6
    analyser = Analyser(Setup("cap", Marking(98.0, "kPa", 98.0), resolve("cap", {})))
    analyser.feed(t, p)
    told = analyser.judgement()
    assert told.opening is not None and told.peak is not None
    assert abs(told.peak.value - made.peak_kpa) < 1.0
    assert abs(told.opening.value - 101.0) < 2.0
    assert told.strokes == made.strokes


def test_a_knock_within_the_first_second_is_no_stroke() -> None:
    rng = np.random.default_rng(85)
    t = np.arange(0.0, 20.0, 0.02)
    p = rng.normal(0.4, 0.1, len(t))
    p[(t > 0.3) & (t < 0.9)] += 6.0
    zero, _, end = find_zero(t, p)
    assert abs(zero - 0.4) < 0.1
    assert end > 15.0


def test_two_vented_readings_before_it_goes_up_at_once_are_the_zero() -> None:
    """Five readings a second, of which two are vented: among the first second's changes the rise is most, so that all
    of it seemed noise, the zero 84 kPa, and the pressure "never pumped up". Noise is what the hold's readings have."""
    t = np.arange(0.0, 32.0, 0.2)
    p = 92.5 + np.random.default_rng(3).normal(0.0, 0.4, len(t))
    p[:5] = [0.1, -0.3, 26.0, 27.2, 49.0]
    told = judged("system", t, p)
    assert told.zero is not None and abs(told.zero.value) < 0.5
    assert told.strokes > 0 and "never-pumped" not in [r.code for r in told.reasons]
