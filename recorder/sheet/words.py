"""What a judgement says to a car owner: sentences without the trade's words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from recorder.report import NONE_VISIBLE, codes, hold_answered, notes, quantity, reasons, rise_of
from recorder.units import convert

__all__ = ["AGAIN", "ALTERED", "CAUTIONS", "NAMES", "PHASES", "SIGNS", "about", "say", "to_do", "to_do_before"]

NAMES = {"cap": "Radiator cap", "system": "Cooling system", "tester": "The tester itself"}
_ABOUT = {
    "cap": "The cap keeps the cooling system under pressure, so that the coolant does not boil. "
    "We pumped air against it to see at which pressure it opens and whether it stays tight below that.",
    "system": "We pumped the cold cooling system up to a little above the pressure that its cap is made for, "
    "stopped pumping, and watched whether the pressure falls.",
    "system, no marking": "We pumped up the cold cooling system, stopped pumping, and watched whether the pressure "
    "falls.",
    "tester": "We closed the hose of the tester and watched whether the tester itself loses pressure.",
}
SIGNS = {"pass": "OK", "fail": "NOT OK", "undecided": "NOT CLEAR YET", "void": "NO RESULT",
         "altered": "FILE CHANGED"}
ALTERED = "The file of this test was changed after the test was made. Nothing in it can be relied on."
AGAIN = "Have the test made again."
PHASES = {"vented": "no pressure", "pump-up": "pumping", "relief": "cap opens", "hold": "waiting",
          "release": "let off"}
CAUTIONS = (
    "Never open the cap of a hot engine: the coolant is under pressure and scalds. Wait until it is cold.",
    "If the temperature warning comes on, stop where it is safe and switch the engine off.",
    "Coolant is poisonous. Keep it away from children and animals, and wipe up what has dripped.",
)
_ANSWERS = {
    ("cap", "pass"): "The cap works as it should.",
    ("cap", "fail"): "The cap does not work as it should.",
    ("system", "pass"): "We found no leak.",
    ("system", "fail"): "The cooling system did not pass.",
    ("tester", "pass"): "The tester is tight.",
    ("tester", "fail"): "The tester itself leaks.",
}
_UNDECIDED = "The test was too short or too unsteady to say; it has to be made again."
_UNDECIDED_BY = {  # where this alone is why
    "no-marking": "Without the marking of the cap nobody can say whether it works as it should.",
    "too-much-air": "There is too much air in the system to say; it has to be filled and tested again.",
    "no-opening": "The cap was not pumped up far enough to say; it has to be tested again.",
    "below-target": "It was not pumped up far enough to say; it has to be tested again.",
    **dict.fromkeys(("opens-low", "opens-high"), "The cap opens so near the edge of what is allowed that this gauge "
                    "cannot say whether it works as it should; it has to be tested again."),
    "zero-shift": "The gauge did not come back to zero, so this test cannot say; it has to be made again.",
}
_OTHERWISE = {"hold-too-short", "trace-broken"}  # the hold is why
_TIGHT_ONLY = "The cap stays tight. Whether it opens where it should could not be judged."
_NO_MARKING = {
    "cap": "No marking of the cap was given, so it could not be judged whether it opens where it should.",
    "system": "No marking of the cap was given, so it could not be judged whether the system was pumped up to the "
    "pressure that it has to hold.",
}
_VOID = "This was not a usable test; it has to be made again."
_PLAIN_VOID = {  # the reasons' own texts are for who tests
    "sensor-fault": "The gauge could not be read reliably during this test.",
    "trace-broken": "What was recorded of this test is not enough to say anything.",
}
_OVER = "The pressure went over the limit of the test: have hoses, radiator and tank looked over."
_TRADE = "beyond settling"  # texts with these words are put in others; the numbers follow in the hold's sentences
_PLAIN = {
    ("cap", "fall-too-fast"): "Below that it does not stay tight: the pressure falls faster than it may.",
    ("cap", "fall-within-allowance"): "Below that it loses a little, no more than it may.",
    ("cap", "no-detectable-fall"): "Below that it stays tight.",
    ("system", "fall-too-fast"): "The pressure falls faster than in a tight system.",
    ("system", "fall-within-allowance"): "It loses a little, no more than it may.",
    ("system", "no-detectable-fall"): "The pressure stays up: no leak can be seen in it.",
}
_PLAIN_ANY = {
    "fall-too-fast": "The pressure falls faster than it may.",
    "fall-within-allowance": "The pressure falls a little, no more than it may.",
    "no-detectable-fall": "The pressure stays up.",
    "hold-too-short": "The pressure was not watched for long enough to tell.",
}


def _why(j: Mapping[str, Any], unit: str) -> list[str]:
    out = []
    for code, text in zip(codes(j), reasons(j, unit), strict=True):
        if j.get("outcome") == "void":
            text = _PLAIN_VOID.get(code, text)
        elif _TRADE in text:
            text = _PLAIN.get((str(j.get("test")), code)) or _PLAIN_ANY.get(code) or text
        out.append(text)
    return out


def _stamp(j: Mapping[str, Any], unit: str) -> list[str]:
    """Where it opened, unless the reasons say so already; and what is stamped on it."""
    opening, marked = j.get("opening"), j.get("marked")
    out = []
    if isinstance(opening, Mapping) and not any(code.startswith("opens-") for code in codes(j)):
        out.append(f"The cap began to open at {quantity(opening, unit)}.")
    if isinstance(marked, Mapping):
        text = f"{float(marked['value']):g} {marked['unit']} is stamped on the cap"
        if marked["unit"] != unit:
            kpa = convert(float(marked["value"]), str(marked["unit"]), "kPa")
            text += f" (that is {convert(kpa, 'kPa', unit):.4g} {unit})"
        out.append(text + ".")
    return out


def _hold(j: Mapping[str, Any], unit: str) -> list[str]:
    hold = j.get("hold")
    if not isinstance(hold, Mapping):
        return []
    seconds = float(hold["end_s"]) - float(hold["start_s"])
    if j.get("outcome") == "void":  # what moved is known, and not what it means
        rise = rise_of(hold.get("drop"))
        way = f"rose by {quantity(rise, unit)}" if rise else f"fell by {quantity(hold.get('drop'), unit)}"
        way = "stayed as it was" if not rise and _no_fall(hold.get("drop")) else way
        return [f"In {seconds:.0f} seconds without pumping the pressure {way}; from this alone nothing follows."]
    out = [
        f"We waited {seconds:.0f} seconds without pumping. The pressure went from "
        f"{quantity(hold['start'], unit)} to {quantity(hold['end'], unit)}."
    ]
    rate = hold.get("rate")
    if isinstance(rate, Mapping) and rate.get("value") is not None:
        u = rate.get("standard_uncertainty")
        if rise_of(rate) is not None:
            out.append("It rose by itself, so something was warming up, and that can hide a leak.")
        elif not hold_answered(j):  # neither that it is normal nor that a leak is in it
            out.append("From this alone nothing follows: it could not be told whether something leaks.")
        elif u is not None and float(rate["value"]) > 2 * float(u):
            out.append(_share(hold, rate, seconds, unit))
        else:
            out.append("So little is normal: hoses stretch and air cools down.")
    if j.get("leak_flow") is not None and "fall-too-fast" in codes(j):
        lost = quantity(j["leak_flow"]).replace("mL/min", "millilitres a minute")
        out.append(f"Under this pressure about {lost} were lost.")
    return out


def _no_fall(drop: Any) -> bool:
    """Whether what it fell by is within what it is uncertain by."""
    u = drop.get("standard_uncertainty") if isinstance(drop, Mapping) else None
    return isinstance(drop, Mapping) and u is not None and abs(float(drop["value"])) <= 2 * float(u)


def _share(hold: Mapping[str, Any], rate: Mapping[str, Any], seconds: float, unit: str) -> str:
    """How much of the fall a leak causes. There is a rest only where the leak's part is less than the whole fall."""
    drop = hold.get("drop")
    whole = float(drop["value"]) if isinstance(drop, Mapping) and drop.get("value") is not None else None
    if whole is not None and float(rate["value"]) * seconds / 60 >= whole:
        return f"All of this fall is what a leak causes: {quantity(rate, unit)}."
    return (f"The part of this fall that a leak causes is {quantity(rate, unit)}; the rest is hoses "
            "stretching and air cooling down, which is normal.")


