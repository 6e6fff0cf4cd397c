"""A hose that is hit rings: a damped oscillation (Thomson, Theory of Vibration with Applications, logarithmic
decrement; from memory). Its size and pitch are common practice, no source."""

from __future__ import annotations

import numpy as np
import pytest

from recorder.analysis.trace import ringing
from recorder.analysis.trace.ringing import without_ringing
from tests.analysis.judging import judged
from tests.analysis.other_physics import Made, Valve, make


def ring(t: np.ndarray, hit_s: float, kpa: float, hz: float, dies_s: float) -> np.ndarray:
    since = t - hit_s
    return np.where(since > 0.0, kpa * np.exp(-since / dies_s) * np.sin(2.0 * np.pi * hz * since), 0.0)


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(("hz", "dies_s"), [(2.6, 0.3), (2.6, 0.4), (5.0, 0.15), (5.0, 0.4), (8.0, 0.15), (8.0, 0.4)])
def test_what_lies_under_it_is_kept(hz: float, dies_s: float, sign: float) -> None:
    """On a ramp of 3 kPa/s, as the pressure of a hold never falls."""
    rng = np.random.default_rng(int(10 * hz))
    t = np.arange(0.0, 6.0, 0.01)
    under = 100.0 - 3.0 * t
    read = under + ring(t, 2.0, 9.0 * sign, hz, dies_s) + rng.normal(0.0, 0.1, len(t))
    clean, found = without_ringing(t, read, 0.01, 0.1)
    assert found == 1
    assert np.abs(read - under).max() > 4.0
    # what is left: the first rise, before anything swings back, and what noise hides
    assert np.abs(clean - under).max() < 1.9
    assert np.sqrt(np.mean((clean - under)[200:] ** 2)) < 0.5
    far = (t < 1.5) | (t > 4.5)
    assert np.array_equal(clean[far], read[far])


@pytest.mark.parametrize("rate_hz", [25.0, 50.0, 100.0, 200.0])
def test_one_on_the_way_up_adds_no_stroke_and_no_pressure(rate_hz: float) -> None:
    made = make(31, rate_hz=rate_hz, stroke_kpa=9.0, target_kpa=108.0, hold_s=140.0)
    plain = judged("system", made.time_s, made.pressure_kpa)
    assert plain.strokes == made.strokes and plain.hold is not None and plain.peak is not None
    on_the_way_s = made.time_s[np.argmax(made.pressure_kpa > 0.55 * made.pressure_kpa.max())]
    for hit_s in (on_the_way_s + 0.1, plain.hold.start_s + 1.0):
        read = made.pressure_kpa + ring(made.time_s, hit_s, 10.0, 3.1, 0.35)
        assert read.max() > made.pressure_kpa.max() or hit_s == on_the_way_s + 0.1
        told = judged("system", made.time_s, read)
        assert told.strokes == plain.strokes, hit_s
        assert told.peak is not None
        assert told.peak.value == pytest.approx(plain.peak.value, abs=0.8)
        assert told.outcome == plain.outcome


def cap(*, pops: bool, rate_hz: float) -> Made:
    valve = Valve(98.0, 90.0, 40.0, pops=pops)
    return make(33, rate_hz=rate_hz, stroke_kpa=9.0, valve=valve, extra=4, hold_s=50.0)


@pytest.mark.parametrize("pops", [True, False])
@pytest.mark.parametrize("rate_hz", [25.0, 100.0])
def test_strokes_and_valves_do_not_ring(pops: bool, rate_hz: float) -> None:
    made = cap(pops=pops, rate_hz=rate_hz)
    clean, found = without_ringing(made.time_s, made.pressure_kpa, 1.0 / rate_hz, 0.1)
    assert found == 0
    assert clean is made.pressure_kpa


def test_an_engine_that_goes_on_is_none() -> None:
    """Pressure that swings for as long as the engine runs is what the trace has to show, however its swings vary."""
    t = np.arange(0.0, 60.0, 0.02)
    beat = 1.0 + 0.6 * np.sin(2.0 * np.pi * 0.5 * t)
    read = 100.0 + 2.0 * beat * np.sin(2.0 * np.pi * 4.0 * t)
    clean, found = without_ringing(t, read, 0.02, 0.1)
    assert found == 0
    assert clean is read


def test_readings_that_swing_all_the_time_are_left_alone_at_once() -> None:
    """Some thousand extremes are not gone through one by one: none is even looked at."""
    t = np.arange(0.0, 3000.0, 0.01)
    read = 50.0 + ring(t % 1.0, 0.2, 9.0, 5.0, 0.2)
    few, many = read[t < 100.0], read
    assert len(ringing._extremes(few, 25, 0.8)) > 200
    assert ringing._extremes(many, 25, 0.8) == []
    clean, found = without_ringing(t, many, 0.01, 0.1)
    assert found == 0 and clean is many


def test_readings_too_far_apart_to_show_it_are_left_alone() -> None:
    t = np.arange(0.0, 20.0, 0.1)
    read = 50.0 + ring(t, 8.0, 9.0, 2.6, 0.4)
    clean, found = without_ringing(t, read, 0.1, 0.1)
    assert found == 0 and clean is read
