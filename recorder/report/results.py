"""A judgement in plain lines. Works on its JSON, so that a stored one prints the same as a fresh one."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Any

from recorder.report.names import FAULTS, TOLD_FAULT, outcome_word, test_name
from recorder.report.numbers import lasted, quantity, rise_of, span
from recorder.units import pressure_factor_kpa

__all__ = ["codes", "hold_answered", "in_unit", "notes", "reasons", "summary", "warning"]


def _listed(judgement: Mapping[str, Any], name: str) -> list[Mapping[str, Any]]:
    """The objects in a list of it; none where something else stands there, as another program may have stored."""
    found = judgement.get(name)
    return [one for one in found if isinstance(one, Mapping)] if isinstance(found, list | tuple) else []


def _reasons(judgement: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    found = _listed(judgement, "reasons")
    return sorted(found, key=lambda reason: reason.get("code") != "over-limit")  # whatever else, that one comes first


def codes(judgement: Mapping[str, Any]) -> list[str]:
    """The codes of the reasons, in their order."""
    return [str(reason.get("code", "")) for reason in _reasons(judgement)]


def hold_answered(judgement: Mapping[str, Any]) -> bool:
    """Whether the hold said that it falls, or that it does not; else nothing follows from how far it fell."""
    return not {"no-detectable-fall", "fall-within-allowance", "fall-too-fast"}.isdisjoint(codes(judgement))


def over_limit(judgement: Mapping[str, Any]) -> str:
    """``was OVER THE LIMIT``, ``may have been OVER THE LIMIT`` where the gauge cannot tell, or empty."""
    if "over-limit" in codes(judgement):
        return "was OVER THE LIMIT"
    maybe = "near-the-limit" in [note.get("code") for note in notes(judgement)]
    return "may have been OVER THE LIMIT" if maybe else ""


def warning(judgement: Mapping[str, Any]) -> str:
    """What has to be seen beside the outcome, whatever it is; empty where there is nothing."""
    was = over_limit(judgement)
    if not was:
        return ""
    but = "but it" if judgement.get("outcome") == "pass" else "it"
    what = "the tester's hose and joints" if judgement.get("test") == "tester" else "hoses, radiator and tank"
    return f"{but} {was}: look {what} over"


def notes(judgement: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """The notes, ``{"code", "text"}`` each."""
    return _listed(judgement, "notes")


def _head(judgement: Mapping[str, Any]) -> str:
    test = str(judgement.get("test", ""))
    marked = judgement.get("marked")
    stamp = f", marked {marked['value']:g} {marked['unit']}" if isinstance(marked, Mapping) else ""
    return f"{outcome_word(judgement)}: {test_name(test)}{stamp}"


def _hold_lines(judgement: Mapping[str, Any], unit: str) -> list[str]:
    hold = judgement.get("hold")
    if not isinstance(hold, Mapping):
        return []
    length = float(hold["end_s"]) - float(hold["start_s"])
    drop, rate = hold.get("drop"), hold.get("rate")
    rise, rises = rise_of(drop), rise_of(rate)
    way = f"a drop of {quantity(drop, unit)}" if rise is None else f"a rise of {quantity(rise, unit)}"
    least = quantity(_value_only(hold.get("smallest_detectable_rate")), unit)
    steady = f"steady fall {quantity(rate, unit)} (settling taken out); smallest that this trace could show {least}"
    if rises is not None:  # whatever it could have shown, the rise may hide more
        steady = f"steady rise {quantity(rises, unit)} (settling taken out)"
    bare = "" if judgement.get("zero") is not None else " as read (where zero is, is not known)"
    ends = f"from {quantity(hold.get('start'), unit)} to {quantity(hold.get('end'), unit)}"
    lines = [
        f"held {lasted(length)} {ends}{bare}, {way}",
        steady,
    ]
    own = judgement.get("tester_rate")
    if judgement.get("test") == "cap" and isinstance(own, Mapping):  # the reasons tell the rest alone
        lines.append(f"of it the tester's own, from its last check: {quantity(own, unit)}; "
                     "taken out before it is judged")
    settling = hold.get("settling")
    if isinstance(settling, Mapping):
        size = settling.get("amplitude")
        back = rise_of(size)
        what = f"settling {quantity(size, unit)}" if back is None else f"coming back by {quantity(back, unit)}"
        lines.append(f"{what} with a time constant of {quantity(settling.get('time_constant_s'))}")
    return lines


# "83.8 ± 1.5 kPa", "99.3 to 121.3 kPa", "7 kPa/min": the pressures in a text.
_MOST_DIGITS = 4  # of a rate that stands alone; no gauge tells one more closely
_PRESSURES = re.compile(r"(-?\d+(?:\.\d+)?)(?:( ± | to )(\d+(?:\.\d+)?))? kPa(/min)?")


def in_unit(text: str, unit: str, known: Mapping[str, str] | None = None) -> str:
    """``text`` with its kPa in another unit: as ``known`` has it, others to as fine a step (a band's ends to the
    next coarser)."""
    if unit == "kPa":
        return text
    per_kpa = 1.0 / pressure_factor_kpa(unit)
    more = math.ceil(-math.log10(per_kpa))

    def converted(found: re.Match[str]) -> str:
        if known and found[0] in known:
            return known[found[0]]
        first, between, second, minute = found.groups()

        def one(number: str) -> str:
            places = len(number.partition(".")[2]) + more - (between == " to ")
            value = float(number) * per_kpa
            # a limit that was given as 1 psi/min is 6.89476 kPa/min, and no 1.000000
            if minute and between is None and value:
                places = min(places, _MOST_DIGITS - 1 - math.floor(math.log10(abs(value))))
            return f"{value:.{max(places, 0)}f}"

        both = one(first) + (f"{between}{one(second)}" if between else "")
        return f"{both} {unit}{minute or ''}"

    return _PRESSURES.sub(converted, text)


def _numbers(judgement: Mapping[str, Any], unit: str) -> dict[str, str]:
    """Each number of the judgement as it is written in kPa, and in ``unit``."""
    hold = judgement.get("hold")
    numbers = [judgement.get(name) for name in ("opening", "peak", "reseat", "zero_shift")]
    numbers += [hold.get(name) for name in ("start", "end", "drop", "rate")] if isinstance(hold, Mapping) else []
    return {quantity(q): quantity(q, unit) for q in numbers if isinstance(q, Mapping) and q.get("value") is not None}


def reasons(judgement: Mapping[str, Any], unit: str = "kPa") -> list[str]:
    """Why the outcome is what it is, a sentence each. What is a number of the judgement is written as elsewhere."""
    known = _numbers(judgement, unit)
    return [in_unit(_fault_told(str(r.get("text") or r.get("code"))), unit, known) for r in _reasons(judgement)]


def _fault_told(text: str) -> str:
    """The adapter's word for a fault, as the recording flags it, in words; one that is not known as it stands."""
    return TOLD_FAULT.sub(
        lambda told: f"the adapter reports a fault ({FAULTS[told[1]]})" if told[1] in FAULTS else told[0], text)


