"""What is said while a test runs: to somebody who pumps, who holds, and who is about to take something off."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from recorder import report
from recorder.analysis import Analyser, Setup
from recorder.calibration import nominal
from recorder.limits import resolve
from recorder.rig import demo, simulate
from recorder.units import parse_marking
from tests.test_report import VIEW

CAP = replace(VIEW, to_go_kpa=None, limit_kpa=None)  # to open within 103 to 110 kPa
HELD = replace(VIEW, next_step="hold", hold_left_s=60.0)


@pytest.mark.parametrize(("kpa", "step", "said"), [
    (50.0, "pump", "pump: 53.0 kPa to the band, 103.0 to 110.0 kPa"),
    (97.0, "pump-gently", "slow strokes: 6.0 kPa to the band, 103.0 to 110.0 kPa"),
    (102.5, "pump-gently", "slow strokes until it opens: in its band, 103.0 to 110.0 kPa"),
    (109.0, "pump-gently", "slow strokes until it opens: in its band, 103.0 to 110.0 kPa"),
    (110.5, "pump-gently", "still shut above its band, 103.0 to 110.0 kPa: stop pumping, turn the relief"),
])
def test_a_cap_is_pumped_slowly_within_its_band_and_not_beyond(kpa: float, step: str, said: str) -> None:
    assert report.next_step(replace(CAP, pressure_kpa=kpa, next_step=step), test="cap") == said


def test_where_the_band_is_known_better_than_by_the_last_reading_that_counts() -> None:
    """A last reading may be of noise; what says the band has looked at more."""
    view = replace(CAP, pressure_kpa=109.9, next_step="pump-gently", band="above")
    assert report.next_step(view, test="cap").startswith("still shut above its band")
    assert report.brief(view) == ("still shut: stop, relieve", "stop, relieve")
    assert "until it opens" in report.next_step(replace(view, pressure_kpa=110.1, band="in"), test="cap")
    assert report.next_step(replace(view, pressure_kpa=50.0, next_step="pump", band="below"), test="cap").startswith(
        "pump: 53.0 kPa to the band")


def test_a_cap_of_which_no_band_is_known() -> None:
    for unknown in ({"target_low_kpa": None}, {"target_high_kpa": None}, {"pressure_kpa": None}):
        view = replace(CAP, **unknown)  # type: ignore[arg-type]
        assert report.next_step(view, test="cap") == "pump; the cap has to open by itself"


def test_how_far_to_pump_a_system() -> None:
    assert report.next_step(replace(VIEW, next_step="pump", to_go_kpa=40.0), test="system") == "pump: 40.0 kPa to go"
    assert report.next_step(replace(VIEW, next_step="pump", to_go_kpa=None), test="system") == "pump"
    assert report.next_step(replace(VIEW, to_go_kpa=0.0), test="system") == "pump gently"
    assert report.brief(replace(VIEW, next_step="pump", to_go_kpa=40.0)) == (
        "pump, 40.0 kPa to go", "40.0 kPa to go", "pump")
    assert report.brief(replace(VIEW, to_go_kpa=0.0)) == ("gently",)


def test_the_limit_is_the_end_of_the_target_where_no_other_is_known() -> None:
    over = replace(VIEW, next_step="over-limit", limit_kpa=117.2)
    assert report.brief(over) == ("STOP, relieve below 117.2 kPa", "STOP, relieve", "STOP")
    unknown = replace(over, limit_kpa=None)
    assert report.brief(unknown)[0] == "STOP, relieve below 110.0 kPa"
    assert report.next_step(unknown, test="system").endswith("until it is below 110.0 kPa")
    unknown = replace(unknown, target_high_kpa=None)
    assert report.brief(unknown) == ("STOP, relieve", "STOP")
    assert report.next_step(unknown, test="system") == "STOP: over the limit. Turn the relief"


def test_a_hold_that_falls_says_so_and_where_to_look() -> None:
    """A steady fall of more than 5 kPa/min, clear of two standard uncertainties, or one that is proven."""
    fast = replace(HELD, rate_kpa_per_min=6.1, rate_u_kpa_per_min=0.5)
    assert "it falls fast: a leak" in report.next_step(fast, test="system")
    assert "falls" not in report.next_step(replace(fast, rate_kpa_per_min=5.9), test="system")
    # who was told to turn the relief, and does so slowly, is not told of a leak and to take the hands off
    eased = report.next_step(replace(fast, pressure_kpa=116.0, fall_kpa=9.0), test="system")
    assert eased == "it falls from over the limit: open the relief fully and wait for zero, then begin anew"
    assert "a leak" in report.next_step(replace(fast, pressure_kpa=110.0, fall_kpa=7.0), test="system")
    assert "falls" not in report.next_step(replace(fast, rate_u_kpa_per_min=None), test="system")
    assert "falls" not in report.next_step(fast, test="cap")  # 7 kPa/min are allowed
    leak = replace(HELD, early="leak")
    assert "it is falling: look under the coolant pump" in report.next_step(leak, test="system")
    assert "it is falling; do not touch the pump" in report.next_step(leak, test="cap")
    said = {test: report.next_step(HELD, test=test) for test in ("cap", "system", "tester")}  # type: ignore[arg-type]
    assert "the cap's seal" in said["cap"] and "every hose" in said["system"] and "soapy water" in said["tester"]
    assert report.next_step(replace(HELD, hold_left_s=None), test="cap").startswith("hold: do not touch the pump")
    assert report.brief(replace(HELD, hold_left_s=None)) == ("hands off",)


def test_a_hold_that_rises_says_that_it_will_tell_nothing() -> None:
    """The judgement of such a hold is CANNOT TELL YET (warming), however long it is held."""
    warm = replace(HELD, rate_kpa_per_min=-4.1, rate_u_kpa_per_min=0.2, hold_elapsed_s=40.0)
    assert "it is rising: warming coolant hides a leak" in report.next_step(warm, test="system")
    for other in (replace(warm, rate_kpa_per_min=-0.7), replace(warm, hold_elapsed_s=20.0),
                  replace(warm, rate_u_kpa_per_min=None), replace(warm, rate_kpa_per_min=None)):
        assert "rising" not in report.next_step(other, test="system")
    cap = report.next_step(warm, test="cap")  # there is no coolant in it
    assert cap.startswith("hold: it is rising: what warms up hides a leak") and "coolant" not in cap
    assert report.brief(warm) == ("rising: cannot tell", "rising")
    assert "left" not in cap + report.next_step(warm, test="system")  # what is left of it would tell nothing either
    over = report.next_step(replace(warm, next_step="release", hold_left_s=0.0), test="system")
    assert over.startswith("it rose, which hides a leak, so the hold tells nothing: turn the relief")


def test_a_hold_that_rises_counts_down_to_nothing_and_is_not_judged() -> None:
    """The rig's tight system, whose coolant warms by 2 kPa/min: from half a minute on until it is let go."""
    scene = replace(next(one for one in demo() if one.name == "system-repaired").scene, drift_kpa_per_min=2.0)
    trace = simulate(scene)
    analyser = Analyser(Setup("system", parse_marking("16 psi"), resolve("system"), trace.calibration))
    said: list[tuple[str, str]] = []
    for at in np.arange(0.0, trace.time_s[-1], 5.0):
        part = (trace.time_s >= at) & (trace.time_s < at + 5.0)
        analyser.feed(trace.time_s[part], trace.reading_kpa[part])
        view = analyser.view()
        if view.hold_elapsed_s > 35.0:
            said.append((report.next_step(view, test="system"), " ".join(report.brief(view))))
    assert len(said) > 12
    for sentence, brief in said:
        assert "left" not in sentence + brief and ("rising" in brief or "it rose" in sentence)
    assert analyser.judgement().outcome == "undecided"


