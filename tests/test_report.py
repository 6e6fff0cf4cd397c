"""The words that people act on."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from recorder import report, rig
from recorder.analysis import Analyser, Setup
from recorder.limits import resolve
from recorder.model import LiveView, Mark

VIEW = LiveView(
    time_s=10.0, pressure_kpa=97.0, phase="pump-up", phase_since_s=2.0, zero_kpa=0.0, strokes=3,
    peak_kpa=97.0, opening_kpa=None, target_low_kpa=103.0, target_high_kpa=110.0, limit_kpa=117.2,
    to_go_kpa=6.0, hold_start_s=None, hold_elapsed_s=0.0, hold_left_s=None, fall_kpa=None,
    fall_u_kpa=None, rate_kpa_per_min=None, rate_u_kpa_per_min=None, early=None,
    fault=None, next_step="pump-gently", finished=False,
)
STEPS = ["wait", "vent", "pump", "pump-gently", "stop-pumping", "over-limit", "hold", "release",
         "vent-again", "done"]


def q(value: float, u: float | None = None, unit: str = "kPa") -> dict[str, Any]:
    return {"value": value, "standard_uncertainty": u, "unit": unit}


def test_pumping_says_how_far_there_is_to_go_in_the_unit_asked_for() -> None:
    assert report.next_step(VIEW, test="system") == "pump gently: 6.0 kPa to go"
    # 6 kPa = 0.870 psi by NIST SP 811 (1 psi = 6.894757 kPa)
    assert report.next_step(VIEW, test="system", unit="psi") == "pump gently: 0.87 psi to go"


def test_a_gauge_far_below_zero_is_said_and_not_waited_for() -> None:
    """No relief brings a reading up to zero: it said to wait for that beside a reading of 0.0."""
    said = report.next_step(replace(VIEW, next_step="vent", zero_kpa=-20.0, pressure_kpa=0.0), test="system")
    assert said.startswith("the gauge reads -20.0 kPa") and "wires" in said
    assert report.next_step(replace(VIEW, next_step="vent", zero_kpa=0.0), test="cap").startswith("open the relief")


def test_over_the_limit_stops_in_capitals_and_names_the_limit() -> None:
    view = replace(VIEW, next_step="over-limit", pressure_kpa=120.0)
    said = report.next_step(view, test="system")
    assert said == "STOP: over the limit. Turn the relief until it is below 117.2 kPa"


def test_a_reading_over_the_limit_that_is_not_to_be_believed_stops_and_says_so() -> None:
    view = replace(VIEW, next_step="over-limit", pressure_kpa=232.1, fault="open")
    assert report.next_step(view, test="system") == (
        "STOP pumping, turn the relief fully. The gauge is not to be believed (open wire): go by the pump's own gauge"
    )
    seen = replace(view, fault="it sits at its upper end")
    assert "(it sits at its upper end)" in report.next_step(seen, test="system")
    assert report.next_step(seen, test="system").endswith("own gauge, then end the test")  # no release will be seen
    assert "until it is below" not in report.next_step(seen, test="system")
    assert report.brief(view) == ("STOP, relieve fully", "STOP, relieve", "STOP")  # by no reading of this gauge


def test_hold_shows_time_left_and_where_to_look() -> None:
    view = replace(VIEW, next_step="hold", hold_left_s=71.2)
    assert report.next_step(view, test="system").startswith("hold: 1:12 left, look under the coolant pump")
    assert "0:09 left" in report.next_step(replace(view, hold_left_s=9.0), test="cap")


def test_a_gauge_that_ends_before_the_test_does() -> None:
    assert report.too_small(70.0, 124.316) == "this gauge reads to 70.0 kPa; this test needs 124.3 kPa"
    # 1 psi = 6.894757 kPa by NIST SP 811
    assert report.too_small(70.0, 124.316, "psi") == "this gauge reads to 10.15 psi; this test needs 18.03 psi"
    assert report.too_small(124.316, 124.316) == report.too_small(None, 124.3) == report.too_small(70.0, None) == ""
    past = replace(VIEW, next_step="over-limit", pressure_kpa=73.0, fault="it reads to 70 kPa only")
    assert "(it reads to 10.2 psi only)" in report.next_step(past, test="system", unit="psi")


def test_a_gauge_that_stood_at_the_end_of_its_range_is_to_be_changed_for_a_larger_one() -> None:
    text = "The reading cannot be trusted: it sits at its upper end (range exceeded or short circuit?)."
    found = report.advice({"test": "system", "outcome": "void", "peak": q(78.1, 1.4),
                           "marked": {"value": 16, "unit": "psi"}, "reasons": [{"code": "sensor-fault", "text": text}]})
    assert found[0].startswith("The reading stood at the end of what the gauge can read, 11.3")
    assert "reads further" in found[0] and "wires" in found[0]


@pytest.mark.parametrize("test", ["cap", "system", "tester"])
@pytest.mark.parametrize("step", STEPS)
def test_every_step_has_its_own_sentence(test: Any, step: str) -> None:
    said = {s: report.next_step(replace(VIEW, next_step=s), test=test) for s in STEPS}
    assert len(set(said.values())) == len(STEPS)
    assert "\n" not in said[step]


@pytest.mark.parametrize("test", ["cap", "system"])
def test_cautions_come_at_their_moment(test: Any) -> None:
    before = report.caution("before", test) or ""
    assert "cold" in before and "eye protection" in before
    release = report.caution(replace(VIEW, next_step="release"), test) or ""
    assert "Relieve before removing" in release
    assert "above the limit" in (report.caution("pump", "system") or "")


@pytest.mark.parametrize(
    ("given", "unit", "text"),
    [
        (q(103.2, 0.4), None, "103.2 ± 0.8 kPa"),
        (q(103.27, 0.06), None, "103.27 ± 0.12 kPa"),
        (q(0.5, 0.05, "kPa/min"), None, "0.50 ± 0.10 kPa/min"),
        (q(6.894757, 0.0689, "kPa/min"), "psi", "1.000 ± 0.020 psi/min"),
        (q(103.42, 0.345), "psi", "15.00 ± 0.10 psi"),
        (q(-0.001, 0.05), None, "0.00 ± 0.10 kPa"),
        (q(24.0, None, "mL"), "psi", "24.0 mL"),
        (q(121.0, 0.5, "degC"), "psi", "121.0 ± 1.0 °C"),
        (None, None, "not seen"),
    ],
)
def test_quantity(given: dict[str, Any] | None, unit: str | None, text: str) -> None:
    assert report.quantity(given, unit) == text


@pytest.mark.parametrize(("error", "text"), [(0.119, "0.83 ± 0.12 kPa"), (0.367, "0.8 ± 0.4 kPa")])
def test_rounding_as_in_the_review_of_particle_physics(error: float, text: str) -> None:
    """Its own two examples (Review of Particle Physics, introduction, section 5.3; from memory)."""
    assert report.quantity(q(0.827, error / 2.0), None) == text


@pytest.mark.parametrize(
    ("text", "unit", "shown"),
    [
        # NIST SP 811: 1 psi = 6.894757 kPa
        ("83.8 ± 1.5 kPa, 99.3 to 121.3 kPa allowed.", "psi", "12.15 ± 0.22 psi, 14.4 to 17.6 psi allowed."),
        ("above 138 kPa", "bar", "above 1.38 bar"),
        ("7 kPa/min allowed", "kPa", "7 kPa/min allowed"),
        ("6.89476 kPa/min allowed", "psi", "1.000 psi/min allowed"),  # given as 1 psi/min; 1.000000 stood there
        ("6.89476 kPa/min allowed", "kPa", "6.89476 kPa/min allowed"),
        ("0.35 kPa/min allowed", "psi", "0.051 psi/min allowed"),
    ],
)
def test_a_text_in_another_unit(text: str, unit: str, shown: str) -> None:
    assert report.in_unit(text, unit) == shown


def cap(**more: Any) -> dict[str, Any]:
    return {
        "judgement-format": 1, "test": "cap", "marked": {"value": 16, "unit": "psi"},
        "outcome": "fail", "reasons": [{"code": "opens-low", "text": "It opens too low."}],
        "opening": q(95.0, 0.4), "peak": q(97.0, 0.4), "strokes": 4, "hold": None, **more,
    }


def test_summary_says_outcome_reason_and_which_pressure_is_judged() -> None:
    lines = report.summary(cap())
    assert lines[0] == "FAIL: cap test, marked 16 psi"
    assert lines[1].strip() == "It opens too low."
    assert "  began to open at 95.0 ± 0.8 kPa (this one is judged)" in lines
    assert "  highest reading 97.0 ± 0.8 kPa" in lines
    lines = report.summary(cap(judged_pressure="peak"))
    assert "  highest reading 97.0 ± 0.8 kPa (this one is judged)" in lines


def test_one_stroke_is_one() -> None:
    assert "  1 pump stroke" in report.summary(cap(strokes=1))
    assert "  4 pump strokes" in report.summary(cap())


@pytest.mark.parametrize(
    ("judgement", "word"),
    [
        (cap(), "Check the marking, wet the cap's seal"),  # one that was typed wrong condemns a good cap
        (cap(outcome="undecided", reasons=[], hold_more_s=38.2), "hold for 0:40,"),
        (cap(outcome="undecided", reasons=[], hold_more_s=107.0, hold={"start_s": 20.4, "end_s": 33.6}),
         "Test again and hold for 2:05 in all, then it can be told."),
        (cap(outcome="undecided", reasons=[], hold_more_s=50.0, phases=[
            {"name": "hold", "start_s": 9, "end_s": 19}, {"name": "release", "start_s": 19, "end_s": 99}]),
         "hold for 1:00 in all"),
        (cap(test="system", reasons=[{"code": "fall-too-fast", "text": ""}]), "inside the engine"),
        (cap(test="system", reasons=[{"code": "too-much-air", "text": ""}]), "Fill it up"),
        (cap(notes=[{"code": "warming", "text": ""}]), "warming"),
        (cap(test="system", notes=[{"code": "rhythmic", "text": ""}]), "combustion gas"),
        (cap(notes=[{"code": "rhythmic", "text": ""}]), "keep pump, hose and bench still"),
        (cap(reasons=[{"code": "zero-shift", "text": ""}]), "zero moved"),
        (cap(reasons=[{"code": "tester-leaks", "text": ""}]), "tester itself leaks"),
    ],
)
def test_advice(judgement: dict[str, Any], word: str) -> None:
    assert any(word in line for line in report.advice(judgement))


@pytest.mark.parametrize(
    ("outcome", "codes", "said"),
    [
        ("fail", ["no-opening", "no-detectable-fall"], ["The cap never opened", "What a stuck cap was on"]),
        ("undecided", ["no-opening", "no-detectable-fall"], ["Pump further, slowly"]),
        ("fail", ["no-opening", "fall-too-fast"], ["See that the cap was on", "Wet the cap's seal"]),
    ],
    ids=["stuck", "not-far-enough", "never-built"],
)
def test_a_cap_that_was_not_seen_to_open(outcome: str, codes: list[str], said: list[str]) -> None:
    found = report.advice(cap(outcome=outcome, opening=None, reasons=[{"code": c, "text": ""} for c in codes]))
    assert len(found) == len(said) and all(f.startswith(s) for f, s in zip(found, said, strict=True))


def test_where_the_gauge_itself_is_in_doubt_pumping_further_is_not_all() -> None:
    shut = cap(outcome="undecided", opening=None, reasons=[{"code": "no-opening", "text": ""}],
               notes=[{"code": "not-calibrated", "text": ""}])
    further, gauge = report.advice(shut)
    assert further.startswith("Pump further") and "calibrate it" in gauge


@pytest.mark.parametrize("code", ["warming", "rhythmic", "below-target"])
def test_a_longer_hold_is_not_asked_for_where_it_would_not_help(code: str) -> None:
    given = {"notes": [{"code": code, "text": ""}], "reasons": [{"code": "hold-too-short", "text": ""}]}
    if code == "below-target":
        given = {"reasons": [{"code": code, "text": ""}]}
    found = report.advice(cap(test="system", outcome="undecided", hold_more_s=120.0, **given))
    assert found and not any("hold for" in line for line in found)


def test_a_mark_without_a_place_is_told_by_its_time() -> None:
    found = report.found([Mark(12.4, "seen"), Mark(20.0, "heater")])
    assert found == ["the place seen at 12 s", "heater"]
    said = report.advice({"test": "system", "outcome": "fail", "reasons": [{"code": "fall-too-fast"}]}, found)
    assert "wet was marked at: the place seen at 12 s, heater" in said[0]


def test_a_reason_says_a_number_as_the_numbers_do() -> None:
    opening = {"value": 81.34, "standard_uncertainty": 0.38, "unit": "kPa"}
    judgement = {"test": "cap", "outcome": "fail", "opening": opening,
                 "reasons": [{"code": "opens-low", "text": f"It opens too low: {report.quantity(opening)}."}]}
    assert report.reasons(judgement, "psi") == [f"It opens too low: {report.quantity(opening, 'psi')}."]


@pytest.mark.parametrize(
    ("change", "word", "not_word"),
    [({"fault": "hose-off", "fault_s": 20.0}, "hose stayed on", "missing"),
     ({"late_s": 45.0}, "Start the recording first", "missing"),
     ({"pulse_kpa": 1.5, "pulse_hz": 4.0}, "combustion gas", "missing")],
    ids=["hose-off", "begun-late", "idling"],
)
def test_a_trace_that_is_whole_is_not_called_broken_off(change: dict[str, Any], word: str, not_word: str) -> None:
    late_s = change.get("late_s", 0.0)  # begun so late, and ended before the release
    scene = replace(rig.demo()[3].scene, hold_s=65.0, **{k: v for k, v in change.items() if k != "late_s"})
    trace = rig.simulate(scene)
    analyser = Analyser(Setup("system", rig.demo()[3].marked, resolve("system"), trace.calibration))
    kept = ~trace.lost & (trace.time_s >= late_s)
    if late_s:
        kept &= trace.time_s < trace.truth.hold_end_s - 1.0
    analyser.feed(trace.adapter_time_s[kept], trace.reading_kpa[kept])
    judgement = analyser.judgement().to_json()
    assert judgement["outcome"] in ("undecided", "void") and "trace-broken" in [r["code"] for r in judgement["reasons"]]
    said = " ".join(report.advice(judgement))
    assert word in said and not_word not in said


def test_a_cap_on_a_leaking_tester_is_not_called_leaking_early_either() -> None:
    scene = replace(rig.demo()[0].scene, leaks=(rig.Leak(14.0, 110.0, "gas"),))
    trace = rig.simulate(scene)
    kept = ~trace.lost
    said = []
    for tester in (None, {"rate": {"value": 13.0, "unit": "kPa/min", "standard_uncertainty": 0.3}}):
        analyser = Analyser(Setup("cap", rig.demo()[0].marked, resolve("cap"), trace.calibration, tester))
        analyser.feed(trace.adapter_time_s[kept], trace.reading_kpa[kept])
        judgement = analyser.judgement().to_json()
        said.append((judgement.get("early") or {}).get("answer"))
    assert said == ["leak", "tight"] and judgement["outcome"] == "pass"


def test_nothing_left_to_do_after_a_pass() -> None:
    passed = cap(outcome="pass", reasons=[{"code": "opens-in-band", "text": "ok"}])
    assert report.advice(passed) == []


def test_a_cap_judged_by_its_peak_is_said_to_be() -> None:
    """The whole way from a trace: what is compared, with which uncertainty, and what the lines say of it."""
    part = rig.demo()[0]
    trace = rig.simulate(replace(part.scene, hold_s=15.0))
    kept = ~trace.lost
    said = {}
    for judged in ("opening", "peak"):
        procedure = resolve("cap", {"judged_pressure": judged, "hold": "12 s"})
        analyser = Analyser(Setup("cap", part.marked, procedure, trace.calibration))
        analyser.feed(trace.adapter_time_s[kept], trace.reading_kpa[kept])
        judgement = analyser.judgement().to_json()
        value, u = (judgement[judged][key] for key in ("value", "standard_uncertainty"))
        assert judgement["reasons"][0]["text"].startswith(f"It opens where it should: {value:.1f} ± {2 * u:.1f} kPa")
        [said[judged]] = [line for line in report.summary(judgement) if "this one is judged" in line]
    assert said["opening"].startswith("  began to open at ") and said["peak"].startswith("  highest reading ")


def test_what_was_over_the_limit_is_said_first_whatever_the_outcome() -> None:
    found: dict[str, Any] = {"test": "system", "outcome": "pass", "marked": {"value": 16, "unit": "psi"}, "reasons": [
        {"code": "no-detectable-fall", "text": "No fall."},
        {"code": "over-limit", "text": "It was pumped to 145 kPa."},
    ]}
    assert report.summary(found)[:3] == [
        "PASS: system test, marked 16 psi",
        "  but it was OVER THE LIMIT: look hoses, radiator and tank over",
        "  It was pumped to 145 kPa.",
    ]
    assert report.advice(found) == [
        "The pressure went over the limit: look over hoses, radiator and tank for damage."
    ]
    text = "It may have been pumped above the limit: 131 ± 16 kPa, never above 124 kPa."
    perhaps = {**found, "reasons": found["reasons"][:1], "notes": [{"code": "near-the-limit", "text": text}]}
    assert report.summary(perhaps)[1] == "  but it may have been OVER THE LIMIT: look hoses, radiator and tank over"
    assert any("may have gone over the limit" in line for line in report.advice(perhaps))
    assert report.warning({**found, "outcome": "fail"}).startswith("it was OVER THE LIMIT")
    assert report.warning({**found, "reasons": found["reasons"][:1]}) == ""  # type: ignore[index]


@pytest.mark.parametrize(("outcome", "code", "early", "said"), [
    ("pass", "no-detectable-fall", "tight", "that it holds (no fall that matters) was certain 29 s into the trace"),
    ("fail", "opens-low", "tight", "that it holds (no fall that matters) was certain 29 s into the trace"),
    ("fail", "fall-too-fast", "leak", "that it leaks was certain 29 s into the trace"),
    ("fail", "fall-too-fast", "tight", None),
    ("pass", "no-detectable-fall", "leak", None),
    ("void", "sensor-fault", "tight", None),
    ("undecided", "too-much-air", "tight", None),
])
def test_when_it_was_certain_never_contradicts_the_outcome(outcome: str, code: str, early: str,
                                                           said: str | None) -> None:
    lines = report.summary({"outcome": outcome, "test": "cap", "reasons": [{"code": code, "text": "why"}],
                            "early": {"answer": early, "time_s": 28.7}})
    assert [line.strip() for line in lines if "certain" in line] == ([said] if said else [])


def test_what_comes_back_is_not_called_a_negative_settling() -> None:
    amplitude = {"value": -0.27, "standard_uncertainty": 0.07, "unit": "kPa"}
    settling = {"amplitude": amplitude, "time_constant_s": {"value": 58.0, "standard_uncertainty": 7.0, "unit": "s"}}
    hold = {"start_s": 0.0, "end_s": 130.0, "settling": settling}
    text = "\n".join(report.summary({"test": "system", "outcome": "fail", "reasons": [], "hold": hold}))
    assert "coming back by 0.27 ± 0.14 kPa with a time constant of 58 ± 14 s" in text and "-0.27" not in text


def test_notes_are_in_the_unit_that_is_shown() -> None:
    """1 psi = 6.894757 kPa by NIST SP 811."""
    judgement = {"test": "system", "outcome": "pass", "marked": {"value": 15, "unit": "psi"}, "reasons": [],
                 "peak": q(120.13, 4.142), "notes": [{"code": "near-the-limit", "text":
                 "It may have been pumped above the limit: 120 ± 8 kPa, never above 117 kPa."}]}
    assert report.summary(judgement)[-1] == \
        "  note: It may have been pumped above the limit: 120 ± 8 kPa, never above 117 kPa."
    shown = report.summary(judgement, "psi")[-1]
    assert shown == "  note: It may have been pumped above the limit: 17.4 ± 1.2 psi, never above 17.0 psi."
    assert any("highest reading 17.4 ± 1.2 psi" in line for line in report.summary(judgement, "psi"))
