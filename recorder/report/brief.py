"""Few words for where little room is: the step beside its whole sentence, and pressure that is left after a test."""

from __future__ import annotations

from recorder.limit_table import MATTERS_KPA_PER_MIN
from recorder.model import LiveView
from recorder.report.numbers import clock
from recorder.units import format_pressure

__all__ = ["NO_ZERO_KPA", "STILL_ON_KPA", "brief", "rises", "still_on"]

# Less is nothing to be hurt by, and within what a cheap gauge's zero moves. Common practice, no source.
STILL_ON_KPA = 3.0
NO_ZERO_KPA = 10.0  # so far below zero no gauge that was vented reads; as the analysis has it
# A steady rise as large as the smallest fall that matters, clear of its uncertainty, may hide such a fall. Not in the
# first part of a hold: there air that was let out warms up again, which is settling. Common practice, no source.
_RISE_AFTER_S = 30.0


def rises(view: LiveView) -> bool:
    """Whether the hold rises so that it will not be judged, however long it is held."""
    rate, u = view.rate_kpa_per_min, view.rate_u_kpa_per_min
    if rate is None or u is None or view.early is not None or view.hold_elapsed_s < _RISE_AFTER_S:
        return False
    return rate + 2.0 * u < -MATTERS_KPA_PER_MIN


def brief(view: LiveView, unit: str = "kPa") -> tuple[str, ...]:
    """What to do now, the longest first; each says the same or less, and none is to be cut. Empty: no word for it."""
    step = view.next_step
    if step == "over-limit":
        limit = view.limit_kpa if view.limit_kpa is not None else view.target_high_kpa
        short = ("STOP, relieve", "STOP")
        if view.fault is not None:  # by no reading of this gauge
            return ("STOP, relieve fully", *short)
        return short if limit is None else (f"STOP, relieve below {format_pressure(limit, unit, down=True)}", *short)
    if view.fault is not None and step != "done":
        return ("gauge fault: relieve", "FAULT")
    if step in ("pump", "pump-gently") and view.band == "above":
        return ("still shut: stop, relieve", "stop, relieve")
    if step in ("pump", "pump-gently"):
        word = "pump" if step == "pump" else "gently"
        if view.to_go_kpa is None or view.to_go_kpa <= 0:
            return (word,)
        to_go = f"{format_pressure(view.to_go_kpa, unit)} to go"
        return (f"{word}, {to_go}", to_go, word)
    if step == "hold" and rises(view):
        return ("rising: cannot tell", "rising")
    if step == "hold" and view.longer_s is not None:
        return (f"cannot tell yet, {clock(view.longer_s)} more", f"{clock(view.longer_s)} more")
    if step == "hold":
        return (f"{clock(view.hold_left_s)} left",) if view.hold_left_s is not None else ("hands off",)
    return _WORDS.get(step, ())


_WORDS: dict[str, tuple[str, ...]] = {
    "wait": ("do not pump yet", "wait"),
    "vent": ("relieve to zero", "relieve"),
    "stop-pumping": ("hands off", "STOP"),
    "release": ("relieve, wait for zero", "relieve"),
    "vent-again": ("wait for zero", "wait"),
    "done": ("the pressure is off", "done"),
}


def still_on(pressure_kpa: float | None, unit: str = "kPa", *, was: bool = False, fault: bool = False) -> str | None:
    """What comes before any result of a test that ended under pressure; None where it ended without.

    was: the reading is not of this moment. fault: the gauge is not to be believed, and never goes to zero perhaps.
    """
    if pressure_kpa is None or -NO_ZERO_KPA <= pressure_kpa <= STILL_ON_KPA:
        return None
    text = format_pressure(pressure_kpa, unit)
    if pressure_kpa < 0.0:  # a wire that came off: what is on nobody knows
        return f"THE GAUGE READS {text}, which is no zero: turn the relief and wait for zero on the pump's own gauge"
    if fault:
        return "THE GAUGE REPORTS A FAULT: turn the relief and wait for zero on the pump's own gauge"
    first = f"WAS AT {text} when it was last read" if was else f"STILL AT {text}"
    return f"{first}: turn the relief and wait for zero before you take anything off"
