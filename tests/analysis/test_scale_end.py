"""A 10 to 90 % sensor gives 90 % of its supply for all that is above its scale, and the noise of wires and converter
comes after that (0.5 to 4.5 V of 5 V: common practice, no source): what rests there is no pressure that anything opened
at or held."""

from __future__ import annotations

import numpy as np
import pytest

from recorder.analysis import Analyser, Setup
from recorder.limits import resolve
from recorder.model import Calibration, Judgement, Marking, TestKind
from tests.analysis.other_physics import Valve, make

MARKED_KPA = 98.0


def read_by(scale_kpa: float, test: TestKind, t: np.ndarray, true_kpa: np.ndarray, noise_kpa: float) -> Judgement:
    """Judged as a sensor of that scale reads it: 10 % of the supply at nought, 90 % at the end and above."""
    p = np.minimum(true_kpa, scale_kpa) + np.random.default_rng(3).normal(0.0, noise_kpa, len(t))
    sensor = Calibration((-0.125 * scale_kpa, 1.25 * scale_kpa), 0.2, "2026-01-02", "gauge 3")
    analyser = Analyser(Setup(test, Marking(MARKED_KPA, "kPa", MARKED_KPA), resolve(test, {}), sensor))
    analyser.feed(t.round(6), p.round(4))
    return analyser.judgement()


def said(told: Judgement) -> str:
    return told.reasons[0].text


@pytest.mark.parametrize("noise_kpa", [0.1, 0.3])
def test_a_cap_does_not_open_where_the_sensors_scale_ends(noise_kpa: float) -> None:
    """It opened at 125 kPa, and passed as one that opens at 104."""
    made = make(5, rate_hz=50.0, stroke_kpa=9.0, valve=Valve(125.0, 121.0, 8.0, pops=True), extra=3, noise_kpa=0.0)
    told = read_by(103.42, "cap", made.time_s, made.pressure_kpa, noise_kpa)
    assert told.outcome != "pass"
    assert told.opening is None
    assert told.outcome == "undecided" or "it sits at its upper end (the sensor's scale ends there)" in said(told)
    enough = read_by(206.84, "cap", made.time_s, made.pressure_kpa, noise_kpa)
    assert enough.opening is not None
    assert abs(enough.opening.value - 125.0) < 2.0


@pytest.mark.parametrize("noise_kpa", [0.1, 0.3])
def test_a_system_that_is_held_above_the_sensors_scale_is_not_tight(noise_kpa: float) -> None:
    """It leaks 2.5 kPa a minute, of which nothing is to be seen."""
    made = make(7, rate_hz=50.0, stroke_kpa=9.0, target_kpa=116.0, leak_per_s=0.0004, hold_s=125.0, noise_kpa=0.0)
    told = read_by(103.42, "system", made.time_s, made.pressure_kpa, noise_kpa)
    assert told.outcome == "void"
    assert "it sits at its upper end (the sensor's scale ends there)" in said(told)
    assert read_by(206.84, "system", made.time_s, made.pressure_kpa, noise_kpa).outcome == "fail"


def test_what_opens_below_the_end_or_settles_there_is_read() -> None:
    """The readings near the end are not all alike then."""
    made = make(5, rate_hz=50.0, stroke_kpa=9.0, valve=Valve(98.0, 95.0, 8.0, pops=True), extra=3, noise_kpa=0.0)
    told = read_by(103.42, "cap", made.time_s, made.pressure_kpa, 0.1)
    assert told.outcome == "pass"
    held = make(7, rate_hz=50.0, stroke_kpa=9.0, target_kpa=107.0, leak_per_s=0.0002, hold_s=125.0, noise_kpa=0.0)
    top = float(held.pressure_kpa.max())
    assert read_by(top + 0.2, "system", held.time_s, held.pressure_kpa, 0.1).outcome == "fail"


def test_a_cap_that_stays_shut_at_more_than_is_read_is_one() -> None:
    made = make(5, rate_hz=50.0, stroke_kpa=9.0, target_kpa=160.0, noise_kpa=0.0)
    told = read_by(137.9, "cap", made.time_s, made.pressure_kpa, 0.1)
    assert told.outcome == "fail" and {"no-opening", "opens-high"} & {r.code for r in told.reasons}


def test_plain_readings_and_other_sensors_have_no_such_end() -> None:
    made = make(5, rate_hz=50.0, stroke_kpa=9.0, valve=Valve(98.0, 95.0, 8.0, pops=True), extra=3)
    for sensor in (None, Calibration((0.0, 110.0), 0.2, "2026-01-02", "gauge 3"),
                   Calibration((0.0, 1.0), 0.2, "2026-01-02", "gauge 3", bare=True)):
        analyser = Analyser(Setup("cap", Marking(98.0, "kPa", 98.0), resolve("cap", {}), sensor))
        analyser.feed(made.time_s.round(6), made.pressure_kpa.round(4))
        assert analyser.judgement().outcome == "pass"
