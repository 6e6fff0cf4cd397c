"""Findings against limits: section 5 of the contracts, row by row. "pass, fail and undecided compare value +- 2
standard uncertainties with the limit: clear of it on the good side, clear of it on the bad side, or not clear." """

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from recorder.analysis.setup import Setup
from recorder.analysis.verdict import Findings, decide
from recorder.limits import resolve
from recorder.model import Marking, Quantity, TestKind
from tests.analysis.judging import judged

MARKED = Marking(100.0, "kPa", 100.0)  # cap: opens within 90 to 110 kPa; system: target 107 to 114 kPa


def kpa(value: float, u: float | None = 1.0) -> Quantity:
    return Quantity(value, u, "kPa")


def rate(value: float, u: float | None) -> Quantity:
    return Quantity(value, u, "kPa/min")


def said(test: TestKind, *, marked: Marking | None = MARKED, limits: dict[str, Any] | None = None,
         what: str = "code", tester_rate: Quantity | None = None, **more: Any) -> Any:
    """Outcome, codes (or ``what``) of the reasons, further hold (s) of a good test that ``more`` is another in."""
    hold_s, tight = (45.0, rate(0.0, 1.0)) if test == "cap" else (120.0, rate(0.0, 0.05))
    good: dict[str, Any] = {
        "fault": None, "broken": None, "strokes": 12, "peak": kpa(111.0), "opening": None, "hold_s": hold_s,
        "rate": tight, "start_kpa": 109.0, "zero_shift": kpa(0.0, 0.1),
    }
    if test == "cap":
        good |= {"peak": kpa(101.0), "opening": kpa(100.0), "judged": kpa(100.0), "start_kpa": 97.0}
    tester = {"rate": tester_rate.to_json()} if tester_rate is not None else None
    setup = Setup(test, marked, resolve(test, limits or {}), tester=tester)
    outcome, reasons, longer = decide(setup, Findings(**good | more))
    return outcome, [getattr(reason, what) for reason in reasons], longer


def test_a_good_one_passes() -> None:
    assert said("cap") == ("pass", ["opens-in-band", "no-detectable-fall"], None)
    assert said("system") == ("pass", ["no-detectable-fall"], None)


@pytest.mark.parametrize(("opens", "u", "outcome", "code"), [
    (92.0, 1.0, "pass", "opens-in-band"), (91.9, 1.0, "undecided", "opens-low"),
    (88.1, 1.0, "undecided", "opens-low"), (87.9, 1.0, "fail", "opens-low"),
    (108.0, 1.0, "pass", "opens-in-band"), (108.1, 1.0, "undecided", "opens-high"),
    (111.9, 1.0, "undecided", "opens-high"), (112.1, 1.0, "fail", "opens-high"),
    (90.1, None, "pass", "opens-in-band"), (89.9, None, "fail", "opens-low"),
])  # fmt: skip
def test_the_band_of_a_cap(opens: float, u: float | None, outcome: str, code: str) -> None:
    """Marking +- 10 %."""
    got, codes, _ = said("cap", opening=kpa(opens, u), judged=kpa(opens, u))
    assert (got, codes[0]) == (outcome, code)


@pytest.mark.parametrize(("peak", "more", "outcome"), [
    (110.9, {}, "undecided"), (111.1, {}, "fail"),
    (111.6, {"stroke_kpa": 10.0}, "undecided"), (112.1, {"stroke_kpa": 10.0}, "fail"),  # a tenth of one may not show
    (88.9, {}, "undecided"), (88.9, {"rate": rate(20.0, 1.0)}, "fail"), (89.1, {"rate": rate(20.0, 1.0)}, "fail"),
    (80.0, {"never_held": True, "rate": None}, "fail"),
])  # fmt: skip
def test_a_cap_that_did_not_open(peak: float, more: dict[str, Any], outcome: str) -> None:
    """It fails where it was clearly pumped beyond its band, and where it never builds up pressure."""
    got, codes, _ = said("cap", peak=kpa(peak, 0.5), opening=None, judged=None, **more)
    assert (got, codes[0]) == (outcome, "no-opening")
    assert ("fall-too-fast" in codes) == ("rate" in more)


