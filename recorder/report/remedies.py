"""What to do after a test."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from recorder.model import Mark
from recorder.report.names import NONE_VISIBLE
from recorder.report.numbers import clock, quantity
from recorder.report.results import codes as codes_of
from recorder.report.results import notes
from recorder.units import pressure_factor_kpa

__all__ = ["advice", "found", "is_safety", "put_away"]

_ADVICE_BY_CODE: dict[str, str] = {
    "too-much-air": "Too much air in the system: a small fall can hide a large leak. Fill it up and test again.",
    "zero-shift": "Keep the relief open until the reading rests. If that is not at zero, the zero moved: let the gauge "
    "warm up, check its fitting, and test again.",
    "tester-leaks": "The tester itself leaks: check its hose, joints and seals on a blanked hose, then test again.",
    "sensor-fault": "The gauge gave no usable reading: relieve by the pump's own gauge, check plug, wires and supply, "
                    "then test again.",
    "trace-broken": "Too much of the trace is missing: check the cable and the port, then test again.",
    "never-pumped": "No pressure was built: check the hose, the adapter and the relief, then pump up.",
    "over-limit": "The pressure went over the limit: look over hoses, radiator and tank for damage.",
    "below-target": "The pressure did not reach the target: pump up to the target and test again.",
    "opens-low": "Check the marking, wet the cap's seal with coolant, seat it again and repeat; if it still opens low, "
    "replace the cap.",
    "opens-high": "Check the marking, pump slowly and repeat; if it still opens high, replace the cap: it strains "
    "hoses and radiator.",
}
# Beside a leak that is proven; mending it comes first.
_ADVICE_OF_A_LEAK = {
    "too-much-air": "Too much air in the system: the leak is larger than the fall looks. Fill it up when it is mended, "
    "and test again.",
    "below-target": "The pressure did not reach the target: when it is mended, pump up to the target and test again.",
}
# Beside a pass, which stands all the same.
_ADVICE_OF_A_PASS = {
    "too-much-air": "Much air in the system makes a leak look smaller; none showed all the same. Fill it up.",
    "zero-shift": "The zero moved, which does not change this answer: let the gauge warm up and check its fitting "
    "before the next test.",
    "tester-leaks": "The tester itself leaks, which was taken out: check its hose, joints and seals before the next "
    "test.",
}
_ADVICE_BY_NOTE: dict[str, str] = {
    "warming": "The coolant was warming and raised the pressure: let it go cold and test again.",
    "wavers": "Sun, wind, warmth or a hand on the hose moved the pressure: keep them off, let it go cold, test again.",
    "rhythmic": "The pressure beats in rhythm: combustion gas in the coolant is suspected; let trained people check.",
    "hose-off": "The pressure went all at once: check that the hose stayed on.",
    "near-the-limit": "The pressure may have gone over the limit: look over hoses, radiator and tank, and calibrate "
    "the gauge.",
    "late-start": "Start the recording first, with the tester open to the air; then pump.",
    "zero-off": "The gauge is far off with the hose open: hold one pressure against the pump's own gauge, and look at "
    "it with recorder adapter.",
    "top-up": "Pumping or letting out during the hold starts it anew: keep your hands off.",
    "gaps": "Samples are missing: check the cable and the port.",
    "coarse": "Readings come too rarely to see strokes: set the adapter to 10 a second or more.",
    "no-marking": "No marking was given: give it with --marked, so that the pressure can be judged.",
}

# A cap on the tester, or the tester itself, hangs at no engine.
_ON_THE_BENCH = {
    "over-limit": "The pressure went over the limit: look over the tester's hose, joints and pump for damage.",
    "rhythmic": "The pressure beats in rhythm: keep pump, hose and bench still, and test again.",
    "warming": "Something was warming and raised the pressure: let all of it come to the room's warmth and test again.",
}
_OPENINGS = {"opens-low", "opens-high"}
_TOO_CLOSE = "Pump slowly and test again; if it opens so close to the limit again, "
_WAS_IT_ON = "See that the cap was on the tester, the hose joined and the relief shut; if one was not, test again."
_STUCK = "The cap never opened: check the marking and the adapter; a stuck cap has to be replaced."
_STRAINED = "What a stuck cap was on has been under too much pressure: look its hoses, radiator and tank over."
_LET_DOWN = ("If it was you who let the pressure down from over the limit, this says nothing of a leak: test again, "
             "below the limit.")
_LITTLE = 0.1  # of what a hold began with
# What could hurt somebody, of reasons, notes and the advice for them.
_SAFETY = {"over-limit", "opens-high", "no-opening", "sensor-fault", "rhythmic", "hose-off", "near-the-limit"}


def is_safety(text_or_code: str) -> bool:
    """Whether a code, or an advice as it was given, is of somebody's safety: such are never left out for room."""
    if text_or_code in _SAFETY:
        return True
    return any(text_or_code == texts.get(code) for code in _SAFETY for texts in (_ADVICE_BY_CODE, _ADVICE_BY_NOTE)) \
        or text_or_code in (_STUCK, _STRAINED, _ON_THE_BENCH["over-limit"])