@pytest.mark.parametrize(("test", "early", "said"), [
    ("system", "leak", "it leaks: "), ("system", "tight", "it is tight: "), ("cap", "tight", "it holds: "),
    ("cap", None, "the hold is over: "),
])
def test_before_it_is_let_go_it_says_why(test: Any, early: Any, said: str) -> None:
    got = report.next_step(replace(VIEW, next_step="release", early=early), test=test)
    assert got == said + "turn the relief and wait for zero before you take anything off"


def test_a_hold_that_cannot_tell_yet_says_how_much_longer() -> None:
    view = replace(HELD, hold_left_s=0.0, longer_s=35.0)
    for test in ("cap", "system", "tester"):
        assert report.next_step(view, test=test).startswith("hold: cannot tell yet, about 0:35 more")  # type: ignore[arg-type]
    assert report.brief(view) == ("cannot tell yet, 0:35 more", "0:35 more")


def test_no_reading_stops_whoever_pumps_first() -> None:
    silent = replace(VIEW, pressure_kpa=None, silent_s=3.0)
    assert report.next_step(silent, test="cap").startswith("stop pumping; no reading for 3 s: check the adapter")
    assert report.next_step(replace(silent, strokes=0), test="cap").startswith("do not pump; no reading for 3 s")
    held = report.next_step(replace(silent, next_step="hold"), test="system")
    assert held.startswith("no reading for 3 s") and held.endswith("before you take anything off")
    assert report.next_step(replace(silent, next_step="over-limit"), test="system").startswith("STOP: over the limit")
    assert report.next_step(replace(silent, next_step="done"), test="system") == "done: the pressure is off"


