"""Recordings begun late, under pressure: their first reading is no zero. Against ``other_physics``."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from recorder.analysis import Analyser, Setup
from recorder.limits import resolve
from recorder.model import Calibration, Judgement, Marking, TestKind
from tests.analysis.other_physics import Made, Valve, make

VALVE = Valve(101.0, 97.0, 35.0, pops=False)
# 10 to 90 % of the supply over 345 kPa (50 psi)
SENSOR = Calibration((-43.125, 431.25), 0.3)


def judged(
    made: Made, test: TestKind, marked_kpa: float, *, begin_s: float = 0.0, end_s: float = 1e9, off_kpa: float = 0.0
) -> Judgement:
    analyser = Analyser(Setup(test, Marking(marked_kpa, "kPa", marked_kpa), resolve(test, {}), SENSOR))
    use = (made.time_s >= begin_s) & (made.time_s <= end_s)
    analyser.feed(np.round(made.time_s[use] - begin_s, 6), np.round(made.pressure_kpa[use] + off_kpa, 4))
    return analyser.judgement()


def half_way(made: Made) -> float:
    """When half the pressure was there."""
    return float(made.time_s[int(np.argmax(made.pressure_kpa > 0.5 * made.peak_kpa))])


def test_zero_from_the_release() -> None:
    made = make(81, rate_hz=50.0, stroke_kpa=9.0, valve=VALVE)
    whole, late = judged(made, "cap", 98.0), judged(made, "cap", 98.0, begin_s=half_way(made))
    assert whole.opening is not None and late.opening is not None
    assert late.zero is not None and whole.zero is not None
    assert abs(late.zero.value - whole.zero.value) < 0.3
    assert abs(late.opening.value - whole.opening.value) < 1.0
    assert late.outcome == whole.outcome == "pass"
    assert "late-start" in [n["code"] for n in late.extra["notes"]]
    assert late.phases[0].name == "pump-up"


@pytest.mark.parametrize("test", ["cap", "system"])
def test_begun_under_pressure_and_never_let_go_is_void(test: TestKind) -> None:
    made = make(82, rate_hz=50.0, stroke_kpa=9.0, target_kpa=110.0, hold_s=70.0)
    found = judged(made, test, 98.0, begin_s=half_way(made), end_s=made.release_s - 1.0)
    assert found.outcome == "void"
    assert [r.code for r in found.reasons] == ["trace-broken"]
    assert "zero is not known" in found.reasons[0].text


def test_begun_after_the_last_stroke_is_void() -> None:
    made = make(83, rate_hz=50.0, stroke_kpa=9.0, target_kpa=110.0, hold_s=70.0)
    found = judged(made, "system", 98.0, begin_s=made.hold_start_s + 3.0)
    assert found.outcome == "void"
    assert "no stroke" in found.reasons[0].text
    assert [q.name for q in found.phases] == ["hold", "release", "vented"]
    assert found.hold is not None
    assert found.hold.start_s < 0.02
    assert found.hold.end_s == pytest.approx(made.release_s - made.hold_start_s - 3.0, abs=0.5)


@pytest.mark.parametrize("leak", [0.0, 4.0])
def test_begun_in_the_hold_its_rate_is_told(leak: float) -> None:
    made = make(87, rate_hz=50.0, stroke_kpa=9.0, target_kpa=110.0, hold_s=120.0, leak_per_s=leak / 60.0 / 110.0)
    found = judged(made, "system", 98.0, begin_s=made.hold_start_s + 10.0, end_s=made.release_s - 1.0)
    assert found.outcome == "void"
    assert found.zero is None and found.hold is not None
    rate, u = found.hold.rate.value, found.hold.rate.standard_uncertainty
    assert u is not None and abs(rate - 0.97 * leak) < 2.5 * u  # it slows down as the pressure falls
    assert not leak or rate > 4.0 * u


def test_what_was_let_go_to_a_coarse_nought_is_no_broken_wire() -> None:
    """Bare readings rounded to 0.1 kPa, begun in the hold; and one whose wire breaks, far below nought."""
    from recorder.analysis.trace.faults import sensor_fault

    t = np.arange(0.0, 60.0, 0.1)
    p = np.round(np.interp(t, [0.0, 40.0, 41.0], [118.0, 115.0, 0.0]), 1)
    assert sensor_fault(p, 0.1) is None
    assert sensor_fault(np.where(t < 40.0, p, -43.1), 0.1) == "it sits at its lower end (wire broken?)"


def test_an_absolute_reading_that_begins_and_ends_vented_is_no_late_start() -> None:
    made = make(84, rate_hz=50.0, stroke_kpa=9.0, valve=VALVE)
    plain, absolute = judged(made, "cap", 98.0), judged(made, "cap", 98.0, off_kpa=101.3)
    assert absolute.outcome == plain.outcome == "pass"
    assert absolute.opening is not None and plain.opening is not None
    assert absolute.opening.value == pytest.approx(plain.opening.value, abs=0.05)


@pytest.mark.parametrize("left_kpa", [25.0, 40.0, 60.0])
def test_pressure_before_and_after_is_no_zero(left_kpa: float) -> None:
    """Begun and ended under the same pressure: were that taken for zero, all would read so much too low. It is no
    air's own pressure (65 to 110 kPa), nor how far a gauge is off."""
    made = make(84, rate_hz=50.0, stroke_kpa=9.0, valve=VALVE)
    found = judged(made, "cap", 98.0, off_kpa=left_kpa)
    assert found.outcome == "void"
    assert [r.code for r in found.reasons] == ["trace-broken"]
    assert "kPa, under pressure, so zero is not known" in found.reasons[0].text