def test_what_a_cap_had_held_before_it_opened_counts() -> None:
    """It sticks: it held 113 kPa, opened there, and the onset is told from what followed."""
    assert said("cap", stood=kpa(111.1, 0.5))[:2] == ("fail", ["opens-high", "no-detectable-fall"])
    assert said("cap", stood=kpa(110.9, 0.5))[0] == "pass"
    assert said("cap", stood=kpa(110.1, None))[0] == "fail"


def test_a_cap_without_marking_or_band_is_undecided() -> None:
    assert said("cap", marked=None)[:2] == ("undecided", ["no-detectable-fall"])
    assert said("cap", marked=None, opening=None, judged=None)[:2] == (
        "undecided", ["no-opening", "no-detectable-fall"])
    assert said("cap", marked=None, limits={"band_low": 90, "band_high": 110})[0] == "pass"


@pytest.mark.parametrize(("test", "value", "u", "outcome", "code"), [
    ("cap", 6.0, 0.5, "pass", "fall-within-allowance"), ("cap", 6.1, 0.5, "undecided", "hold-too-short"),
    ("cap", 7.9, 0.5, "undecided", "hold-too-short"), ("cap", 8.1, 0.5, "fail", "fall-too-fast"),
    ("cap", 1.9, 1.0, "pass", "no-detectable-fall"), ("cap", 2.1, 1.0, "pass", "fall-within-allowance"),
    ("system", 0.15, 0.1, "pass", "no-detectable-fall"), ("system", 0.16, 0.1, "undecided", "hold-too-short"),
    ("system", 0.54, 0.1, "undecided", "hold-too-short"), ("system", 0.56, 0.1, "fail", "fall-too-fast"),
])  # fmt: skip
def test_the_steady_fall(test: TestKind, value: float, u: float, outcome: str, code: str) -> None:
    """7 kPa/min of a cap, 0.35 kPa/min of a system."""
    got, codes, _ = said(test, rate=rate(value, u))
    assert (got, codes[-1]) == (outcome, code)


@pytest.mark.parametrize(("value", "u"), [(0.15, 0.15), (0.25, 0.1), (0.0, 0.3), (0.6, 0.2)])
def test_how_much_longer_to_hold(value: float, u: float) -> None:
    """The uncertainty of a slope goes down with the 3/2 power of its length (docs/physics.md): after so much more two
    of them reach the limit."""
    _, _, more = said("system", rate=rate(value, u))
    assert 2.0 * u * (120.0 / (120.0 + more)) ** 1.5 == pytest.approx(abs(0.35 - value), rel=0.06)


@pytest.mark.parametrize(("value", "more"), [(0.35, 360.0), (0.151, 15.0)])
def test_a_longer_hold_is_neither_endless_nor_a_blink(value: float, more: float) -> None:
    """At the limit itself no hold is long enough: four times the length is the most that is asked for, 15 s the least
    (common practice, no source)."""
    assert said("system", rate=rate(value, 0.1))[2] == more


def test_no_hold_or_one_too_short_asks_for_the_rest() -> None:
    assert said("system", rate=None) == ("undecided", ["hold-too-short"], 120.0)
    assert said("system", rate=rate(0.1, None)) == ("undecided", ["hold-too-short"], 120.0)
    assert said("system", rate=None, start_kpa=None) == ("undecided", ["hold-too-short"], 120.0)
    assert said("system", hold_s=40.0) == ("undecided", ["hold-too-short"], 80.0)
    assert said("system", hold_s=58.0, limits={"hold": "60 s"})[2] == 5.0  # no test is worth two seconds
    assert said("system", hold_s=59.92)[0] == "pass"  # a hold that is seen a reading shorter than it was


