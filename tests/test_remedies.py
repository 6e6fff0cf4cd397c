"""What is advised fits the outcome: every code of docs/judgement.md with every outcome that it can stand beside."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from recorder import report, rig
from recorder.analysis import Analyser, Setup
from recorder.limits import resolve
from tests.test_report import q

DOCS = Path(__file__).parents[1] / "docs" / "judgement.md"
TABLE = DOCS.read_text(encoding="utf-8").partition("## Reason codes")[2].partition("\n## ")[0]
CODES = [code for line in TABLE.splitlines() if line.startswith("| `")
         for code in re.findall(r"`([a-z-]+)`", line.split("|")[1])]
OUTCOMES = ("pass", "fail", "undecided", "void")
TESTS = ("cap", "system", "tester")

# What each outcome leaves open, or has settled: such words contradict it. Nothing is condemned, for instance, by what
# could not be told.
CONTRADICTS = {
    "pass": r"replace the cap|replace it|It leaks\.|stuck|then it can be told|hold for|so close",
    "fail": r"then it can be told|hold for|hold for the whole time|so close|small fall can hide",
    "undecided": r"replace the cap|replace it|It leaks\.|stuck|strains hoses|nothing is wet",
    "void": r"replace the cap|replace it|It leaks\.|stuck|then it can be told|so close",
}
# Only with these outcomes does the analysis give these codes.
STANDS = {
    "opens-in-band": {"pass", "fail", "undecided"}, "opens-low": {"fail", "undecided"},
    "opens-high": {"fail", "undecided"}, "no-opening": {"fail", "undecided"},
    "hold-too-short": {"fail", "undecided", "void"},
    "fall-too-fast": {"fail", "undecided"}, "below-target": {"fail", "undecided"}, "sensor-fault": {"void"},
    "never-pumped": {"void"}, "trace-broken": {"undecided", "void"},
}
CAP = ("opens-in-band", "opens-low", "opens-high", "no-opening", "tester-leaks")
ONLY = {**dict.fromkeys(CAP, ("cap",)), "too-much-air": ("system",), "over-limit": ("system", "tester"),
        "below-target": ("system", "tester")}
CASES = [(code, outcome, test) for code in CODES for outcome in OUTCOMES for test in TESTS
         if outcome in STANDS.get(code, OUTCOMES) and test in ONLY.get(code, TESTS)]


def advised(test: str, outcome: str, *codes: str, notes: tuple[str, ...] = (), **more: Any) -> str:
    return " ".join(report.advice({
        "test": test, "outcome": outcome, "marked": {"value": 16, "unit": "psi"}, "peak": q(110.0, 0.4),
        "reasons": [{"code": code, "text": ""} for code in codes], "notes": [{"code": note} for note in notes], **more,
    }))


def test_the_codes_are_all_of_them() -> None:
    assert len(CODES) == 16 and {"opens-high", "tester-leaks", "hold-too-short"} <= set(CODES)


@pytest.mark.parametrize(("codes", "end_kpa", "asked"), [
    (("fall-too-fast", "over-limit"), 1.0, True), (("fall-too-fast", "over-limit"), 60.0, False),
    (("fall-too-fast",), 1.0, False),
])
def test_who_lets_it_down_from_over_the_limit_has_no_leak(codes: tuple[str, ...], end_kpa: float, asked: bool) -> None:
    said = advised("system", "fail", *codes, hold={"start": q(145.0, 0.3), "end": q(end_kpa, 0.3)})
    assert ("If it was you who let the pressure down" in said) == asked
    assert "It leaks." in said


@pytest.mark.parametrize(("code", "outcome", "test"), CASES)
def test_no_advice_contradicts_the_outcome(code: str, outcome: str, test: str) -> None:
    said = advised(test, outcome, code, hold_more_s=60.0 if outcome == "undecided" else None)
    assert not re.search(CONTRADICTS[outcome], said), said
    if outcome == "undecided":
        assert "again" in said or "Pump further" in said, said
    if test != "system":  # a cap on the tester, or the tester alone, hangs at no engine
        assert not re.search(r"look over hoses, radiator|engine|coolant pump", said), said


@pytest.mark.parametrize("code", CODES)
def test_every_reason_against_a_part_has_its_advice(code: str) -> None:
    """Those that say that all is well alone have none."""
    outcome = next(one for one in ("fail", "void", "pass") if one in STANDS.get(code, OUTCOMES))
    said = advised(ONLY.get(code, ("system",))[0], outcome, code)
    if code in ("opens-in-band", "no-detectable-fall", "fall-within-allowance", "hold-too-short"):
        assert said == ""  # a failure is not taken back by a hold that was short as well
    else:
        assert said


@pytest.mark.parametrize("code", ["opens-low", "opens-high"])
def test_an_opening_too_close_to_the_limit_is_tried_again_and_not_condemned(code: str) -> None:
    said = advised("cap", "undecided", code, "no-detectable-fall")
    assert said == ("Pump slowly and test again; if it opens so close to the limit again, use a gauge that is "
                    "calibrated better.")
    said = advised("cap", "undecided", code, "no-detectable-fall", notes=("not-calibrated",))
    assert "calibrate this gauge, or use one that is" in said
    short = advised("cap", "undecided", code, "hold-too-short", hold_more_s=20.0)
    assert "hold for 0:20." in short and "can be told" not in short  # where it opens no hold tells
    moved = advised("cap", "undecided", code, "zero-shift")  # it may be clear of the limit, had zero not moved
    assert "zero moved" in moved and "close to the limit" not in moved


def test_a_cap_that_leaks_is_not_condemned_by_an_opening_that_could_not_be_told() -> None:
    """The codes of a clear and of an unclear opening are the same; the fall alone makes it fail."""
    high, low = (advised("cap", "fail", code, "fall-too-fast") for code in ("opens-high", "opens-low"))
    assert "if it still falls, replace the cap" in high and "if it still opens high, replace the cap" in high
    assert low == "Wet the cap's seal with coolant, seat it again and repeat; if it still falls, replace the cap."


def test_what_is_proven_is_mended_before_the_test_is_made_again() -> None:
    for code in ("below-target", "too-much-air"):
        said = advised("system", "fail", "fall-too-fast", code)
        assert said.startswith("It leaks.") and "mended" in said


def test_in_too_much_air_a_longer_hold_alone_is_not_said_to_tell() -> None:
    said = advised("system", "undecided", "hold-too-short", "too-much-air", hold_more_s=60.0)
    assert "Too much air" in said and "hold for 1:00." in said and "can be told" not in said


def test_no_marking_is_asked_for_where_the_band_was_given() -> None:
    """A named procedure has limits of its own, and the cap was judged by them."""
    assert "--marked" not in advised("cap", "pass", "opens-in-band", "no-detectable-fall", notes=("no-marking",))
    assert "--marked" in advised("cap", "undecided", "no-detectable-fall", notes=("no-marking",))
    assert "--marked" in advised("system", "pass", "no-detectable-fall", notes=("no-marking",))


def test_what_warmed_up_on_the_bench_was_no_coolant() -> None:
    assert "coolant was warming" in advised("system", "undecided", "hold-too-short", notes=("warming",))
    for test in ("cap", "tester"):
        said = advised(test, "undecided", "hold-too-short", notes=("warming",))
        assert "warming" in said and "coolant" not in said


def test_a_tester_pumped_over_its_limit_has_no_radiator() -> None:
    judgement = {"test": "tester", "outcome": "pass", "reasons": [{"code": "over-limit", "text": ""}]}
    [said] = report.advice(judgement)
    assert report.is_safety(said) and "tester" in said
    assert "radiator" not in report.warning(judgement) and "OVER THE LIMIT" in report.warning(judgement)


def test_a_gauge_that_ends_too_soon_is_known_as_the_analysis_words_it() -> None:
    """The whole way from a trace: the advice goes by words of the reason, which has no code of its own."""
    scene = rig.demo()[3].scene
    small = replace(scene, fault="pinned", sensor=replace(scene.sensor, full_scale_kpa=75.0))
    trace = rig.simulate(small)
    analyser = Analyser(Setup("system", rig.demo()[3].marked, resolve("system"), trace.calibration))
    analyser.feed(trace.adapter_time_s[~trace.lost], trace.reading_kpa[~trace.lost])
    judgement = analyser.judgement().to_json()
    assert report.codes(judgement) == ["sensor-fault"]
    assert report.advice(judgement)[0].startswith("The reading stood at the end of what the gauge can read")


@pytest.mark.parametrize("test", TESTS)
def test_after_a_pass_the_last_step_is_to_see_zero_and_take_it_off(test: str) -> None:
    """As docs/procedure.md has it: zero before anything is taken off. What was seen is not called nothing to mend."""
    plain = report.put_away({"test": test, "outcome": "pass"}, [report.NONE_VISIBLE])
    assert plain.startswith("Nothing to mend. See that the gauge stands at zero, then take ")
    assert plain.index("zero") < plain.index("take ")
    assert not report.put_away({"test": test, "outcome": "pass"}, ["cap's seal"]).startswith("Nothing")
    assert all(report.put_away({"test": test, "outcome": other}) == "" for other in OUTCOMES if other != "pass")


def test_a_hose_that_came_off_is_looked_at_before_anything_is_pumped() -> None:
    shut = {"test": "cap", "outcome": "undecided", "reasons": [{"code": "no-opening", "text": ""}],
            "notes": [{"code": "hose-off", "text": ""}]}
    first, *more = report.advice(shut)
    assert "check that the hose stayed on" in first and first not in more and any("Pump further" in a for a in more)


def test_a_tester_without_a_cap_condemns_none() -> None:
    """A hose that ends in the open and a cap that never seals read the same."""
    said = advised("cap", "fail", "no-opening", "fall-too-fast")
    assert said.startswith("See that the cap was on the tester, the hose joined and the relief shut; if one was not, "
                           "test again. Wet the cap's seal")
    assert "the cap was on" not in advised("cap", "fail", "fall-too-fast") + advised("cap", "fail", "no-opening")


@pytest.mark.parametrize(("peak_kpa", "u", "up"), [(60.0, 4.1, True), (109.0, 0.2, True), (109.0, 4.1, False),
                                                   (119.0, 0.2, False)])
def test_who_did_not_pump_up_to_the_marking_is_told_to_and_not_only_to_hold(peak_kpa: float, u: float, up: bool
                                                                            ) -> None:
    said = advised("system", "undecided", "hold-too-short", peak=q(peak_kpa, u), hold_more_s=120.0)
    assert said == f"Test again{', pump up to the target' if up else ''} and hold for 2:00, then it can be told."
    assert "target" not in advised("cap", "undecided", "hold-too-short", peak=q(peak_kpa, u), hold_more_s=45.0)
