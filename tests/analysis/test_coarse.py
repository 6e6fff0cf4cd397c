"""Readings so far apart that two or three show a stroke, or not even that (the sampling theorem asks for more than two
in what repeats itself). Against ``other_physics``."""

from __future__ import annotations

import numpy as np
import pytest

from recorder.analysis import Analyser, Setup
from recorder.limits import resolve
from recorder.model import Judgement, Marking
from tests.analysis.judging import judged
from tests.analysis.other_physics import Made, Valve, make


def every(made: Made, step_s: float, first_s: float) -> tuple[np.ndarray, np.ndarray]:
    """The reading next to each of these times."""
    at = np.arange(first_s, made.time_s[-1], step_s)
    k = np.searchsorted(made.time_s, at - 1e-9)
    return at - first_s, made.pressure_kpa[k]


@pytest.mark.parametrize("step_s", [1 / 4, 1 / 3])
def test_an_opening_is_no_surer_than_readings_let_it_be(step_s: float) -> None:
    """It was up to 4.9 u too high, and stood for a pass of a cap that opened below its limit."""
    seen = []
    for seed in range(4):
        valve = Valve(98.0, 94.0, 4.0, pops=False)
        made = make(seed, rate_hz=200.0, stroke_kpa=7.0, valve=valve, hold_s=40.0, noise_kpa=0.1)
        told = judged("cap", *every(made, step_s, 0.11 * (seed % 2)))
        assert "coarse" in [note["code"] for note in told.extra["notes"]]
        if told.opening is not None:
            q = told.opening
            assert (q.standard_uncertainty or 0.0) > 1.0
            seen.append((q.value - (made.opening_kpa or 0.0)) / (q.standard_uncertainty or 0.0))
    assert len(seen) > 1 and max(map(abs, seen)) < 2.0, seen


@pytest.mark.parametrize("step_s", [0.5, 1.0])
def test_a_cap_that_is_read_once_or_twice_a_second_is_void(step_s: float) -> None:
    """The text said that it was pumped to 51 kPa and did not open; it was at 111."""
    made = make(3, rate_hz=200.0, stroke_kpa=7.0, valve=Valve(98.0, 94.0, 20.0, pops=False), hold_s=50.0)
    told = judged("cap", *every(made, step_s, 0.0))
    assert (told.outcome, [reason.code for reason in told.reasons]) == ("void", ["trace-broken"])
    assert f"{step_s:.1f} s apart" in told.reasons[0].text and told.peak is None and told.opening is None


def with_volume(t: np.ndarray, p: np.ndarray) -> Judgement:
    limits = {"stroke_volume": {"value": 24.0, "unit": "mL"}}
    analyser = Analyser(Setup("system", Marking(98.0, "kPa", 98.0), resolve("system", limits)))
    analyser.feed(t.round(6), p.round(4))
    return analyser.judgement()


@pytest.mark.parametrize("step_s", [0.25, 0.5, 1.0])
def test_a_leak_is_told_and_the_gas_space_is_not(step_s: float) -> None:
    """Strokes that merge made it a half or a third of what it was, and the coolant lost with it."""
    made = make(5, rate_hz=200.0, stroke_kpa=6.0, target_kpa=108.0, hold_s=140.0, leak_per_s=5e-4, noise_kpa=0.1)
    whole = with_volume(made.time_s, made.pressure_kpa)
    told = with_volume(*every(made, step_s, 0.0))
    assert whole.headspace is not None and whole.leak_flow is not None and whole.hold is not None
    assert told.headspace is None and told.leak_flow is None and told.hold is not None
    assert told.outcome == whole.outcome == "fail"
    assert told.hold.rate.value == pytest.approx(whole.hold.rate.value, abs=0.4)


def test_readings_a_quarter_second_apart_do_not_tell_a_hose_that_came_off() -> None:
    valve = Valve(98.0, 94.0, 20.0, pops=False)
    made = make(7, rate_hz=200.0, stroke_kpa=7.0, valve=valve, hold_s=50.0, release_s=0.1)
    for first_s in (0.0, 0.12):
        told = judged("cap", *every(made, 0.25, first_s))
        assert "hose-off" not in [note["code"] for note in told.extra["notes"]]
        assert "trace-broken" not in [reason.code for reason in told.reasons]
