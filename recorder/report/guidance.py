"""While a test runs: the one thing to do next, and the safety caution that belongs to the moment."""

from __future__ import annotations

from typing import Literal

from recorder.model import LiveView, TestKind
from recorder.report.brief import NO_ZERO_KPA, STILL_ON_KPA, rises
from recorder.report.names import FAULTS, TOLD_FAULT
from recorder.report.numbers import clock
from recorder.report.results import in_unit
from recorder.units import format_pressure

__all__ = ["WAIT", "Stage", "blind", "caution", "next_step", "too_small"]

WAIT = "wait: reading the gauge, do not pump yet"

Stage = Literal["before", "pump", "hold", "over-limit", "release", "done"]

# A steady fall that is seen by the eye within seconds: kPa/min, clear of its uncertainty. Common practice, no source.
_FAST_KPA_PER_MIN = 5.0
_NEARLY_KPA = 1.0  # below the band is as good as in it: "0.0 kPa to go" is no guidance
_LOOK = "look under the coolant pump and at both ends of every hose, with a light"
_RELIEVE = "turn the relief and wait for zero before you take anything off"
_CHECK_IT = "check its wires, unit and calibration"
_LONG_VENT_S = 20.0  # a hose is let go in less; common practice, no source
_OWN_GAUGE = "on the pump's own gauge"
_WARMS = (
    "what warms up hides a leak, and holding on tells nothing. Better relieve and let it come to the room's warmth",
    "warming coolant hides a leak, and holding on tells nothing. Better relieve and let it go cold",
)


def next_step(view: LiveView, *, test: TestKind, unit: str = "kPa") -> str:
    """One sentence: what to do now."""
    step = view.next_step
    # a fault that lasted, as the trace has it: nothing after it is believed, so no release is seen that ends the test
    end = "" if view.fault is None or view.fault in FAULTS else ", then end the test"
    if view.fault is not None and step == "over-limit":
        # the true pressure may be high or not: it is let go all the same, and by another gauge than this one
        return (f"STOP pumping, turn the relief fully. The gauge is not to be believed ({_fault(view.fault, unit)}): "
                f"go by the pump's own gauge{end}")
    if view.fault is not None and step != "done":
        return (f"the gauge reports a fault ({_fault(view.fault, unit)}): check its wires; turn the relief and "
                f"wait for zero {_OWN_GAUGE}{end}")
    if view.silent_s is not None and step not in ("over-limit", "done"):
        return blind(view, f"no reading for {view.silent_s:.0f} s: check the adapter and its cable; {_RELIEVE}")
    if step == "over-limit":
        limit = view.limit_kpa if view.limit_kpa is not None else view.target_high_kpa
        below = f" until it is below {format_pressure(limit, unit, down=True)}" if limit is not None else ""
        # before any stroke it is pressure that was left on, or a gauge that reads what is not there
        wrong = "" if view.strokes else f". If the hose is open to the air already, the gauge is wrong: {_CHECK_IT}"
        return f"STOP: over the limit. Turn the relief{below}{wrong}"
    if step == "wait":
        return WAIT
    if step == "vent" and view.zero_kpa is not None and view.zero_kpa < -STILL_ON_KPA:
        return (f"the gauge reads {format_pressure(view.zero_kpa, unit)}: with the hose open to the air that is no "
                "zero. Check its wires and its calibration")
    if step == "vent" and view.zero_kpa is not None and view.zero_kpa > NO_ZERO_KPA:
        return (f"the gauge reads {format_pressure(view.zero_kpa, unit)}: open the relief. If the hose is open to the "
                f"air already, that is no zero: {_CHECK_IT}")
    if step == "vent":
        vent = "open the relief and wait until the reading stands at zero"
        if view.strokes or view.time_s <= _LONG_VENT_S:
            return vent
        return f"{vent}. If it stays while the pump's own gauge stands at zero, this gauge is wrong: {_CHECK_IT}"
    if step in ("pump", "pump-gently"):
        return _pump(view, test, unit)
    if step == "stop-pumping":
        return "stop pumping and keep your hands off: the hold begins"
    if step == "hold":
        return _hold(view, test)
    if step == "release":
        # a cap that holds may fail by where it opened
        tight = "it holds" if test == "cap" else "it is tight"
        over = "it rose, which hides a leak, so the hold tells nothing" if rises(view) else "the hold is over"
        early = {"leak": "it leaks", "tight": tight}.get(view.early or "", over)
        return f"{early}: {_RELIEVE}"
    if step == "vent-again" and view.pressure_kpa is not None and view.pressure_kpa < -NO_ZERO_KPA:
        return (f"the gauge reads {format_pressure(view.pressure_kpa, unit)}: that is no zero. Turn the relief and "
                f"wait for zero {_OWN_GAUGE}, then end the test and check the wires")
    if step == "vent-again" and view.zero_kpa is not None and view.zero_kpa > NO_ZERO_KPA:
        # it began there and came back there: a zero that is wrong, or a hose that was under pressure and is again
        return (f"the gauge counts from {format_pressure(view.zero_kpa, unit)}, which may be pressure that is on: turn "
                f"the relief and wait for zero {_OWN_GAUGE}; if that stands there, this gauge is wrong: {_CHECK_IT}")
    if step == "vent-again":
        return "wait for zero; do not take anything off yet"
    return "done: the pressure is off"


