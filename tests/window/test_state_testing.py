"""What the Testing place shows, without Qt."""

from __future__ import annotations

import dataclasses
import subprocess
import sys
from typing import Any

import pytest

from recorder import report
from recorder.limits import resolve
from recorder.model import LiveView, Mark, Marking, PhaseName
from recorder.window.state.levels import levels_of, lines_of
from recorder.window.state.result import numbers_of, result_screen
from recorder.window.state.testing import PhaseLog, check_setup, live_screen

MARKED = Marking(16.0, "psi", 110.316)  # 16 psi, NIST SP 811
BASE = LiveView(
    time_s=12.0, pressure_kpa=97.31, phase="pump-up", phase_since_s=3.0, zero_kpa=0.02, strokes=5, peak_kpa=97.4,
    opening_kpa=None, target_low_kpa=117.3, target_high_kpa=124.3, limit_kpa=124.3, to_go_kpa=6.1,
    hold_start_s=None, hold_elapsed_s=0.0, hold_left_s=None, fall_kpa=None, fall_u_kpa=None,
    rate_kpa_per_min=None, rate_u_kpa_per_min=None, early=None, fault=None,
    next_step="pump-gently", finished=False,
)
CAP = dataclasses.replace(BASE, target_low_kpa=None, target_high_kpa=None, limit_kpa=None, to_go_kpa=None,
                          next_step="pump")


def test_pumping_screen() -> None:
    screen = live_screen(BASE, test="system", unit="kPa")
    assert screen.reading == "97.3"
    assert screen.sentence == "Pump gently: 6.1 kPa to go"
    assert [r.state for r in screen.rungs] == ["done", "now", "to come", "to come", "to come"]
    assert not screen.alarm
    assert "97.3" not in live_screen(BASE, test="system", unit="psi").reading


def test_what_is_let_go_from_over_the_limit_is_no_vent_before_the_test() -> None:
    """The pointer stood at the last step but one, and fell back to the first while the relief was opened."""
    let_go = dataclasses.replace(BASE, next_step="vent", pressure_kpa=101.0, peak_kpa=126.4)
    assert [r.state for r in live_screen(let_go, test="system", unit="kPa").rungs] == [*["done"] * 4, "now"]
    for before in (dataclasses.replace(let_go, strokes=0, peak_kpa=None),  # begun under pressure
                   dataclasses.replace(let_go, peak_kpa=101.0)):
        assert live_screen(before, test="system", unit="kPa").rungs[0].state == "now"


def test_system_levels_are_the_target_and_the_limit() -> None:
    levels = levels_of("system", MARKED, resolve("system"))
    assert (levels.low_kpa, levels.high_kpa, levels.limit_kpa) == pytest.approx((117.316, 124.316, 124.316))
    assert [(line.label, line.role) for line in lines_of(levels)] == [("target from", "target"), ("LIMIT", "limit")]
    assert [line.most for line in lines_of(levels)] == [False, True]  # the limit's number is rounded down


def test_cap_levels_are_ten_percent_either_side_and_the_limit() -> None:
    levels = levels_of("cap", MARKED, resolve("cap"))
    assert (levels.low_kpa, levels.high_kpa) == pytest.approx((99.284, 121.348), abs=1e-3)  # 110.316 kPa ± 10 %
    labels = [line.label for line in lines_of(levels, opening_kpa=108.0)]
    assert labels == ["opens from", "opens up to", "LIMIT", "opened"]


def test_a_published_band_replaces_the_ten_percent() -> None:
    levels = levels_of("cap", Marking(1.1, "kgf/cm2", 107.87), resolve("cap", {"band_low": "93 kPa",
                                                                               "band_high": "123 kPa"}))
    assert (levels.low_kpa, levels.high_kpa) == (93.0, 123.0)


def test_a_blanked_hose_has_a_target_of_its_own() -> None:
    (line,) = lines_of(levels_of("tester", None, resolve("tester")))
    assert (line.kpa, line.label) == (100.0, "target from")
    assert levels_of("tester", None, resolve("tester", {"tester_target": "80 kPa"})).low_kpa == 80.0


