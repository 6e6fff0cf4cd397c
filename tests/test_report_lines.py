"""The lines of a judgement, each from the number that it tells, and each left out where there is none."""

from __future__ import annotations

from typing import Any

import pytest

from recorder import report
from tests.test_report import cap, q

HOLD = {
    "start_s": 20.0, "end_s": 80.4, "start": q(101.0, 0.2), "end": q(98.0, 0.2), "drop": q(3.0, 0.3),
    "rate": q(2.5, 0.3, "kPa/min"), "smallest_detectable_rate": q(0.6, None, "kPa/min"),
    "settling": {"amplitude": q(0.9, 0.2), "time_constant_s": q(12.0, 2.0, "s")},
}


def lines(**more: Any) -> list[str]:
    return [line.strip() for line in report.summary(cap(**more))]


def test_the_hold() -> None:
    got = lines(hold=HOLD, zero=q(0.1, 0.1))
    assert "held 1:00 from 101.0 ± 0.4 kPa to 98.0 ± 0.4 kPa, a drop of 3.0 ± 0.6 kPa" in got
    assert ("steady fall 2.5 ± 0.6 kPa/min (settling taken out); smallest that this trace could show 0.60 kPa/min"
            in got)
    assert "settling 0.9 ± 0.4 kPa with a time constant of 12 ± 4 s" in got
    assert not any("as read" in line for line in got)
    assert any("as read (where zero is, is not known), a drop" in line for line in lines(hold=HOLD, zero=None))
    assert not any(line.startswith("settling") for line in lines(hold={**HOLD, "settling": None}))
    assert not any("held" in line for line in lines(hold=None))


def test_a_hold_that_rose_is_not_said_to_fall() -> None:
    """Beyond two standard uncertainties."""
    rose = {**HOLD, "drop": q(-3.0, 0.3), "rate": q(-2.5, 0.3, "kPa/min"),
            "settling": {**HOLD["settling"], "amplitude": q(-0.9, 0.2)}}  # type: ignore[dict-item]
    got = lines(hold=rose)
    assert any("a rise of 3.0 ± 0.6 kPa" in line for line in got)
    assert "steady rise 2.5 ± 0.6 kPa/min (settling taken out)" in got
    assert "coming back by 0.9 ± 0.4 kPa with a time constant of 12 ± 4 s" in got
    got = lines(hold={**rose, "drop": q(-0.5, 0.3), "rate": q(-0.5, 0.3, "kPa/min")})
    assert any("a drop of -0.5 ± 0.6 kPa" in line for line in got) and any("steady fall -0.5" in line for line in got)


@pytest.mark.parametrize(("more", "line"), [
    ({"reseat": q(88.0, 0.4)}, "closed again at 88.0 ± 0.8 kPa"),
    ({"headspace": q(800.0, 40.0, "mL")}, "gas space as the pump sees it 800 ± 80 mL"),
    ({"zero_shift": q(0.4, 0.1)}, "zero moved by 0.40 ± 0.20 kPa"),
    ({"opening": None}, "no opening was seen"),
])
def test_what_was_found_is_told_and_nothing_else(more: dict[str, Any], line: str) -> None:
    assert line in lines(**more)
    assert line not in lines()


@pytest.mark.parametrize(("code", "flow", "line"), [
    ("fall-too-fast", 12.0, "that is a leak of 12 ± 4 mL/min"),
    ("fall-within-allowance", 4.5, "that is a leak of 4 ± 4 mL/min"),
    ("no-detectable-fall", 3.0, "no leak can be seen: 3 ± 4 mL/min"),
    # a hold without an answer has seen neither
    ("hold-too-short", 3.0, "its steady fall would be a leak of 3 ± 4 mL/min"),
    ("hold-too-short", 12.0, "its steady fall would be a leak of 12 ± 4 mL/min"),
])
def test_a_flow_is_a_leak_or_none_as_the_hold_was_judged(code: str, flow: float, line: str) -> None:
    got = lines(leak_flow=q(flow, 2.0, "mL/min"), reasons=[{"code": code, "text": "As it was."}])
    assert [one for one in got if "mL/min" in one] == [line]


def test_what_the_tester_loses_is_said_where_it_was_taken_out() -> None:
    """A reason of a cap has the rest alone: 2.5 less 0.4 kPa/min; of a system nothing is taken out."""
    own = q(0.4, 0.05, "kPa/min")
    line = "of it the tester's own, from its last check: 0.40 ± 0.10 kPa/min; taken out before it is judged"
    got = lines(hold=HOLD, tester_rate=own)
    assert got.index(line) == next(i for i, one in enumerate(got) if one.startswith("steady fall")) + 1
    assert line not in lines(hold=HOLD, tester_rate=own, test="system") and line not in lines(hold=HOLD)


def test_an_opening_is_a_caps_alone() -> None:
    for more in ({"test": "system"}, {"outcome": "void"}):
        got = lines(opening=None, **more)
        assert not any("opening" in line for line in got)
    got = lines(test="system", reseat=q(88.0, 0.4), judged_pressure="peak")
    assert not any("closed again" in line or "began to open" in line or "is judged" in line for line in got)
    assert not any("highest" in line for line in lines(peak=None))
    assert not any("closed again" in line for line in lines(reseat=None))