_HOLD_STEP_S = 5.0  # nobody holds by the second
_UNITS = ("kPa", "psi", "bar", "kgf/cm2")
_NOT_BY_HOLDING = {"warming", "wavers", "rhythmic", "below-target", "trace-broken", "no-opening"}


_PUT_AWAY = {
    "cap": "then take the cap off the tester.",
    "system": "then take the tester off and put the vehicle's cap back on.",
    "tester": "then take the plug off.",
}


def put_away(judgement: Mapping[str, Any], found: Sequence[str] = ()) -> str:
    """The last step after a pass; empty after anything else. found: as for ``advice``."""
    if judgement.get("outcome") != "pass":
        return ""
    then = _PUT_AWAY.get(str(judgement.get("test")))
    first = "Nothing to mend. " if set(found) <= {NONE_VISIBLE} else ""
    return f"{first}See that the gauge stands at zero, {then}" if then else ""


def found(marks: Sequence[Mark]) -> list[str]:
    """The findings of a recording in words, as ``advice`` takes them; one without a place is told by its time."""
    return [f"the place seen at {mark.time_s:.0f} s" if mark.text == "seen" else mark.text for mark in marks]


def advice(judgement: Mapping[str, Any], found: Sequence[str] = ()) -> list[str]:
    """What to do next, most urgent first; empty where nothing is left to do.

    found: the findings that were marked, in words; with them it says what to do about those places.
    """
    codes, noted = codes_of(judgement), [str(note.get("code")) for note in notes(judgement)]
    out: list[str] = []
    test, outcome = judgement.get("test"), judgement.get("outcome")
    more = judgement.get("hold_more_s")
    # where something else has to be put right first, a longer hold alone would tell no more
    longer = outcome == "undecided" and not _NOT_BY_HOLDING & {*codes, *noted}
    if longer and isinstance(more, int | float) and math.isfinite(more):
        # of where it opens no hold tells, and in much air it tells less
        then = "." if {"too-much-air", *_OPENINGS} & set(codes) else ", then it can be told."
        up = "Test again, pump up to the target and" if _below_marking(judgement) else "Test again and"
        out.append(f"{up} hold for {_to_hold(judgement, float(more))}{then}")
    elif longer and "hold-too-short" in codes:
        out.append("Test again and hold for the whole time.")
    wet = list(dict.fromkeys(text for text in found if text != NONE_VISIBLE))
    if outcome == "fail" and "fall-too-fast" in codes:
        if test == "system" and "over-limit" in codes and _all_gone(judgement):
            out.append(_LET_DOWN)
        if test == "cap" and "no-opening" in codes:  # a tester without one reads the same, and condemns no cap
            out.append(_WAS_IT_ON)
        out += _falling(str(test), wet, looked=NONE_VISIBLE in found)
    elif wet and test == "system":
        out.append(f"Marked: {', '.join(wet)}. Dry it, pump up again and see whether it comes back wet.")
    leaks = "fall-too-fast" in codes
    by_code, by_note = _ADVICE_BY_CODE, _ADVICE_BY_NOTE
    if outcome == "fail":  # what fails, beside what these two are of, is that it leaks
        by_code = {**by_code, **_ADVICE_OF_A_LEAK}
    elif outcome == "pass":
        by_code = {**by_code, **_ADVICE_OF_A_PASS}
    if test != "system":
        by_code, by_note = {**by_code, **_ON_THE_BENCH}, {**by_note, **_ON_THE_BENCH}
    for code in codes:
        if code == "no-opening":
            out += _shut(outcome, leaks=leaks, sure="not-calibrated" not in noted)
        elif code in _OPENINGS:
            out += _opens(code, outcome, leaks=leaks, moved="zero-shift" in codes, sure="not-calibrated" not in noted)
        elif code == "trace-broken" and {"rhythmic", "hose-off", "late-start"} & set(noted):
            continue  # nothing is missing: the note says what it was
        elif code == "sensor-fault" and _at_its_end(judgement):
            out.append(f"The reading stood at the end of what the gauge can read, {_highest(judgement)}: take one that "
                       "reads further; if that is not it, check plug, wires and supply.")
        elif code in by_code:
            out.append(by_code[code])
    if any(code.startswith("opens-") for code in codes):  # the procedure has a band of its own
        noted = [code for code in noted if code != "no-marking"]
    if "hose-off" in noted:  # nothing is to be pumped before that was looked at
        out.insert(0, by_note["hose-off"])
    out += [by_note[code] for code in noted if code in by_note]
    if not out and outcome == "undecided":
        out.append("Test again, with a longer hold.")
    return list(dict.fromkeys(out))