@pytest.mark.parametrize(("word", "said"), [
    ("open", "open wire"), ("short", "short circuit"), ("supply", "its supply is off"), ("adc", "its converter fails"),
])
def test_a_fault_of_the_wire_format_is_said_in_words(word: str, said: str) -> None:
    """The four words of section 1 of the contracts. Once the pressure is off no fault is of interest."""
    fault = replace(VIEW, fault=word)
    assert report.next_step(fault, test="system").startswith(f"the gauge reports a fault ({said}): check its wires")
    assert report.brief(fault) == ("gauge fault: relieve", "FAULT")
    done = replace(fault, next_step="done")
    assert report.next_step(done, test="system") == "done: the pressure is off"
    assert report.brief(done) == ("the pressure is off", "done")


def test_a_fault_that_lasted_is_said_in_words_and_that_the_test_has_to_be_ended() -> None:
    """The wire was whole again and the pressure off, and the screen went on saying to wait for zero."""
    n = 400
    t = np.arange(n, dtype=float) * 0.02
    flag = ["fault-open" if 100 <= i < 250 else "" for i in range(n)]
    analyser = Analyser(Setup("system", None, resolve("system"), nominal(206.84)))
    analyser.feed(t, np.random.default_rng(1).normal(0.0, 0.1, n), flag)
    view = analyser.view()
    assert view.fault is not None and view.fault.startswith("the adapter reports 'fault-open' from 2.0 s on")
    said = report.next_step(view, test="system")
    assert said.startswith("the gauge reports a fault (open wire from 2.0 s on): check its wires; turn the relief")
    assert said.endswith("zero on the pump's own gauge, then end the test")
    assert "end the test" not in report.next_step(replace(view, fault="open"), test="system")  # it may pass
    seen = report.next_step(replace(view, fault="it sits at its lower end (wire broken?)"), test="system")
    assert seen.startswith("the gauge reports a fault (it sits at its lower end, wire broken?): check its wires")
    result = {"reasons": [r.to_json() for r in analyser.judgement().reasons]}
    assert report.reasons(result) == [
        "The reading cannot be trusted: the adapter reports a fault (open wire) from 2.0 s on."]
    other = {"reasons": [{"code": "sensor-fault", "text": "the adapter reports 'fault-melted'"}]}
    assert report.reasons(other) == ["the adapter reports 'fault-melted'"]  # a newer adapter's word, as it stands


@pytest.mark.parametrize(("moment", "test", "words"), [
    ("before", "tester", "cannot fly off"), ("before", "cap", "hot coolant under pressure scalds"),
    ("before", "system", "hot coolant under pressure scalds"),
    ("pump", "system", "hoses and radiators burst"), ("pump", "cap", "Never pump past the tester's own range"),
    ("hold", "system", "clear of the fan and belts"), ("hold", "cap", "loosen nothing"),
    ("over-limit", "cap", "relieve first"), ("over-limit", "system", "relieve first"),
    ("release", "tester", "take nothing off until the gauge stands at zero"),
])
def test_each_moment_has_its_caution(moment: Any, test: Any, words: str) -> None:
    assert words in (report.caution(moment, test) or "")
    if test != "system":  # nothing runs beside a bench
        assert "fan" not in (report.caution(moment, test) or "")


@pytest.mark.parametrize(("step", "moment"), [
    ("wait", "before"), ("vent", "release"), ("pump", "pump"), ("pump-gently", "pump"), ("stop-pumping", "hold"),
    ("hold", "hold"), ("over-limit", "over-limit"), ("release", "release"), ("vent-again", "release"),
])
def test_each_step_has_the_caution_of_its_moment(step: str, moment: str) -> None:
    for test in ("cap", "system", "tester"):
        assert report.caution(replace(VIEW, next_step=step), test) == report.caution(moment, test)  # type: ignore[arg-type]
    assert report.caution(replace(VIEW, next_step="done"), "cap") is None


@pytest.mark.parametrize(("kpa", "was", "said"), [
    (None, False, None), (3.0, False, None), (-10.0, False, None),
    (-10.1, False, "THE GAUGE READS -10.1 kPa, which is no zero: turn the relief and wait for zero on the pump's own "
     "gauge"),
    (3.1, False, "STILL AT 3.1 kPa: turn the relief and wait for zero before you take anything off"),
    (100.0, True, "WAS AT 100.0 kPa when it was last read: turn the relief and wait for zero before you take anything "
     "off"),
])
def test_pressure_that_is_left_comes_before_any_result(kpa: float | None, was: bool, said: str | None) -> None:
    """3 kPa hurt nobody, and are what a cheap gauge's zero moves (common practice, no source)."""
    assert report.still_on(kpa, was=was) == said
    assert report.still_on(2.0, fault=True) is None
    held_up = str(report.still_on(232.7, fault=True))
    assert "own gauge" in held_up and "232" not in held_up
    assert report.still_on(100.0, "psi") == report.still_on(100.0, "psi", was=False) != said