def test_over_limit_is_said_and_flagged() -> None:
    view = dataclasses.replace(BASE, next_step="over-limit", pressure_kpa=130.0)
    screen = live_screen(view, test="system", unit="kPa")
    assert screen.alarm
    assert screen.sentence.startswith("STOP")


HOLD = dataclasses.replace(BASE, next_step="hold", phase="hold", hold_start_s=10.0, hold_elapsed_s=48.0, time_s=58.0,
                           hold_left_s=72.0, fall_kpa=0.62, fall_u_kpa=0.05, rate_kpa_per_min=0.5,
                           rate_u_kpa_per_min=0.1)


def test_hold_screen_gives_fall_and_leak_with_their_uncertainties() -> None:
    screen = live_screen(HOLD, test="system", unit="kPa", procedure=resolve("system"))
    assert "1:12 left" in screen.sentence
    assert screen.hold is not None
    assert screen.hold.fall == "fell 0.62 ± 0.10 kPa in 0:48"
    assert screen.hold.leak == "leak 0.50 ± 0.20 kPa/min, 0.35 allowed"
    assert (screen.hold.start_s, screen.hold.end_s) == (10.0, 130.0)


@pytest.mark.parametrize("unit", ["kPa", "psi", "bar", "kgf/cm2"])
@pytest.mark.parametrize("allowed", [7.0, 0.35, 12.5, 7.25, 125.0, 6.894757])
def test_what_is_allowed_stands_beside_the_hold_as_in_the_judgement(allowed: float, unit: str) -> None:
    """In psi 7 kPa/min were 1 here and 1.0 there; 12.5 kPa/min were 12, and 125 were 1.2e+02."""
    procedure = dataclasses.replace(resolve("system"), steady_fall_allowed_kpa_per_min=allowed)
    screen = live_screen(HOLD, test="system", unit=unit, procedure=procedure)
    text = f"No fall: 0.07 kPa/min beyond settling, {allowed:g} kPa/min allowed."
    reason = {"code": "no-detectable-fall", "text": text}
    there = report.reasons({"reasons": [reason]}, unit)[0].split(", ")[-1]
    assert screen.hold is not None
    assert screen.hold.leak.split(", ")[-1].replace(" allowed", f" {unit}/min allowed.") == there


def test_a_hold_that_rises_is_said_to_rise_and_counts_down_to_nothing() -> None:
    """The contract's drop and rate are falls: below zero they are rises."""
    view = dataclasses.replace(HOLD, fall_kpa=-2.08, fall_u_kpa=0.045, rate_kpa_per_min=-2.04,
                               rate_u_kpa_per_min=0.055)
    screen = live_screen(view, test="system", unit="kPa", procedure=resolve("system"))
    assert screen.hold is not None
    assert screen.hold.fall == "rose 2.08 ± 0.09 kPa in 0:48"
    assert screen.hold.leak == "steady rise 2.04 ± 0.11 kPa/min, settling taken out"
    assert screen.sentence.startswith("Hold: it is rising: warming coolant hides a leak")
    assert "left" not in screen.sentence
    choosing = live_screen(view, test="system", unit="kPa", choosing=True)
    assert choosing.sentence.startswith("Follow the wet")


def test_the_fall_is_said_with_the_time_in_which_it_fell() -> None:
    view = dataclasses.replace(HOLD, fall_at_s=51.0)
    screen = live_screen(view, test="system", unit="kPa", procedure=resolve("system"))
    assert screen.hold is not None
    assert screen.hold.fall == "fell 0.62 ± 0.10 kPa in 0:41"


def test_while_places_are_open_it_asks_for_the_highest_wet_point() -> None:
    screen = live_screen(HOLD, test="system", unit="kPa", choosing=True)
    assert screen.sentence.startswith("1:12 left") and "highest point" in screen.sentence
    alarmed = dataclasses.replace(HOLD, next_step="over-limit")
    assert live_screen(alarmed, test="system", unit="kPa", choosing=True).sentence.startswith("STOP")