def test_what_the_tester_loses_is_taken_out_of_a_caps_fall_alone() -> None:
    lost, tester = rate(10.0, 0.3), rate(8.0, 0.4)
    assert said("cap", rate=lost)[:2] == ("fail", ["opens-in-band", "fall-too-fast"])
    assert said("cap", rate=lost, tester_rate=tester)[:2] == (
        "pass", ["opens-in-band", "tester-leaks", "fall-within-allowance"])
    # 10 - 4 = 6 kPa/min; 0.3 and 0.4 in quadrature are 0.5
    assert said("cap", rate=lost, tester_rate=rate(4.0, 0.4))[0] == "pass"
    assert said("cap", rate=lost, tester_rate=rate(3.9, 0.4))[0] == "undecided"
    assert said("cap", rate=rate(2.0, 0.5), tester_rate=rate(1.0, 0.1))[1] == ["opens-in-band", "no-detectable-fall"]
    assert said("system", rate=rate(1.0, 0.1), tester_rate=rate(1.0, 0.1))[:2] == ("fail", ["fall-too-fast"])


@pytest.mark.parametrize(("more", "code"), [
    ({"fault": "open wire"}, "sensor-fault"), ({"broken": "half is missing"}, "trace-broken"),
    ({"strokes": 0}, "never-pumped"), ({"peak": None}, "never-pumped"), ({"peak": kpa(2.9)}, "never-pumped"),
])  # fmt: skip
@pytest.mark.parametrize("test", ["cap", "system"])
def test_what_was_no_test_is_void(test: TestKind, more: dict[str, Any], code: str) -> None:
    assert said(test, **more) == ("void", [code], None)
    assert said(test, peak=kpa(3.1))[0] != "void"


def test_a_hold_that_rises_hides_what_leaks() -> None:
    assert said("system", rising=True) == ("undecided", ["hold-too-short"], 120.0)
    assert said("system", rising=True, rate=rate(1.0, 0.1))[0] == "fail"


def test_a_fall_that_came_with_as_large_a_rise_proves_nothing() -> None:
    """2 kPa up within 120 s: 1 kPa/min of what falls may be that, 5 kPa/min may not."""
    assert said("system", rate=rate(1.0, 0.1), climbs_kpa=2.0) == ("undecided", ["hold-too-short"], None)
    assert said("system", rate=rate(5.0, 0.1), climbs_kpa=2.0)[0] == "fail"
    assert said("system", rate=rate(0.6, 0.05), climbs_kpa=0.6)[0] == "undecided"
    assert said("system", rate=rate(0.8, 0.05), climbs_kpa=0.8)[0] == "undecided"  # 0.4 +- 0.1 without it
    assert said("system", rate=rate(0.9, 0.05), climbs_kpa=0.8)[0] == "fail"
    assert said("system", rate=rate(0.6, 0.05), climbs_kpa=0.45)[0] == "fail"  # half a kPa may be noise
    assert said("system", climbs_kpa=2.0)[0] == "pass"


def test_what_the_tester_loses_does_not_make_up_for_a_rise() -> None:
    """12.2 - 4 = 8.2 +- 0.5 kPa/min is too fast; 1 kPa up within 45 s are 1.3 kPa/min of it, and 6.9 may be allowed."""
    lost: dict[str, Any] = {"rate": rate(12.2, 0.3), "tester_rate": rate(4.0, 0.4)}
    assert said("cap", **lost)[0] == "fail"
    assert said("cap", **lost, climbs_kpa=1.0)[:2] == ("undecided", ["opens-in-band", "hold-too-short"])


@pytest.mark.parametrize("test", ["cap", "system"])
def test_a_beat_or_a_hose_that_came_off_never_passes(test: TestKind) -> None:
    leaks = rate(20.0, 0.5)
    assert said(test, rhythmic=True)[0] == said(test, lost_at_once=True)[0] == "undecided"
    assert said(test, rhythmic=True, rate=leaks)[0] == said(test, lost_at_once=True, rate=leaks)[0] == "fail"
    assert said(test, lost_at_once=True)[1][-1] == "trace-broken"
    assert said(test, rhythmic=True)[1][-1] == "trace-broken"
    assert "trace-broken" not in said(test, lost_at_once=True, rate=leaks)[1]


def test_a_system_whose_hose_came_off_before_any_hold_is_void() -> None:
    assert said("system", lost_at_once=True, rate=None)[:2] == ("void", ["hold-too-short", "trace-broken"])