def _leak(judgement: Mapping[str, Any]) -> str:
    flow = judgement["leak_flow"]
    if not hold_answered(judgement):
        return f"its steady fall would be a leak of {quantity(flow)}"
    u = flow.get("standard_uncertainty")
    if u is not None and float(flow.get("value") or 0.0) < 2 * float(u):
        return f"no leak can be seen: {quantity(flow)}"
    return f"that is a leak of {quantity(flow)}"


def _value_only(q: object) -> Mapping[str, Any] | None:
    return {**q, "standard_uncertainty": None} if isinstance(q, Mapping) else None


def _pressures(judgement: Mapping[str, Any], unit: str) -> list[str]:
    """Opening, highest reading and closing, as far as they were seen."""
    cap = judgement.get("test") == "cap"
    judged = "peak" if judgement.get("judged_pressure") == "peak" else "opening"
    opening, peak, reseat = (judgement.get(key) for key in ("opening", "peak", "reseat"))

    def mark(name: str) -> str:
        return " (this one is judged)" if cap and name == judged else ""

    lines = []
    if cap and opening is not None:
        lines.append(f"began to open at {quantity(opening, unit)}{mark('opening')}")
    elif cap and judgement.get("outcome") != "void":
        lines.append("no opening was seen")
    if peak is not None:
        lines.append(f"highest reading {quantity(peak, unit)}{mark('peak')}")
    if cap and reseat is not None:
        lines.append(f"closed again at {quantity(reseat, unit)}")
    return lines


def summary(judgement: Mapping[str, Any], unit: str = "kPa") -> list[str]:
    """The judgement in plain lines: outcome first, what warns beside it, then reasons, then numbers with ± 2 standard
    uncertainties, then notes."""
    detail = [*reasons(judgement, unit), *_pressures(judgement, unit), *_hold_lines(judgement, unit)]
    if judgement.get("leak_flow") is not None:
        detail.append(_leak(judgement))
    if judgement.get("headspace") is not None:
        detail.append(f"gas space as the pump sees it {quantity(judgement['headspace'])}")
    if judgement.get("strokes"):
        strokes = judgement["strokes"]
        detail.append(f"{strokes} pump stroke{'s' if strokes != 1 else ''}")
    if judgement.get("zero_shift") is not None:
        detail.append(f"zero moved by {quantity(judgement['zero_shift'], unit)}")
    detail += _protects(judgement)
    detail += _early(judgement)
    known = _numbers(judgement, unit)
    detail += [f"note: {in_unit(str(note.get('text') or note.get('code')), unit, known)}" for note in notes(judgement)]
    beside = [f"  {warning(judgement)}"] if warning(judgement) else []
    return [_head(judgement), *beside, *(f"  {line}" for line in detail)]


def _early(judgement: Mapping[str, Any]) -> list[str]:
    """When the answer of the hold was certain: of the hold alone, for a cap that holds may fail by where it opens.
    Nothing where the trace as a whole gave no answer, or another one."""
    early = judgement.get("early")
    if not isinstance(early, Mapping) or judgement.get("outcome") not in ("pass", "fail"):
        return []
    falls = "fall-too-fast" in codes(judgement)
    said = {("leak", True): "that it leaks", ("tight", False): "that it holds (no fall that matters)"}
    words = said.get((str(early.get("answer")), falls))
    return [f"{words} was certain {span(float(early['time_s']))} into the trace"] if words else []


def _protects(judgement: Mapping[str, Any]) -> list[str]:
    protects = judgement.get("protects")
    if not isinstance(protects, Mapping) or protects.get("boiling_point") is None:
        return []
    text = f"at the pressure this cap holds, water boils at {quantity(protects['boiling_point'])}"
    if protects.get("at_marking") is not None:
        text += f" (at its marking {quantity(protects['at_marking'])})"
    if protects.get("glycol_50_estimate") is not None:
        text += f"; half glycol, estimated, at {quantity(protects['glycol_50_estimate'])}"
    return [text]
