"""What the Testing place shows while a test runs, from a live view. Pure: words, shapes and roles are decided here."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

from recorder import report
from recorder.errors import SettingError, printable
from recorder.limits import Procedure, needed_kpa, resolve
from recorder.model import LiveView, Mark, Marking, TestKind
from recorder.units import format_pressure, parse_marking, pressure_factor_kpa
from recorder.window.state.hold import HoldStrip, hold_strip
from recorder.window.state.levels import NO_LEVELS, Levels, Line, lines_of
from recorder.window.state.words import minus

__all__ = [
    "REPAIRS", "UNITS", "LiveScreen", "PhaseLog", "Rung", "SetupForm", "Span", "check_setup", "factor", "live_screen",
    "of_test", "spans_of", "start_screen", "with_repair",
]

# What is commonly mended between two tests of a job; anything else in one's own words.
# What stands on the key, and what the recording says then.
REPAIRS: dict[str, str] = {
    "hose, clamp": "hose or clamp renewed", "radiator": "radiator renewed", "coolant pump": "coolant pump renewed",
    "heater": "heater renewed", "sensor": "sensor or its seal renewed", "bottle": "bottle renewed",
    "new cap": "cap renewed", "cap's seal": "cap's seal cleaned and wetted",
}
UNITS: tuple[str, ...] = ("kPa", "psi", "bar", "kgf/cm2")

_JOB_LETTERS = 75  # with the test and its marking on one line of the smallest window
_SHORTEST_S = 1.0  # a relief of a cap that opened lasts longer; common practice, no source

RungState = Literal["to come", "now", "done"]


@dataclass(frozen=True, slots=True)
class Rung:
    """One step of the procedure, with its state in words; the shape follows the state."""

    name: str
    state: RungState


@dataclass(frozen=True, slots=True)
class Span:
    """A phase on the trace, s."""

    name: str
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class LiveScreen:
    """Everything on the running screen. ``alarm``: over the limit, shown as text and shape, and heard.
    ``hold``: the strip of the hold, None while none runs."""

    reading: str
    unit: str
    sentence: str
    caution: str
    rungs: tuple[Rung, ...]
    numbers: tuple[tuple[str, str], ...]
    lines: tuple[Line, ...]
    levels: Levels
    hold: HoldStrip | None
    alarm: bool
    fault: bool


@dataclass(frozen=True, slots=True)
class SetupForm:
    """What was checked before a test: the marking, and what stops the start (empty: may start)."""

    marked: Marking | None
    hint: str
    problem: str


_RUNG_NAMES: dict[str, tuple[str, ...]] = {
    "cap": ("vent", "pump", "opens", "hold", "release"),
    "system": ("vent", "pump", "target", "hold", "release"),
    "tester": ("vent", "pump", "target", "hold", "release"),
}
_RUNG_OF_STEP = {
    "wait": 0, "vent": 0, "pump": 1, "pump-gently": 1, "over-limit": 2, "stop-pumping": 2, "hold": 3, "release": 4,
    "vent-again": 4, "done": 5,
}


_SAME_KPA = 1.0  # by so much noise takes a reading above the highest pressure


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _was_over(view: LiveView) -> bool:
    """Whether the test was pumped up to its limit, as far as noise lets one tell."""
    return (view.strokes > 0 and view.peak_kpa is not None and view.limit_kpa is not None
            and view.peak_kpa > view.limit_kpa - _SAME_KPA)


def _rungs(view: LiveView | None, test: TestKind) -> tuple[Rung, ...]:
    now = _RUNG_OF_STEP.get(view.next_step, 0) if view is not None else -1
    if view is not None and view.next_step in ("pump", "pump-gently") and view.opening_kpa is not None:
        now = 2
    if view is not None and view.next_step == "vent" and _was_over(view):
        now = 4  # it is let go from over the limit, and the vent before the test is long past
    out = []
    for i, name in enumerate(_RUNG_NAMES[test]):
        state: RungState = "done" if i < now else "now" if i == now else "to come"
        out.append(Rung(name, state))
    return tuple(out)


def _numbers(view: LiveView, unit: str, marks: Sequence[Mark], test: TestKind) -> tuple[tuple[str, str], ...]:
    out: list[tuple[str, str]] = [("strokes", str(view.strokes))] if view.strokes else []
    if view.peak_kpa is not None:
        out.append(("highest", format_pressure(view.peak_kpa, unit)))
    if view.opening_kpa is not None:
        out.append(("opened", format_pressure(view.opening_kpa, unit)))
    if view.early is not None:
        tight = "it holds" if test == "cap" else "it is tight"
        out.append(("so far:", "it leaks" if view.early == "leak" else tight))
    if marks:
        out.append(("marked", ", ".join(f"{n} {mark.text}" for n, mark in enumerate(marks, start=1))))
    return tuple(out)


def _reading(kpa: float | None, unit: str) -> str:
    if kpa is None:
        return "– –"
    return minus(format_pressure(kpa, unit).split(" ")[0])


def live_screen(
    view: LiveView, *, test: TestKind, unit: str, levels: Levels = NO_LEVELS, procedure: Procedure | None = None,
    marks: Sequence[Mark] = (), choosing: bool = False, away: bool = False, back: bool = False,
    silent: bool = False, unread: bool = False, asked: bool = False, blind: bool = False,
) -> LiveScreen:
    """The running screen for this view.

    choosing: the places of a finding are open. away: the adapter is unplugged at the moment, and no pressure known.
    back: it is plugged in again, and has no reading yet. silent: it is plugged in, and gives no reading. unread: no
    reading has come yet, and the banner says why. asked: the key that ends the test was pressed
    once, and a hold that is not over asks for it again. blind: the phases are looked at no more, so that step
    and hold are old ones.
    """
    alarm = view.next_step == "over-limit"
    sentence = _capital(report.next_step(view, test=test, unit=unit))
    if away and not alarm:
        sentence = _capital(report.blind(view, "The adapter is unplugged: plug it in again, the test goes on"))
    elif back and not alarm:
        sentence = _capital(report.blind(view, "The adapter is plugged in again: wait for its reading"))
    elif silent and not alarm:
        sentence = _capital(report.blind(view, "No reading comes from the adapter: check its plug and its power"))
    elif unread and not alarm:
        sentence = "Nothing can be read from the adapter: the line at the top says what to do"
    elif asked and not alarm and view.hold_left_s:
        sentence = f"The hold is not over, {report.clock(view.hold_left_s)} to go. Press E again to end it here"
    elif blind and not alarm:
        sentence = "What comes next can be told no more: press E to end the test, and relieve by the pump's own gauge"
    elif choosing and not alarm:
        counts = view.hold_left_s is not None and not report.rises(view)
        left = f"{report.clock(view.hold_left_s or 0.0)} left. " if counts else ""
        where = "Follow the wet up to its highest point" if test == "system" else "Listen and wet it with soap water"
        sentence = f"{left}{where}: where is it?"
    strip = None
    if procedure is not None and not blind:
        strip = hold_strip(view, unit, hold_s=procedure.hold_s,
                           allowed_kpa_per_min=procedure.steady_fall_allowed_kpa_per_min)
        if strip is not None and view.fault is not None:  # what is not believed has neither fallen nor leaked
            strip = replace(strip, fall="", leak="")
    numbers = _numbers(view, unit, marks, test)
    gone = away or back or silent
    before_kpa = view.before_kpa if view.pressure_kpa is None else view.pressure_kpa
    believed = view.fault is None or view.peak_kpa is None or (before_kpa or 0.0) <= view.peak_kpa + _SAME_KPA
    if gone and before_kpa is not None and believed:
        numbers = (("before it went", format_pressure(before_kpa, unit)), *numbers)
    doubted = view.fault is not None and view.next_step != "done"
    if doubted and not gone and view.pressure_kpa is not None:  # not large: whoever looks up goes by what is large
        numbers = (("gauge reads", f"{format_pressure(view.pressure_kpa, unit)}, not to be believed"), *numbers)
    return LiveScreen(
        _reading(None if gone or doubted else view.pressure_kpa, unit), unit, sentence,
        report.caution(view, test) or "", _rungs(view, test), numbers, lines_of(levels, view.opening_kpa), levels,
        strip, alarm, view.fault is not None or gone or unread,
    )


def start_screen(test: TestKind, unit: str, *, begun: bool = False) -> LiveScreen:
    """The running screen before anything has arrived; begun: the test was started."""
    sentence = _capital(report.WAIT) if begun else "Choose the test and the cap's marking, then start"
    return LiveScreen("– –", unit, sentence,
                      report.caution("before", test) or "", _rungs(None, test), (), (), NO_LEVELS, None, False, False)


def check_setup(test: TestKind, marked_text: str, port: str, unit: str, *, full_scale_kpa: float | None = None,
                procedure: Procedure | None = None) -> SetupForm:
    """Whether this test can start, and what the marking was read as. full_scale_kpa: what the gauge reads to, where
    that is known."""
    marked: Marking | None = None
    hint = ""
    if test != "tester":
        if not marked_text.strip():
            return SetupForm(None, "the number on top of the cap, with its unit: 16 psi, 1.1 bar, 110 kPa",
                             "Give the marking stamped on the cap")
        try:
            marked = parse_marking(marked_text)
        except SettingError as err:
            return SetupForm(None, "", _capital(str(err)))
        hint = f"read as {format_pressure(marked.kpa, unit)}"
        if marked.unit != unit:
            hint = f"{marked.value:g} {marked.unit}, {hint}"
    small = report.too_small(full_scale_kpa, needed_kpa(procedure or resolve(test), marked), unit)
    if small:
        return SetupForm(marked, hint, f"{_capital(small)}: use another gauge, or say what it is: F3, then G")
    if not port.strip():
        return SetupForm(marked, hint, "Choose the adapter's port, or the simulated tester")
    return SetupForm(marked, hint, "")


def with_repair(text: str, repair: str) -> str:
    """What was mended, with this repair added; without it where it was there already."""
    parts = [part.strip() for part in text.split(",") if part.strip()]
    return ", ".join([p for p in parts if p != repair] if repair in parts else [*parts, repair])


class PhaseLog:
    """The phases seen so far, from successive live views."""

    def __init__(self) -> None:
        self._spans: list[Span] = []

    def add(self, view: LiveView) -> None:
        """Takes notice of the view's phase."""
        if view.phase is None:
            return
        last = self._spans[-1] if self._spans else None
        start = view.phase_since_s
        if last is not None and last.name == view.phase:
            # Where a phase began is known better the more of it has been seen.
            before = self._spans[-2] if len(self._spans) > 1 else None
            start = max(start, before.start_s) if before is not None else last.start_s
            self._spans[-1] = Span(last.name, start, view.time_s)
            if before is not None:
                self._spans[-2] = Span(before.name, before.start_s, start)
            return
        if last is not None:
            start = max(start, last.start_s)
            self._spans[-1] = Span(last.name, last.start_s, start)
        self._spans.append(Span(view.phase, start, view.time_s))

    def spans(self) -> tuple[Span, ...]:
        """In order, without holes. A phase that was over in less than a second was a wrong guess, and is left out."""
        kept: list[Span] = []
        for i, span in enumerate(self._spans):
            if kept and (span.name == kept[-1].name or
                         (span.end_s - span.start_s < _SHORTEST_S and i < len(self._spans) - 1)):
                kept[-1] = Span(kept[-1].name, kept[-1].start_s, span.end_s)
            else:
                kept.append(span)
        return tuple(kept)


def spans_of(judgement: Mapping[str, Any]) -> tuple[Span, ...]:
    """The phases of a stored judgement."""
    phases: Sequence[Mapping[str, Any]] = judgement.get("phases") or ()
    return tuple(Span(str(p["name"]), float(p["start_s"]), float(p["end_s"])) for p in phases)


def of_test(test: TestKind, marked: Marking | None, job: str) -> str:
    """Which test of which job this is, on one line: so a marking that was read wrong, or the job of another car, is
    seen before the test is over."""
    name = report.test_name(test)
    stamp = f", marked {marked.value:g} {marked.unit}" if marked is not None else ""
    shown = printable(job.strip())
    shown = shown if len(shown) <= _JOB_LETTERS else f"{shown[:_JOB_LETTERS - 1].rstrip()}…"
    return f"{name[:1].upper()}{name[1:]}{stamp}: {shown or 'no job given'}"


def factor(unit: str) -> float:
    """How many of ``unit`` one kPa is."""
    return 1.0 / pressure_factor_kpa(unit)