def test_the_second_press_that_ends_a_hold_is_asked_for_as_large_as_what_to_do() -> None:
    screen = live_screen(HOLD, test="system", unit="kPa", asked=True, choosing=True)
    assert screen.sentence == "The hold is not over, 1:12 to go. Press E again to end it here"
    assert "unplugged" in live_screen(HOLD, test="system", unit="kPa", asked=True, away=True).sentence
    alarmed = dataclasses.replace(HOLD, next_step="over-limit")
    assert live_screen(alarmed, test="system", unit="kPa", asked=True).sentence.startswith("STOP")


def test_unplugged_is_said_in_the_sentence() -> None:
    back = live_screen(HOLD, test="system", unit="kPa", back=True)
    assert "wait for its reading" in back.sentence and back.fault and back.reading == "– –"
    screen = live_screen(HOLD, test="system", unit="kPa", away=True)
    assert "unplugged" in screen.sentence and screen.fault
    assert screen.reading == "– –"  # what it was is no reading of this moment
    assert dict(screen.numbers)["before it went"] == "97.3 kPa"
    over = dataclasses.replace(BASE, next_step="over-limit", pressure_kpa=130.0)
    assert live_screen(over, test="system", unit="kPa", away=True).sentence.startswith("STOP")


def test_a_wire_that_came_off_shows_neither_fall_nor_leak_nor_what_it_read() -> None:
    """The pinned reading, 232 kPa, is no pressure that was there before it went."""
    off = dataclasses.replace(HOLD, fault="open", pressure_kpa=232.1, fall_kpa=-111.4, peak_kpa=120.8)
    screen = live_screen(off, test="system", unit="kPa", procedure=resolve("system"), silent=True)
    assert screen.hold is not None and (screen.hold.fall, screen.hold.leak) == ("", "")
    assert "before it went" not in dict(screen.numbers)
    before = dataclasses.replace(off, pressure_kpa=None, before_kpa=119.0)
    screen = live_screen(before, test="system", unit="kPa", procedure=resolve("system"), silent=True)
    assert dict(screen.numbers)["before it went"] == "119.0 kPa"


def test_what_a_gauge_with_a_fault_reads_does_not_stand_large() -> None:
    off = dataclasses.replace(HOLD, fault="open", pressure_kpa=232.1)
    screen = live_screen(off, test="system", unit="kPa")
    assert screen.reading == "– –" and screen.fault
    assert dict(screen.numbers)["gauge reads"] == "232.1 kPa, not to be believed"
    stop = live_screen(dataclasses.replace(off, next_step="over-limit"), test="system", unit="kPa")
    assert stop.reading == "– –" and stop.alarm
    over = dataclasses.replace(off, next_step="done", pressure_kpa=0.2)
    assert live_screen(over, test="system", unit="kPa").reading == "0.2"
    assert "gauge reads" not in dict(live_screen(off, test="system", unit="kPa", away=True).numbers)


@pytest.mark.parametrize("gone", [{"away": True}, {"silent": True}])
def test_whoever_pumps_without_a_reading_is_told_to_stop(gone: dict[str, Any]) -> None:
    """It said that the test goes on, to somebody who could see no limit."""
    assert live_screen(BASE, test="system", unit="kPa", **gone).sentence.startswith("Stop pumping; ")
    assert "Stop pumping" not in live_screen(HOLD, test="system", unit="kPa", **gone).sentence


def test_nothing_that_can_be_read_is_said_in_the_sentence() -> None:
    """Not "wait", where waiting helps nobody; what is of safety goes before it."""
    waiting = dataclasses.replace(BASE, next_step="wait", pressure_kpa=None)
    screen = live_screen(waiting, test="cap", unit="kPa", unread=True)
    assert screen.sentence.startswith("Nothing can be read") and screen.fault
    over = dataclasses.replace(BASE, next_step="over-limit", pressure_kpa=130.0)
    assert live_screen(over, test="system", unit="kPa", unread=True).sentence.startswith("STOP")