def blind(view: LiveView, words: str) -> str:
    """``words`` on an adapter that gives no reading. Whoever pumps, or is about to, is told not to first: no limit
    would be seen."""
    if view.next_step not in ("pump", "pump-gently"):
        return words
    return f"{'stop pumping' if view.strokes else 'do not pump'}; {words[:1].lower()}{words[1:]}"


def too_small(full_scale_kpa: float | None, needed_kpa: float | None, unit: str = "kPa") -> str:
    """What is wrong with a gauge whose scale ends before the test does; empty where it does not, or is not known."""
    if full_scale_kpa is None or needed_kpa is None or full_scale_kpa >= needed_kpa:
        return ""
    reads, needs = format_pressure(full_scale_kpa, unit), format_pressure(needed_kpa, unit)
    return f"this gauge reads to {reads}; this test needs {needs}"


def _fault(fault: str, unit: str) -> str:
    """The adapter's one word, or what the readings show, in words."""
    told = TOLD_FAULT.match(fault)
    word = told[1] if told is not None else fault
    said = FAULTS[word] + (fault[told.end():] if told is not None else "") if word in FAULTS else fault
    return in_unit(said, unit).replace(" (", ", ").replace(")", "")  # it stands in brackets


def _pump(view: LiveView, test: TestKind, unit: str) -> str:
    if test == "cap":
        return _pump_cap(view, unit)
    to_go = view.to_go_kpa
    left = f": {format_pressure(to_go, unit)} to go" if to_go is not None and to_go > 0 else ""
    return f"pump gently{left}" if view.next_step == "pump-gently" else f"pump{left}"


def _pump_cap(view: LiveView, unit: str) -> str:
    low, high, now = view.target_low_kpa, view.target_high_kpa, view.pressure_kpa
    if low is None or high is None or now is None:
        return "pump; the cap has to open by itself"
    band = f"{format_pressure(low, unit).split(' ')[0]} to {format_pressure(high, unit, down=True)}"
    where = view.band or ("above" if now > high else "in" if now >= low - _NEARLY_KPA else "below")
    if where == "above":
        return f"still shut above its band, {band}: stop pumping, turn the relief"
    if where == "in":
        return f"slow strokes until it opens: in its band, {band}"
    to_go = format_pressure(max(low - now, 0.0), unit)
    if view.next_step == "pump-gently":
        return f"slow strokes: {to_go} to the band, {band}"
    return f"pump: {to_go} to the band, {band}"


def _hold(view: LiveView, test: TestKind) -> str:
    left = f"{clock(view.hold_left_s)} left" if view.hold_left_s is not None else "do not touch the pump"
    if view.longer_s is not None:
        left = f"cannot tell yet, about {clock(view.longer_s)} more"
    rate, u = view.rate_kpa_per_min, view.rate_u_kpa_per_min
    if test == "system" and rate is not None and u is not None and rate - 2.0 * u > _FAST_KPA_PER_MIN:
        if _from_over_the_limit(view):  # it was said to turn the relief
            return "it falls from over the limit: open the relief fully and wait for zero, then begin anew"
        return f"hold: {left}, it falls fast: a leak. Hands off the pump, {_LOOK}"
    if rises(view):  # its end would judge nothing, and is not counted down to
        return f"hold: it is rising: {_WARMS[test == 'system']}"
    if view.early == "leak":
        found = "it is falling"
        if test == "system":
            return f"hold: {left}, {found}: {_LOOK}"
        return f"hold: {left}, {found}; do not touch the pump"
    if test == "system":
        return f"hold: {left}, {_LOOK}"
    if test == "cap":
        return f"hold: {left}; do not touch the pump, look and listen at the cap's seal"
    return f"hold: {left}; brush soapy water on the joints and look for bubbles"


def _from_over_the_limit(view: LiveView) -> bool:
    """Whether the hold began over the limit: then it is the relief by which it falls."""
    if view.limit_kpa is None or view.pressure_kpa is None or view.fall_kpa is None:
        return False
    return view.pressure_kpa + view.fall_kpa > view.limit_kpa


_STAGE_OF_STEP: dict[str, Stage] = {
    "wait": "before",
    "vent": "release",
    "pump": "pump",
    "pump-gently": "pump",
    "stop-pumping": "hold",
    "hold": "hold",
    "over-limit": "over-limit",
    "release": "release",
    "vent-again": "release",
    "done": "done",
}


def caution(moment: LiveView | str, test: TestKind) -> str | None:
    """The safety caution that belongs to this moment, or None where none is due.

    moment: a live view, or one of ``before``, ``pump``, ``hold``, ``over-limit``, ``release``, ``done``.
    """
    stage = moment if isinstance(moment, str) else _STAGE_OF_STEP.get(moment.next_step)
    if stage == "before":
        if test == "tester":
            return "Wear eye protection. Blank the hose with a plug that cannot fly off."
        return (
            "Let the engine go cold before you open a cap: hot coolant under pressure scalds. "
            "Wear eye protection."
        )
    if stage == "pump":
        if test == "system":
            return (
                "Never above the limit: old hoses and radiators burst. "
                "Keep your face away from hoses and joints."
            )
        return "Never pump past the tester's own range. Keep your face away from the cap and the hose."
    if stage == "hold":
        if test == "system":
            return "The system is under pressure: keep clear of the fan and belts, loosen nothing."
        return "Still under pressure: loosen nothing."
    if stage == "over-limit":
        return "Over the limit something can burst: relieve first, look afterwards."
    if stage == "release":
        return "Relieve before removing: take nothing off until the gauge stands at zero."
    return None