def test_the_target_of_a_system() -> None:
    """Marking + 7 kPa, clear of it by 2 u; what settles after the last stroke is no fault of the pumping: 3 kPa where
    what it was pumped to was not seen. It was taken off where it was seen as well, so that 103 kPa passed."""
    low: dict[str, Any] = {"peak": kpa(105.9, 0.5), "reached_kpa": 105.9, "start_kpa": 102.0}
    assert said("system", **low) == ("undecided", ["no-detectable-fall", "below-target"], None)
    assert said("system", **low, rate=rate(1.0, 0.1))[:2] == ("fail", ["fall-too-fast", "below-target"])
    for reached, text in ((105.9, "Pumped to 105.9 kPa; the target begins at 107.0 kPa."),
                          (104.0, "Pumped to 104 kPa; the target begins at 107 kPa."),
                          (0.0, "Held at 102.0 kPa; the target begins at 107.0 kPa.")):
        assert said("system", what="text", **low | {"reached_kpa": reached})[1][1] == text
    assert said("system", **low | {"reached_kpa": 106.1})[0] == "pass"
    assert said("system", **low | {"peak": kpa(112.0, 0.5)})[0] == "undecided"  # reached, and let down before the hold
    assert said("system", **low | {"start_kpa": 103.1})[0] == "undecided"
    assert said("system", **low | {"reached_kpa": 0.0, "start_kpa": 103.1})[0] == "pass"


def test_a_system_that_came_down_below_its_marking_is_pumped_up_again() -> None:
    """What the cap would hold is what a system is tested for (common practice, no source): one whose leak stopped at
    88 kPa passed. What cooling air takes, and what may not be below, does not count."""
    text = "It came down to 88 kPa, below the marking of 100 kPa: pump it up again to its target, and hold."
    assert said("system", what="text", end=kpa(88.0))[1][1] == text
    assert said("system", end=kpa(88.0)) == ("undecided", ["no-detectable-fall", "below-target"], None)
    assert said("system", end=kpa(99.0, 0.4))[0] == "undecided"
    assert said("system", end=kpa(99.0, 0.6))[0] == "pass"
    assert said("system", end=kpa(96.0, 0.4), cooled_kpa=4.0)[0] == "pass"
    assert said("system", end=kpa(88.0), marked=None)[0] == "pass"
    assert said("system", end=kpa(88.0), rate=rate(1.0, 0.1))[:2] == ("fail", ["fall-too-fast"])
    assert said("cap", end=kpa(60.0))[0] == "pass"
    moved: dict[str, Any] = {"zero_shift": kpa(3.0, 0.1), "reached_kpa": 112.0, "hold_s": 1200.0}  # before, perhaps
    assert said("system", end=kpa(102.0, 0.4), **moved)[0] == "undecided"
    assert said("system", end=kpa(104.0, 0.4), **moved)[0] == "pass"


def test_a_system_without_marking_is_held_where_a_cap_may_be_marked() -> None:
    """No target is known, but no radiator cap is made for less than 3 psi, 20.7 kPa (SAE J164's lowest class, from
    memory)."""
    assert said("system", marked=None, peak=kpa(50.0), start_kpa=48.0)[0] == "pass"
    assert said("system", marked=None, peak=kpa(22.0), start_kpa=21.0)[0] == "pass"
    got = said("system", marked=None, peak=kpa(6.0, 0.5), start_kpa=5.2)
    assert got == ("undecided", ["no-detectable-fall", "below-target"], None)


def test_a_hose_that_came_off_before_any_hold_is_no_test_whatever_beats() -> None:
    never_held: dict[str, Any] = {"rate": None, "start_kpa": None, "hold_s": 0.0, "lost_at_once": True}
    assert said("system", **never_held)[0] == said("system", rhythmic=True, **never_held)[0] == "void"


def test_over_the_limit_is_said_whatever_the_outcome() -> None:
    """Marking + 14 kPa."""
    assert said("system", peak=kpa(115.1, 0.5))[:2] == ("pass", ["no-detectable-fall", "over-limit"])
    assert said("system", peak=kpa(114.9, 0.5))[1] == ["no-detectable-fall"]
    assert said("system", peak=kpa(114.1, None))[1] == ["no-detectable-fall", "over-limit"]
    assert said("system", peak=kpa(116.1), rate=rate(1.0, 0.1))[:2] == ("fail", ["fall-too-fast", "over-limit"])
    never_held: dict[str, Any] = {"rate": None, "start_kpa": None, "hold_s": 0.0}
    assert said("system", peak=kpa(116.1), **never_held)[:2] == ("undecided", ["hold-too-short", "over-limit"])
    assert said("system", peak=kpa(113.0), **never_held)[1] == ["hold-too-short"]