def test_phase_log_covers_the_trace() -> None:
    log = PhaseLog()
    log_of: list[tuple[int, PhaseName, int]] = [(1, "vented", 0), (2, "vented", 0), (5, "pump-up", 3), (9, "hold", 8)]
    for t, phase, since in log_of:
        log.add(dataclasses.replace(BASE, time_s=float(t), phase=phase, phase_since_s=float(since)))
    assert [(s.name, s.start_s, s.end_s) for s in log.spans()] == [
        ("vented", 0, 3), ("pump-up", 3, 8), ("hold", 8, 9),
    ]


def test_result_screens_differ_in_sign_and_word() -> None:
    seen = {
        (r.word, r.sign, r.role)
        for r in (result_screen({"outcome": o, "test": "cap"}, "kPa") for o in ("pass", "fail", "undecided", "void"))
    }
    assert len({w for w, _, _ in seen}) == len({s for _, s, _ in seen}) == 4


def test_a_pass_that_was_over_the_limit_warns_and_gives_that_reason_first() -> None:
    screen = result_screen({"outcome": "pass", "test": "system", "reasons": [
        {"code": "no-detectable-fall", "text": "No fall."}, {"code": "over-limit", "text": "Up to 145 kPa."},
    ]}, "kPa")
    assert (screen.word, screen.warning) == ("PASS", "but it was OVER THE LIMIT: look hoses, radiator and tank over")
    assert screen.reasons[0] == "Up to 145 kPa."
    assert result_screen({"outcome": "pass", "test": "system"}, "kPa").warning == ""


LEAKS = {"outcome": "fail", "test": "system", "reasons": [{"code": "fall-too-fast", "text": "It falls."}]}


MUCH_WRONG: dict[str, Any] = {"outcome": "undecided", "test": "system", "hold_more_s": 81.0, "reasons": [
    {"code": "hold-too-short", "text": "The hold lasted 40 s; it takes at least 60 s to say anything."},
    {"code": "too-much-air", "text": "About 2670 mL of air in the system: a leak shows as a smaller fall."},
    {"code": "zero-shift", "text": "Zero moved by -7.2 kPa between start and release."},
    {"code": "over-limit", "text": "It was pumped to 137 kPa; never above 124 kPa."},
]}
OVER = ("It was pumped to 137 kPa; never above 124 kPa.",
        "→ The pressure went over the limit: look over hoses, radiator and tank for damage.")


def test_no_reason_and_no_advice_is_dropped() -> None:
    screen = result_screen(MUCH_WRONG, "kPa")
    assert len(screen.reasons) == 4 and len(screen.advice) == 4
    assert screen.fewer(8, "there") == (list(screen.lines), [])
    for most in range(1, 8):
        shown, left = screen.fewer(most, "there")
        assert set(OVER) <= set(shown)  # what is of somebody's safety stays
        assert shown[-1] == f"+{len(left)} more: there"
        assert sorted([*shown[:-1], *left]) == sorted(screen.lines)
        assert len(shown) - 1 == max(most, 2)


def test_what_to_do_next_stands_large_once_and_not_again_among_the_lines() -> None:
    screen = result_screen(LEAKS, "kPa", ["hose ends"])
    assert screen.lead.startswith("It leaks") and screen.lead not in " ".join(screen.beside(screen.lead))
    assert sorted([*screen.beside(screen.lead), f"→ {screen.lead}"]) == sorted(screen.lines)
    for most in range(1, len(screen.lines)):
        shown, left = screen.fewer(most, "there", screen.lead)
        assert f"→ {screen.lead}" not in [*shown, *left]
    assert result_screen(MUCH_WRONG, "kPa").lead == ""  # a warning comes before it
    assert "stands at zero" in result_screen({"outcome": "pass", "test": "system"}, "kPa").lead
    assert result_screen({"outcome": "void", "test": "system"}, "kPa").lead == ""