def test_a_reason_says_the_holds_numbers_as_its_line_does() -> None:
    """2.5 ± 0.6 kPa/min are 0.363 ± 0.087 psi/min (NIST SP 811), with as many digits as the uncertainty allows."""
    judgement = cap(hold=HOLD, reasons=[{"code": "fall-too-fast", "text": "It falls too fast: 2.5 ± 0.6 kPa/min."}])
    assert report.reasons(judgement, "psi") == ["It falls too fast: 0.36 ± 0.09 psi/min."]
    assert report.reasons(judgement) == ["It falls too fast: 2.5 ± 0.6 kPa/min."]
    assert any("steady fall 0.36 ± 0.09 psi/min" in line for line in report.summary(judgement, "psi"))


def test_what_a_cap_protects() -> None:
    """Boiling points as far as they are known."""
    boils = {"boiling_point": q(120.5, 0.05, "degC")}
    first = "at the pressure this cap holds, water boils at 120.50 ± 0.10 °C"
    assert first in lines(protects=boils)
    marked = {**boils, "at_marking": q(121.0, None, "degC")}
    assert f"{first} (at its marking 121.0 °C)" in lines(protects=marked)
    both = {**marked, "glycol_50_estimate": q(129.0, None, "degC")}
    assert f"{first} (at its marking 121.0 °C); half glycol, estimated, at 129.0 °C" in lines(protects=both)
    assert not any("boils" in line for line in lines(protects={"at_marking": q(121.0, None, "degC")}))


@pytest.mark.parametrize(("value", "text"), [
    (0.0, "0.00 kPa"), (0.2, "0.20 kPa"), (0.099, "0.099 kPa"), (0.0123, "0.012 kPa"), (1.0, "1.0 kPa"),
    (-0.05, "-0.050 kPa"), (1e-9, "0.000000 kPa"),
])
def test_a_number_of_which_no_doubt_is_known_has_two_digits(value: float, text: str) -> None:
    assert report.quantity(q(value)) == text


def test_a_judgement_that_somebody_has_written_is_read_as_far_as_it_goes() -> None:
    got = lines(notes=["odd", {"code": "gaps"}], reasons=["odd", {"code": "opens-low"}])
    assert "opens-low" in got and "note: gaps" in got and not any("odd" in line for line in got)


@pytest.mark.parametrize(("marked", "highest"), [
    ({"value": 16, "unit": "psi"}, "11.3 psi"), ({"value": 1.1, "unit": "kg"}, "78.1 kPa"), (None, "78.1 kPa"),
])
def test_where_a_gauge_ended_is_said_in_the_markings_unit(marked: dict[str, Any] | None, highest: str) -> None:
    [said] = report.advice(cap(test="system", outcome="void", peak=q(78.1, 1.4), marked=marked,
                               reasons=[{"code": "sensor-fault", "text": "it sits at its upper end"}]))
    assert f"what the gauge can read, {highest}: take one" in said


@pytest.mark.parametrize(("judgement", "found", "says", "silent_on"), [
    ({"test": "tester", "reasons": [{"code": "fall-too-fast"}]}, [], "soapy water on its joints", "coolant pump"),
    ({"test": "system", "reasons": [{"code": "fall-too-fast"}]}, [], "under the coolant pump", "behind the heater"),
    ({"test": "system", "reasons": [{"code": "fall-too-fast"}]}, [report.NONE_VISIBLE], "behind the heater",
     "coolant pump"),
    ({"test": "system", "reasons": [{"code": "fall-too-fast"}]}, ["radiator", "radiator", report.NONE_VISIBLE],
     "wet was marked at: radiator. Follow", "behind the heater"),
    ({"test": "system", "outcome": "pass", "reasons": []}, ["heater"], "Marked: heater. Dry it", "It leaks"),
    ({"reasons": [{"code": "sensor-fault", "text": "it sits at its lower end"}]}, [], "no usable reading", "further"),
    ({"reasons": [{"code": "sensor-fault", "text": "upper end"}], "peak": None}, [], "no usable reading", "further"),
    ({"reasons": [{"code": "trace-broken"}]}, [], "Too much of the trace is missing", "hose"),
    ({"outcome": "undecided", "reasons": []}, [], "Test again, with a longer hold.", "seal"),
    ({"outcome": "undecided", "reasons": [{"code": "hold-too-short"}]}, [], "hold for the whole time", "seal"),
    ({"outcome": "undecided", "reasons": [], "hold_more_s": 119.0}, [], "hold for 2:00, then", "longer"),
    ({"outcome": "undecided", "reasons": [], "hold_more_s": 121.0}, [], "hold for 2:05, then", "in all"),
])
def test_what_to_do_next(judgement: dict[str, Any], found: list[str], says: str, silent_on: str) -> None:
    got = " ".join(report.advice(cap(**judgement), found))
    assert says in got and silent_on not in got