def about(test: str, *, marked: bool) -> str:
    """What was done and why. marked: the marking of the cap was given."""
    return _ABOUT.get(test if marked or test != "system" else "system, no marking", "")


def _unmarked(j: Mapping[str, Any]) -> bool:
    """Whether a pressure could not be held against anything: no marking was given, nor a band in its place."""
    return j.get("marked") is None and not any(code.startswith("opens-") for code in codes(j))


def _answer(j: Mapping[str, Any], test: str, outcome: str) -> str:
    why, unmarked = codes(j), test == "cap" and _unmarked(j)
    if outcome == "undecided":
        alone = [] if _OTHERWISE & set(why) else [*(["no-marking"] if unmarked else []), *why]
        if "zero-shift" in alone:  # where it opened is not known then
            alone = [code for code in alone if not code.startswith("opens-")]
        return next((_UNDECIDED_BY[code] for code in alone if code in _UNDECIDED_BY), _UNDECIDED)
    if outcome == "pass" and unmarked:
        return _TIGHT_ONLY
    return _ANSWERS.get((test, outcome), _VOID)


def say(j: Mapping[str, Any], unit: str = "kPa") -> list[str]:
    """What was found, in sentences, the answer first. ``j`` is a judgement's JSON."""
    test, outcome = str(j.get("test")), str(j.get("outcome"))
    why = _why(j, unit)
    first = 1 if codes(j)[:1] and codes(j)[0].startswith("opens-") else 0  # the opening, then what is stamped
    stamp = _stamp(j, unit) if test == "cap" else []
    if test in _NO_MARKING and outcome != "void" and _unmarked(j):
        stamp.append(_NO_MARKING[test])
    return [_answer(j, test, outcome), *why[:first], *stamp, *why[first:], *_hold(j, unit)]