@pytest.mark.parametrize(("found", "said", "unsaid"), [
    (["hose ends"], "hose ends", "nothing is wet"),
    (["hose ends", "none visible"], "hose ends", "nothing is wet"),
    (["none visible"], "nothing is wet", "wet was marked"),
    ([], "Look for wet places", "wet was marked"),
])
def test_advice_agrees_with_what_was_found(found: list[str], said: str, unsaid: str) -> None:
    advice = " ".join(result_screen(LEAKS, "kPa", found).advice)
    assert said in advice
    assert unsaid not in advice


def test_a_wet_place_without_a_fall_is_looked_at_again() -> None:
    passed = {"outcome": "pass", "test": "system", "reasons": [{"code": "no-detectable-fall", "text": "ok"}]}
    assert "radiator" in " ".join(report.advice(passed, ["radiator"]))
    assert report.advice(passed, ["none visible"]) == []


def test_every_place_of_the_list_is_a_place() -> None:
    assert report.PLACES == ("hose ends", "radiator", "coolant pump", "heater", "sensors", "bottle", "under the car",
                             "none visible")


def test_every_number_has_a_source() -> None:
    q = {"value": 1.0, "standard_uncertainty": 0.1, "unit": "kPa", "time_s": 12.5}
    judgement = {"outcome": "pass", "test": "system", "strokes": 7, "peak": q, "zero": q, "headspace": q, "hold": {
        "start_s": 10.0, "end_s": 130.0, "start": q, "end": q, "drop": q, "rate": {**q, "unit": "kPa/min"},
        "smallest_detectable_rate": {**q, "unit": "kPa/min"}}}
    numbers = {n.label: n for n in numbers_of(judgement, "psi")}
    assert numbers["highest"].source == "trace at 12.5 s, noise taken out; gauge"
    assert "hold of 120 s" in numbers["leak rate"].source
    assert numbers["leak rate"].text.endswith("psi/min")
    assert all(n.source for n in numbers.values())
    assert "of it the tester's" not in numbers


def test_a_hold_that_rose_has_no_leak_rate_below_nothing() -> None:
    """As the terminal has it: nor does it stand there as what such a leak could be, for the rise hides more."""
    q = {"value": -2.4, "standard_uncertainty": 0.1, "unit": "kPa"}
    hold = {"start_s": 10.0, "end_s": 130.0, "start": q, "end": q, "drop": q, "rate": {**q, "unit": "kPa/min"},
            "smallest_detectable_rate": {"value": 0.16, "standard_uncertainty": None, "unit": "kPa/min"}}
    numbers = {n.label: n.text for n in numbers_of({"outcome": "undecided", "test": "system", "hold": hold}, "kPa")}
    assert numbers["rise in the hold"] == "2.40 ± 0.20 kPa" and numbers["steady rise"] == "2.40 ± 0.20 kPa/min"
    assert not {"fall in the hold", "leak rate", "smallest it could show"} & set(numbers)


def test_a_leak_rate_of_a_cap_stands_beside_what_the_tester_lost_of_it() -> None:
    """The reason tells the cap's own alone, so that the two numbers differ."""
    q = {"value": 1.0, "standard_uncertainty": 0.1, "unit": "kPa"}
    judgement = {"outcome": "pass", "test": "cap", "tester_rate": {**q, "value": 0.4, "unit": "kPa/min"}, "hold": {
        "start_s": 10.0, "end_s": 55.0, "start": q, "end": q, "drop": q, "rate": {**q, "unit": "kPa/min"}}}
    numbers = numbers_of(judgement, "kPa")
    at = [n.label for n in numbers].index("leak rate")
    assert numbers[at].source.endswith("tester in it") and numbers[at + 1].label == "of it the tester's"
    assert numbers[at + 1].text.startswith("0.4") and "taken out" in numbers[at + 1].source
    of_system = {n.label: n for n in numbers_of({**judgement, "test": "system"}, "kPa")}
    assert "of it the tester's" not in of_system and "tester" not in of_system["leak rate"].source