def _to_hold(judgement: Mapping[str, Any], more_s: float) -> str:
    """How long the next hold is to be, the one that was included: the next one begins anew."""
    holds = [judgement["hold"]] if isinstance(judgement.get("hold"), Mapping) else [
        phase for phase in judgement.get("phases") or () if isinstance(phase, Mapping) and phase.get("name") == "hold"]
    held_s = 0.0
    if holds:
        start, end = holds[-1].get("start_s"), holds[-1].get("end_s")
        if isinstance(start, int | float) and isinstance(end, int | float) and math.isfinite(end - start):
            held_s = max(float(end - start), 0.0)
    whole = math.ceil((held_s + more_s) / _HOLD_STEP_S) * _HOLD_STEP_S
    return clock(max(whole, _HOLD_STEP_S)) + (" in all" if held_s else "")


def _below_marking(judgement: Mapping[str, Any]) -> bool:
    """Whether a system was clearly not even pumped up to its marking: no hold there tells."""
    marked, peak = judgement.get("marked"), judgement.get("peak")
    if judgement.get("test") != "system" or not isinstance(marked, Mapping) or not isinstance(peak, Mapping):
        return False
    u = peak.get("standard_uncertainty") or 0.0
    if marked.get("unit") not in _UNITS or peak.get("value") is None:
        return False
    return bool(peak["value"] + 2.0 * u < marked["value"] * pressure_factor_kpa(str(marked["unit"])))


def _all_gone(judgement: Mapping[str, Any]) -> bool:
    """Whether next to nothing was left at the end of the hold."""
    hold = judgement.get("hold")
    ends = [hold.get(end) for end in ("start", "end")] if isinstance(hold, Mapping) else []
    values = [end.get("value") for end in ends if isinstance(end, Mapping)]
    numbers = [float(value) for value in values if isinstance(value, int | float) and math.isfinite(value)]
    return len(numbers) == 2 and numbers[1] < _LITTLE * numbers[0]


def _at_its_end(judgement: Mapping[str, Any]) -> bool:
    texts = [str(reason.get("text")) for reason in judgement.get("reasons") or () if isinstance(reason, Mapping)]
    return any("upper end" in text for text in texts) and isinstance(judgement.get("peak"), Mapping)


def _highest(judgement: Mapping[str, Any]) -> str:
    """The highest reading, in the marking's unit where that is one of pressure."""
    marked = judgement.get("marked")
    unit = str(marked.get("unit")) if isinstance(marked, Mapping) else "kPa"
    return quantity({**judgement["peak"], "standard_uncertainty": None}, unit if unit in _UNITS else "kPa")


def _shut(outcome: object, *, leaks: bool, sure: bool) -> Sequence[str]:
    """For a cap that was not seen to open. sure: whether the gauge is calibrated."""
    if leaks:
        return ()  # what to do about its seal is said already
    if outcome == "undecided":
        further = "Pump further, slowly: until the cap opens, or up to the top of what its marking allows."
        if sure:
            return (further,)
        return (further, "If it was there and stayed shut, this gauge cannot tell: calibrate it, or use one that is.")
    return (_STUCK, _STRAINED)


def _opens(code: str, outcome: object, *, leaks: bool, moved: bool, sure: bool) -> Sequence[str]:
    """For a cap that opens too low or too high, or too close to that limit to tell. moved: zero did, by too much; sure:
    whether the gauge is calibrated."""
    if outcome != "undecided":
        # beside a leak the opening may be too close to tell as well: what is said of high is right for both, and what
        # to do about a seal is said already
        return () if leaks and code == "opens-low" else (_ADVICE_BY_CODE[code],)
    if moved:
        return ()  # where it opens is not known; the zero is said
    return (_TOO_CLOSE + ("use a gauge that is calibrated better." if sure else
                          "calibrate this gauge, or use one that is."),)


def _falling(test: str, wet: Sequence[str], *, looked: bool) -> Sequence[str]:
    if test == "cap":
        return (
            "Wet the cap's seal with coolant, seat it again and repeat; if it still falls, replace the cap.",
        )
    if test == "tester":
        return ("The tester leaks: soapy water on its joints shows where.",)
    if wet:
        return (f"It leaks, and wet was marked at: {', '.join(wet)}. Follow it up to its highest wet point, mend it "
                "there, test again.",)
    if looked:
        return ("Falls but nothing is wet: look inside. A leak inside the engine or behind the heater is possible; "
                "let trained people check.",)
    return (
        "It leaks. Look for wet places with a light: under the coolant pump, both ends of every hose, "
        "radiator, heater.",
        "If none shows, pump up again, look once more, and mark what you find. Nothing wet anywhere: look inside, a "
        "leak inside the engine is possible.",
    )