def test_a_check_of_the_tester_begins_to_say_something_at_three_quarters_of_its_target() -> None:
    """100 kPa unless set (the table of the procedure's keys)."""
    assert said("tester", marked=None, peak=kpa(73.1), start_kpa=70.0)[0] == "pass"
    assert said("tester", marked=None, peak=kpa(72.9), start_kpa=69.0)[:2] == (
        "undecided", ["no-detectable-fall", "below-target"])
    assert said("tester", marked=None, peak=kpa(72.9), start_kpa=69.0, limits={"tester_target": 90})[0] == "pass"


def test_much_air_makes_the_same_leak_a_smaller_fall() -> None:
    """1500 mL is the most. In 3000 mL a leak that matters falls by 0.175 kPa/min."""
    assert said("system", headspace_ml=1499.0)[1] == ["no-detectable-fall"]
    air = ["no-detectable-fall", "too-much-air"]
    assert said("system", headspace_ml=3000.0, rate=rate(0.07, 0.05)) == ("pass", ["no-detectable-fall", air[1]], None)
    assert said("system", headspace_ml=3000.0, rate=rate(0.08, 0.05)) == ("undecided", air, None)
    assert said("system", headspace_ml=3000.0, rate=rate(1.0, 0.05))[0] == "fail"


@pytest.mark.parametrize(("shift", "u", "told"), [
    (1.6, 0.1, False), (1.8, 0.1, True), (-1.8, 0.1, True), (1.8, None, False),
])  # fmt: skip
@pytest.mark.parametrize("test", ["cap", "system"])
def test_zero_that_moved(test: TestKind, shift: float, u: float | None, told: bool) -> None:
    """By more than 1.5 kPa, clear of its uncertainty. In a hold of 120 s 1.8 kPa are 0.9 kPa/min: upwards it may hide a
    leak, downwards it may be all of what looks like one."""
    outcome, codes, _ = said(test, zero_shift=kpa(shift, u))
    assert (codes[-1] == "zero-shift") == told
    assert outcome == ("undecided" if told and test == "system" and shift > 0 else "pass")
    if test == "system":
        outcome, _, _ = said(test, zero_shift=kpa(shift, u), rate=rate(1.0, 0.05))
        assert outcome == ("undecided" if told and shift < 0 else "fail")


def test_zero_that_moved_before_anything_was_read() -> None:
    """Then all that was read is too high by as much: what opens at 94 kPa may open at 91."""
    assert said("cap", judged=kpa(94.0), opening=kpa(94.0), zero_shift=kpa(3.0, 0.1)) == (
        "undecided", ["opens-in-band", "no-detectable-fall", "zero-shift"], None)
    assert said("cap", judged=kpa(96.0), opening=kpa(96.0), zero_shift=kpa(3.0, 0.1))[0] == "pass"
    assert said("cap", judged=kpa(80.0), opening=kpa(80.0), zero_shift=kpa(3.0, 0.1))[0] == "fail"


def test_a_start_that_may_have_been_below_the_target() -> None:
    """107 kPa is the least. A shift of 3 kPa is 1.5 kPa/min in 120 s, which such a limit allows."""
    low: dict[str, Any] = {"peak": kpa(107.5), "reached_kpa": 107.5, "start_kpa": 104.0, "zero_shift": kpa(3.0, 0.1)}
    assert said("system", **low, limits={"steady_fall_allowed": "7 kPa/min"})[0] == "undecided"
    assert said("system", **low | {"reached_kpa": 109.0}, limits={"steady_fall_allowed": "7 kPa/min"})[0] == "pass"
    assert said("cap", start_kpa=None, zero_shift=kpa(3.0, 0.1))[0] == "pass"