def to_do(j: Mapping[str, Any], found: Sequence[str] = ()) -> list[str]:
    """What the owner should have done. found: the findings of the test, in words."""
    test, outcome = str(j.get("test")), str(j.get("outcome"))
    wet = list(dict.fromkeys(text for text in found if text != NONE_VISIBLE))
    if test == "tester":
        return []
    besides = _besides(j, test, outcome)
    out = []
    if outcome in ("undecided", "void"):
        if not any(" again" in text for text in besides):
            out.append(AGAIN)
    elif outcome == "pass":
        if wet:
            out.append(f"{'' if besides else 'Nothing has to be mended now. '}Have "
                       f"{'this place' if len(wet) == 1 else 'these places'} looked at again: {', '.join(wet)}.")
        elif not besides:  # it would be untrue beside anything that has to be done
            out.append("Nothing has to be mended." if test == "system" else "Nothing has to be done.")
        if test == "system":
            out.append("Look at the coolant level now and then, with the engine cold.")
    elif test == "cap":
        marked = j.get("marked")
        out.append(f"Have the cap replaced by one with the same marking ({float(marked['value']):g} {marked['unit']})."
                   if isinstance(marked, Mapping)
                   else "Have the cap replaced by one with the marking that the vehicle's maker names.")
    else:
        out.append(f"Have the leak mended ({', '.join(wet)})." if wet
                   else "Nothing was wet outside: the leak may be inside the engine or behind the heater. Have "
                   "trained people look for it there and mend it." if NONE_VISIBLE in found
                   else "Have the leak looked for and mended; where it is was not seen in this test.")
        out.append("Until then look at the coolant level before every drive, with the engine cold.")
    return out + besides


def to_do_before(j: Mapping[str, Any], day: str) -> list[str]:
    """What is left to do by a test that was made again, on that day: of what could be mended the later one speaks."""
    again = f"This was tested again{f' on {day}' if day else ''}. What has to be done now is said at that test."
    return [again, *([_OVER] if "over-limit" in codes(j) else [])]


def _besides(j: Mapping[str, Any], test: str, outcome: str) -> list[str]:
    """What else some of the reasons want done, whatever the outcome."""
    why, out = codes(j), []
    if test == "cap" and outcome in ("pass", "undecided") and _unmarked(j):
        out.append("Have the cap tested again with its marking, the pressure that is stamped on it.")
    if "over-limit" in why:
        out.append(_OVER)
    elif any(note.get("code") == "near-the-limit" for note in notes(j)):
        out.append("The pressure may have gone over the limit of the test, which this gauge cannot tell: have hoses, "
                   "radiator and tank looked over.")
    if test == "system" and any(note.get("code") == "rhythmic" for note in notes(j)):
        out.append("The pressure beat in a rhythm: gas from the engine may be getting into the coolant. Have trained "
                   "people check that.")
    if "too-much-air" in why:
        out.append("There was much air in the system, in which a leak shows less. None was seen: have it filled."
                   if outcome == "pass" else
                   "There was much air in the system, which hides leaks: have it filled and tested again.")
    if "zero-shift" in why and outcome == "pass":
        out.append("The gauge did not quite come back to zero. The answer is the same wherever its zero was.")
    elif "zero-shift" in why:
        out.append("The gauge did not come back to zero, so its numbers are in doubt: have the test made again"
                   + (" before anything is replaced." if outcome == "fail" else "."))
    return out