def test_setup_says_what_is_missing() -> None:
    assert check_setup("cap", "", "sim", "kPa").problem
    assert check_setup("cap", "16 psi", "", "kPa").problem
    good = check_setup("cap", "16 psi", "sim", "kPa")
    assert good.problem == "" and good.marked is not None and "110.3 kPa" in good.hint
    assert check_setup("tester", "", "sim", "kPa").problem == ""


def test_a_gauge_that_ends_below_the_target_cannot_start() -> None:
    form = check_setup("system", "16 psi", "/dev/ttyUSB0", "kPa", full_scale_kpa=70.0)
    assert form.problem.startswith("This gauge reads to 70.0 kPa; this test needs 124.3 kPa")
    assert check_setup("system", "16 psi", "/dev/ttyUSB0", "kPa", full_scale_kpa=207.0).problem == ""
    # of a cap the whole band: 110.3 kPa and 10 %
    assert "needs 121.3 kPa" in check_setup("cap", "16 psi", "/dev/ttyUSB0", "kPa", full_scale_kpa=115.0).problem
    further = resolve("cap", {"band_high": "130 kPa"})
    assert check_setup("cap", "16 psi", "x", "kPa", full_scale_kpa=125.0, procedure=further).problem


def test_a_cap_that_holds_is_not_called_tight_for_it_may_open_too_low() -> None:
    """"It is tight" stood there, large, and the result was FAIL: it opens too low."""
    view = dataclasses.replace(HOLD, early="tight", next_step="release", opening_kpa=80.0)
    for test, words in (("cap", "it holds"), ("system", "it is tight"), ("tester", "it is tight")):
        screen = live_screen(view, test=test, unit="kPa")  # type: ignore[arg-type]
        assert screen.sentence.lower().startswith(f"{words}: turn the relief")
        assert dict(screen.numbers)["so far:"] == words


def test_marks_are_listed_with_their_numbers() -> None:
    screen = live_screen(HOLD, test="system", unit="kPa", marks=[Mark(20.0, "radiator"), Mark(31.0, "heater")])
    assert dict(screen.numbers)["marked"] == "1 radiator, 2 heater"


def test_what_is_shown_is_decided_without_qt() -> None:
    code = ("import importlib, pathlib, sys, recorder.window as w\n"
            "for f in sorted(pathlib.Path(w.__file__).parent.glob('*.py')):\n"
            "    if not f.name.startswith(('qt_', '__')):\n"
            "        importlib.import_module(f'recorder.window.{f.stem}')\n"
            "print(sorted(m for m in sys.modules if 'PySide' in m or 'pyqtgraph' in m))")
    run = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    assert run.stdout.strip() == "[]"


def test_the_form_needs_no_heavy_library() -> None:
    """What the first screen does not need is loaded after it, so that it stands sooner."""
    heavy = ("scipy", "pint", "pyqtgraph")
    code = f"import sys, recorder.window.places.main; print([m for m in {heavy} if m in sys.modules])"
    run = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    assert run.stdout.strip() == "[]"


def test_a_cap_on_the_bench_has_places_of_its_own() -> None:
    assert len(report.BENCH_PLACES) == len(report.PLACES) and report.BENCH_PLACES[-1] == report.NONE_VISIBLE
    assert report.places("cap") == report.places("tester") == report.BENCH_PLACES
    assert report.places("system") == report.PLACES
    asked = live_screen(HOLD, test="cap", unit="kPa", choosing=True).sentence
    assert "Listen" in asked and "Follow the wet" not in asked


def test_where_the_phases_are_looked_at_no_more_no_old_step_stands() -> None:
    """The hold's time ran on and its sentence stood, beside a banner that only the pressure is as it is."""
    screen = live_screen(HOLD, test="system", unit="kPa", procedure=resolve("system"), blind=True)
    assert "press E to end the test" in screen.sentence and screen.hold is None
    assert screen.reading == live_screen(HOLD, test="system", unit="kPa").reading
    over = dataclasses.replace(HOLD, next_step="over-limit")
    assert live_screen(over, test="system", unit="kPa", blind=True).sentence.startswith("STOP")