@pytest.mark.parametrize(("shift", "words"), [
    (3.8, "Zero moved by 3.8 kPa"), (-6.0, "Zero moved by -6.0 kPa"), (4.2, "not all was let go"),
])  # fmt: skip
def test_pressure_that_was_left_in_is_told_from_a_zero_that_moved(shift: float, words: str) -> None:
    """A gauge's zero seldom moves by 4 kPa (common practice, no source)."""
    found = Findings(fault=None, broken=None, strokes=9, peak=kpa(111.0), opening=None, hold_s=120.0,
                     rate=rate(0.0, 0.05), start_kpa=109.0, zero_shift=kpa(shift, 0.1))
    _, reasons, _ = decide(Setup("system", MARKED, resolve("system")), found)
    assert words in reasons[-1].text


def test_numbers_are_told_with_two_standard_uncertainties() -> None:
    found = Findings(fault=None, broken=None, strokes=9, peak=kpa(101.0), opening=kpa(88.0), judged=kpa(88.0, 0.4),
                     hold_s=45.0, rate=rate(8.5, 0.25), start_kpa=97.0, zero_shift=None)
    _, reasons, _ = decide(Setup("cap", MARKED, resolve("cap")), found)
    assert [reason.text for reason in reasons] == [
        "It opens too low: 88.0 ± 0.8 kPa, 90.0 to 110.0 kPa allowed.",
        "It falls too fast: 8.5 ± 0.5 kPa/min beyond settling, 7 kPa/min allowed.",
    ]


@pytest.mark.parametrize(("peak", "words"), [(88.9, "never built up pressure"), (89.1, "89 kPa; whether it opened")])
def test_a_leaking_cap_is_said_to_build_up_nothing_only_where_that_is_clear(peak: float, words: str) -> None:
    """Its band begins at 90 kPa; u is 0.5 kPa."""
    found = Findings(fault=None, broken=None, strokes=9, peak=kpa(peak, 0.5), opening=None, hold_s=45.0,
                     rate=rate(20.0, 0.5), start_kpa=80.0, zero_shift=None)
    outcome, reasons, _ = decide(Setup("cap", MARKED, resolve("cap")), found)
    assert outcome == "fail" and words in reasons[0].text


def test_what_was_over_the_limit_and_let_go_at_once_is_told() -> None:
    """The screen says STOP and to turn the relief; whoever does has no hold. Marked 98 kPa, pumped to 130."""
    at, levels = [0.0, 5.0], [0.0, 0.0]
    for stroke in range(13):
        at += [5.3 + stroke, 6.0 + stroke]
        levels += [10.0 * (stroke + 1)] * 2
    at += [18.2, 19.2, 26.0]
    levels += [130.0, 0.0, 0.0]
    t = np.arange(0.0, 26.0, 0.02)
    found = judged("system", t, np.interp(t, at, levels) + np.random.default_rng(1).normal(0.0, 0.05, len(t)))
    assert found.hold is None and found.outcome == "undecided"
    assert [reason.code for reason in found.reasons] == ["hold-too-short", "over-limit"]


def test_no_reason_names_a_pressure_above_what_is_allowed() -> None:
    """13 psi are 89.632 kPa (NIST SP 811): a tenth above them 98.595, and 14 kPa above them 103.632."""
    marked = Marking(13.0, "psi", 13 * 6.894757)

    def texts(test: TestKind, **more: Any) -> str:
        good: dict[str, Any] = {
            "fault": None, "broken": None, "strokes": 9, "peak": kpa(95.0), "opening": None, "hold_s": 120.0,
            "rate": rate(0.0, 0.05), "start_kpa": 94.0, "zero_shift": kpa(0.0, 0.1),
        }
        _, reasons, _ = decide(Setup(test, marked, resolve(test, {})), Findings(**good | more))
        return " ".join(reason.text for reason in reasons)

    assert "It was pumped to 95 kPa and did not open; 80.7 to 98.5 kPa allowed." in texts("cap")
    leaks = texts("cap", rate=rate(60.0, 5.0))
    assert "It was pumped to 95 kPa; whether it opened cannot be told from what it leaks." in leaks
    assert "did not open" not in leaks and "falls too fast" in leaks
    assert "never above 103.6 kPa." in texts("system", peak=kpa(110.0), start_kpa=109.0)