def test_what_could_hurt_somebody_is_never_left_out_for_room() -> None:
    for code in ("over-limit", "opens-high", "no-opening", "sensor-fault", "rhythmic", "hose-off"):
        assert report.is_safety(code)
        for test in ("system", "cap"):
            judgement = {"test": test, "outcome": "fail", "reasons": [{"code": code}], "notes": [{"code": code}]}
            given = [said for said in report.advice(judgement) if "bench still" not in said]  # of no engine
            assert all(map(report.is_safety, given)), given
    for code in ("too-much-air", "zero-shift", "opens-low", "below-target", "gaps", "no-marking", "late-start"):
        assert not report.is_safety(code)
        judgement = {"test": "cap", "outcome": "pass", "reasons": [{"code": code}], "notes": [{"code": code}]}
        assert report.advice(judgement) and not any(map(report.is_safety, report.advice(judgement)))


def test_what_is_not_to_be_gone_beyond_is_never_rounded_up() -> None:
    """A cap marked 13 psi (89.632 kPa, NIST SP 811): its band ends at 98.595 kPa. A limit
    of 103.68 kPa is said as 103.6. 16 psi and a tenth are 17.6 psi, whatever the way over kPa leaves of it."""
    band = replace(CAP, pressure_kpa=95.0, next_step="pump-gently", target_low_kpa=80.669, target_high_kpa=98.595)
    assert report.next_step(band, test="cap").endswith("in its band, 80.7 to 98.5 kPa")
    over = replace(VIEW, next_step="over-limit", limit_kpa=103.6818)
    assert report.brief(over)[0] == "STOP, relieve below 103.6 kPa"
    assert report.next_step(over, test="system").endswith("until it is below 103.6 kPa")
    psi = replace(CAP, pressure_kpa=110.0, next_step="pump-gently", target_high_kpa=parse_marking("16 psi").kpa * 1.1)
    assert report.next_step(psi, test="cap", unit="psi").endswith("to 17.60 psi")


def test_a_gauge_that_stands_far_from_zero_with_no_pressure_is_told_from_pressure_that_is_on() -> None:
    """A board that prints counts, taken as kPa: the number on the screen is counted from where it stands, and stood at
    zero while the words said to wait for that."""
    n = np.arange(600)
    analyser = Analyser(Setup("system", parse_marking("16 psi"), resolve("system")))
    analyser.feed(n / 100.0, 1638.0 + np.random.default_rng(1).normal(0.0, 5.0, len(n)))
    view = analyser.view()
    assert view.next_step == "over-limit" and view.pressure_kpa is not None and view.pressure_kpa > 1600.0
    said = report.next_step(view, test="system")
    assert "Turn the relief" in said and said.endswith(
        "If the hose is open to the air already, the gauge is wrong: check its wires, unit and calibration")
    counted = replace(view, next_step="vent", zero_kpa=20.0, pressure_kpa=0.4)  # from where it stands
    said = report.next_step(counted, test="system")
    assert said == ("the gauge reads 20.0 kPa: open the relief. If the hose is open to the air already, that is no "
                    "zero: check its wires, unit and calibration")
    pumped = replace(view, strokes=5)
    assert "already" not in report.next_step(pumped, test="system")
    still = Analyser(Setup("system", parse_marking("16 psi"), resolve("system")))
    still.feed(n / 100.0, 40.0 + np.random.default_rng(1).normal(0.0, 0.1, len(n)))
    vent = "open the relief and wait until the reading stands at zero"
    assert report.next_step(still.view(), test="system") == vent
    n = np.arange(600, 2500)  # nobody lets a hose go for so long: it leads out of there
    still.feed(n / 100.0, 40.0 + np.random.default_rng(2).normal(0.0, 0.1, len(n)))
    assert report.next_step(still.view(), test="system") == (
        f"{vent}. If it stays while the pump's own gauge stands at zero, this gauge is wrong: "
        "check its wires, unit and calibration")


def test_a_zero_that_may_be_pressure_is_waited_for_on_the_pumps_own_gauge() -> None:
    """Begun at 40 kPa and let go to 40 kPa: the number says 0.7, and the hose is not vented."""
    view = replace(VIEW, next_step="vent-again", zero_kpa=40.4, pressure_kpa=0.7)
    said = report.next_step(view, test="system")
    assert said.startswith("the gauge counts from 40.4 kPa, which may be pressure that is on: turn the relief and wait")
    assert "on the pump's own gauge" in said
    assert report.next_step(replace(view, zero_kpa=0.4), test="system") == "wait for zero; do not take anything off yet"