@pytest.mark.parametrize(("off_kpa", "date", "outcome"), [(15.0, None, "pass"), (15.0, "2026-03-01", "void")])
def test_a_gauge_that_was_never_calibrated_may_be_off_by_more(off_kpa: float, date: str | None, outcome: str) -> None:
    made = make(84, rate_hz=50.0, stroke_kpa=9.0, valve=VALVE)
    sensor = Calibration(SENSOR.coefficients_kpa, 0.3, date)
    analyser = Analyser(Setup("cap", Marking(98.0, "kPa", 98.0), resolve("cap", {}), sensor))
    analyser.feed(np.round(made.time_s, 6), np.round(made.pressure_kpa + off_kpa, 4))
    assert analyser.judgement().outcome == outcome


@pytest.mark.parametrize("end_kpa", [-43.125, 388.125])
def test_a_reading_at_an_end_from_the_first_row_on_is_a_fault(end_kpa: float) -> None:
    t = np.arange(0.0, 30.0, 0.02)
    still = Made(t, np.full(len(t), end_kpa), None, None, 0.0, 0, 0.0, 0.0)
    found = judged(still, "cap", 98.0)
    assert found.outcome == "void"
    assert [r.code for r in found.reasons] == ["sensor-fault"]


def test_the_calibration_counts_in_what_the_target_was() -> None:
    """Below the target is only what a transducer of that uncertainty can say to be below."""
    made = make(85, rate_hz=50.0, stroke_kpa=4.0, target_kpa=108.0, hold_s=130.0)

    def below(u_kpa: float) -> bool:
        marking = Marking(made.peak_kpa - 3.0, "kPa", made.peak_kpa - 3.0)
        sensor = Calibration(SENSOR.coefficients_kpa, u_kpa)
        analyser = Analyser(Setup("system", marking, resolve("system", {}), sensor))
        analyser.feed(np.round(made.time_s, 6), np.round(made.pressure_kpa, 4))
        found = analyser.judgement()
        assert found.outcome != "pass" or u_kpa > 2.0
        return "below-target" in [r.code for r in found.reasons]

    assert below(0.2)
    assert not below(3.0)


@pytest.mark.parametrize("seconds", [4.0, 8.0, 20.0])
def test_a_short_vented_trace_has_no_stroke(seconds: float) -> None:
    """Noise of a vented tester, white and slow, is no stroke, however short the trace."""
    counts = []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        t = np.arange(0.0, seconds, 0.02)
        p = rng.normal(0.4, 0.15, len(t)) + 0.01 * np.cumsum(rng.standard_normal(len(t)))
        flat = Made(t, np.round(p / 0.1) * 0.1, None, None, 0.0, 0, 0.0, 0.0)
        counts.append(judged(flat, "cap", 98.0).strokes)
    assert counts == [0] * 20


def test_one_begun_in_the_hold_is_not_called_a_broken_wire() -> None:
    """So coarse a converter that the vented reading is always the same: far below the first ones, but far above the
    converter's own end."""
    from recorder.analysis.trace.faults import sensor_fault

    step = 300.0 / 0.8 / 1023
    t = np.arange(0.0, 60.0, 0.02)
    p = np.round(np.interp(t, [40.0, 41.0], [115.0, 0.0]) / step) * step
    p[::3] += np.where(t[::3] < 40.0, step, 0.0)
    rails = (-37.5, 337.5)
    assert sensor_fault(p, 0.02, rails) is None
    off = np.where(t < 40.0, p, rails[0])
    assert sensor_fault(off, 0.02, rails) == "it sits at its lower end (wire broken?)"


@pytest.mark.parametrize(("waits_s", "released"), [(0.0, True), (2.0, True), (2.0, False)])
def test_begun_under_the_last_test_and_let_go_before_pumping(waits_s: float, released: bool) -> None:
    """What it was let down from and pumped up through again is no zero, though its middle may look like one. Where it
    is not let go at the end either, it stood open in between."""
    made = make(88, rate_hz=50.0, stroke_kpa=9.0, target_kpa=108.0, hold_s=125.0)
    whole = judged(made, "system", 98.0)
    step = 1.0 / 50.0
    before = np.arange(0.0, 4.0 + waits_s, step)
    last = 72.0 * np.exp(-np.maximum(before - 3.0, 0.0) / 0.2) + 0.7
    both = replace(
        made, time_s=np.concatenate([before, made.time_s + len(before) * step]),
        pressure_kpa=np.concatenate([np.round(last, 1), made.pressure_kpa]),
    )  # fmt: skip
    if not released:
        seen = both.time_s < made.release_s - 1.0 + len(before) * step
        both = replace(both, time_s=both.time_s[seen], pressure_kpa=both.pressure_kpa[seen])
    told = judged(both, "system", 98.0)
    assert told.zero is not None and whole.zero is not None
    assert told.zero.value == pytest.approx(whole.zero.value, abs=0.3)
    assert told.outcome == whole.outcome == "pass"
    assert told.strokes == whole.strokes


def test_pumped_on_from_the_last_tests_pressure_and_never_let_go_it_has_no_zero() -> None:
    """The lowest that is seen is only gone through."""
    made = make(88, rate_hz=50.0, stroke_kpa=9.0, target_kpa=108.0, hold_s=125.0)
    seen = (made.pressure_kpa > 20.0) & (made.time_s < made.release_s - 1.0)
    late = replace(made, time_s=made.time_s[seen], pressure_kpa=made.pressure_kpa[seen])
    told = judged(late, "system", 98.0)
    assert told.outcome == "void" and told.zero is None
