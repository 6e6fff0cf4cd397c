"""What a result shows: outcome, reasons, advice, and every number with where it comes from. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from recorder import report
from recorder.units import format_pressure
from recorder.window.link.left_on import LeftOn
from recorder.window.state.words import in_window, minus

__all__ = ["LeftOnScreen", "Number", "ResultScreen", "left_on_screen", "numbers_of", "result_screen", "sign_of",
           "unread"]


@dataclass(frozen=True, slots=True)
class Number:
    """One number: its label, its text with two standard uncertainties, and its source in words."""

    label: str
    text: str
    source: str


@dataclass(frozen=True, slots=True)
class ResultScreen:
    """The result. ``sign``: ``tick``, ``cross``, ``question`` or ``slash``; ``role`` the colour behind it.
    ``warning``: what has to be seen beside the outcome from as far; empty where there is nothing.
    safety: those of the reasons and the advice that are never left out for room. put_away: the last step after a pass,
    where the advice has nothing before it."""

    word: str
    sign: str
    role: str
    reasons: tuple[str, ...]
    advice: tuple[str, ...]
    caution: str
    numbers: tuple[Number, ...]
    warning: str = ""
    safety: frozenset[str] = frozenset()
    put_away: str = ""

    @property
    def lead(self) -> str:
        """What to do next, to be read from as far as the outcome; empty where a warning comes before it."""
        return "" if self.warning else self.advice[0] if self.advice else self.put_away

    @property
    def lines(self) -> tuple[str, ...]:
        """Reasons, then advice, a line each."""
        return (*self.reasons, *(f"→ {a}" for a in self.advice))

    def beside(self, lead: str) -> tuple[str, ...]:
        """The lines, without the one that stands larger elsewhere."""
        return tuple(line for line in self.lines if line != f"→ {lead}")

    def fewer(self, most: int, where: str, lead: str = "") -> tuple[list[str], list[str]]:
        """``most`` of the lines beside ``lead``, those of safety among them whatever their number, and what was left
        out; a last line says how many those are, and ``where`` they stand."""
        lines = self.beside(lead)
        if len(lines) <= most:
            return list(lines), []
        safe = {i for i, line in enumerate(lines) if line.removeprefix("→ ") in self.safety}
        others = [i for i in range(len(lines)) if i not in safe]
        kept = safe | set(others[: max(most - len(safe), 0)])
        left = [line for i, line in enumerate(lines) if i not in kept]
        return [*(lines[i] for i in sorted(kept)), *([f"+{len(left)} more: {where}"] if left else [])], left


@dataclass(frozen=True, slots=True)
class LeftOnScreen:
    """The pressure that a test left on. reading: the number alone, large; empty when it stands at zero."""

    reading: str
    unit: str
    sentence: str
    alarm: bool


_SIGNS = {
    "pass": ("tick", "good"), "fail": ("cross", "bad"), "undecided": ("question", "open_question"),
    "void": ("slash", "nothing"),
}


def sign_of(outcome: object) -> tuple[str, str]:
    """Sign and colour role of an outcome."""
    return _SIGNS.get(str(outcome), ("slash", "nothing"))


def _at(q: Mapping[str, Any] | None) -> str:
    time_s = q.get("time_s") if isinstance(q, Mapping) else None
    return f" at {float(time_s):.1f} s" if isinstance(time_s, int | float) else ""


def numbers_of(judgement: Mapping[str, Any], unit: str) -> tuple[Number, ...]:
    """Every number of a judgement, in the order in which it came to be."""
    hold = judgement.get("hold") or {}
    settling = hold.get("settling") or {}
    length = ""
    if hold:
        length = f"hold of {float(hold['end_s']) - float(hold['start_s']):.0f} s"
    strokes = f"{judgement['strokes']} strokes" if judgement.get("strokes") else "strokes"
    opening, peak, reseat = (judgement.get(k) for k in ("opening", "peak", "reseat"))
    protects = judgement.get("protects") or {}
    own = judgement.get("tester_rate") if judgement.get("test") == "cap" else None
    rise, rises = report.rise_of(hold.get("drop")), report.rise_of(hold.get("rate"))
    rows: list[tuple[str, Any, str]] = [
        ("opened at", opening, f"bend of the trace{_at(opening)}; gauge"),
        ("highest", peak, f"trace{_at(peak)}, noise taken out; gauge"),
        ("closed again at", reseat, f"trace{_at(reseat)}; gauge"),
        ("rise in the hold" if rise else "fall in the hold", rise or hold.get("drop"), f"fit of the {length}"),
        ("steady rise" if rises else "leak rate", rises or hold.get("rate"),
         f"fit of the {length}, settling taken out{', tester in it' if own else ''}"),
        ("of it the tester's", own, "its last check, hose blanked; taken out before it is judged"),
        # whatever it could have shown, a rise may hide more
        ("smallest it could show", None if rises else hold.get("smallest_detectable_rate"),
         "noise and length of this hold"),
        ("hold began at", hold.get("start"), "fit at its start; gauge"),
        ("hold ended at", hold.get("end"), "fit at its end; gauge"),
        ("settling", settling.get("amplitude"), "fit, the part that dies away"),
        ("gas space", judgement.get("headspace"), f"rise of the {strokes}; stroke volume given"),
        ("leak flow", judgement.get("leak_flow"), "leak rate and gas space"),
        ("zero", judgement.get("zero"), "vented reading before"),
        ("zero moved", judgement.get("zero_shift"), "vented reading after, less before"),
        ("water boils at", protects.get("boiling_point"), "water and steam at that pressure, IAPWS-IF97"),
    ]
    return tuple(Number(label, report.quantity(q, unit), source) for label, q, source in rows
                 if isinstance(q, Mapping) and q.get("value") is not None)


def result_screen(judgement: Mapping[str, Any], unit: str, found: Sequence[str] = ()) -> ResultScreen:
    """The result of a finished test, from its judgement JSON and the findings that were marked."""
    sign, role = sign_of(judgement.get("outcome"))
    reasons = report.reasons(judgement, unit)
    advice = report.advice(judgement, found)
    safety = [text for code, text in zip(report.codes(judgement), reasons, strict=True) if report.is_safety(code)]
    safety += filter(report.is_safety, advice)
    return ResultScreen(
        report.outcome_word(judgement), sign, role, tuple(map(in_window, reasons)), tuple(map(in_window, advice)),
        report.caution("release", judgement.get("test", "cap")) or "", numbers_of(judgement, unit),
        report.warning(judgement), frozenset(map(in_window, safety)), report.put_away(judgement, found),
    )


def unread(screen: ResultScreen) -> ResultScreen:
    """Of a test in which not one reading came, where the banner says why: no cable is to be checked besides."""
    return replace(screen, reasons=("Not one reading came, and nothing was recorded.",), numbers=(), warning="",
                   advice=("Nothing could be read from the adapter: the line at the top says what to do.",))


def left_on_screen(left: LeftOn, unit: str) -> LeftOnScreen:
    """What stands above a result for as long as there is pressure."""
    text = format_pressure(left.pressure_kpa, unit)
    number = minus(text.split(" ")[0])
    if left.off:
        return LeftOnScreen("", unit, "The pressure is off", False)
    sentence = report.still_on(left.pressure_kpa, unit, was=left.was, fault=left.fault)
    if sentence is None:
        sentence = "Wait for zero; do not take anything off yet"
        if left.fault:  # its readings are back, and not yet to be believed: no number stands there to wait for
            sentence = "The gauge reported a fault: see zero on the pump's own gauge before you take anything off"
        elif left.was:
            sentence = f"It was at {text} when it was last read: see that it is at zero before you take anything off"
    unknown = left.was or (left.fault and left.pressure_kpa >= -report.NO_ZERO_KPA)
    return LeftOnScreen("– –" if unknown else number, unit, sentence, left.alarm)
