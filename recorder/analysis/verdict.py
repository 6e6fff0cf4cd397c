"""From what was found to an outcome with its reasons. Values are compared with limits as value +- 2 u."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from recorder.analysis.setup import Setup, Side, side
from recorder.digits import rounded_down, with_doubt
from recorder.limits import LEAST_MARKED_KPA, TESTER_LEAST, band_kpa
from recorder.model import Outcome, Quantity, Reason

__all__ = ["Findings", "decide", "over_limit", "wavers"]

# where no source is named beside a number: common practice, no source
PUMPED_KPA = 3.0  # less was never pumped up
HIDDEN_SHARE = 0.1  # of a stroke: so much beyond the opening may not show
STILL_IN_KPA = 4.0  # a gauge's zero seldom moves as far
SETTLES_KPA = 3.0  # just after the last stroke, where what it was pumped to was not seen
ENDS_S = 0.1  # so far apart may readings be: a hold is seen that much shorter than it was
CLIMBS_KPA = 0.5  # within a hold; less may be noise that wanders
PROVEN = 3.0  # standard uncertainties: a leak that ends a hold before anything else could be said



@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Findings:
    """What the estimators say. Pressures kPa, rate kPa/min with the tester's own leak still in it. Zero and
    calibration are in the uncertainties of peak, opening and end; stroke_kpa: what a stroke brings; reached_kpa: what
    the hold was pumped to, 0 where that was not seen; end: of the hold; cooled_kpa: so much of its fall may be air that
    pumping had warmed."""

    fault: str | None
    broken: str | None
    strokes: int
    peak: Quantity | None
    opening: Quantity | None
    hold_s: float
    rate: Quantity | None
    start_kpa: float | None
    zero_shift: Quantity | None
    rhythmic: bool = False
    rising: bool = False
    headspace_ml: float | None = None
    lost_at_once: bool = False
    never_held: bool = False
    judged: Quantity | None = None  # the opening, or the peak where the procedure goes by it; None: did not open
    stroke_kpa: float = 0.0
    reached_kpa: float = 0.0
    stood: Quantity | None = None  # the highest that the cap held before it opened
    earlier: tuple[Quantity, ...] = ()  # what it opened at the times before, in the same recording
    climbs_kpa: float = 0.0  # by so much the pressure rose within the hold
    end: Quantity | None = None
    cooled_kpa: float = 0.0


def longer_s(rate: float, u: float, limit: float, hold_s: float) -> float:
    """How much longer (s) a hold of ``hold_s`` has to go on until ``rate`` is clear of ``limit``: the uncertainty of a
    slope goes down with the 3/2 power of its length."""
    gap = max(abs(limit - rate), 0.05 * limit)
    more = hold_s * min(math.pow(2.0 * u / gap, 2.0 / 3.0), 4.0) - hold_s
    return max(round(more / 5.0) * 5.0, 15.0)


def wavers(setup: Setup, f: Findings) -> bool:
    """Whether what may be too fast a fall may as well be none, as the pressure rose by as much within the hold: no leak
    brings pressure back, and what rises by itself falls by itself as well."""
    if f.rate is None:
        return False
    limit = setup.procedure.steady_fall_allowed_kpa_per_min
    rate, u = setup.net_of_tester(f.rate.value, f.rate.standard_uncertainty or 0.0)
    without = rate - 60.0 * f.climbs_kpa / max(f.hold_s, 1.0)
    return f.climbs_kpa > CLIMBS_KPA and side(rate, u, limit) != "below" and side(without, u, limit) != "above"


def decide(setup: Setup, f: Findings) -> tuple[Outcome, tuple[Reason, ...], float | None]:
    """Outcome, reasons, and for ``undecided`` the further hold (s) that would settle it."""
    if f.fault:
        return "void", (Reason("sensor-fault", f"The reading cannot be trusted: {f.fault}."),), None
    if f.broken:
        return "void", (Reason("trace-broken", f"The trace is broken: {f.broken}."),), None
    if f.strokes == 0 or f.peak is None or f.peak.value < PUMPED_KPA:
        return "void", (Reason("never-pumped", "The pressure was never pumped up."),), None
    out, reasons, more = _judge(setup, f)
    zero = _zero(setup, f)
    if zero and f.zero_shift is not None and out != _whenever(setup, f, f.zero_shift.value, out):
        out, more = "undecided", None
    return out, (*reasons, *zero), more


def _judge(setup: Setup, f: Findings) -> tuple[Outcome, tuple[Reason, ...], float | None]:
    return _cap(setup, f) if setup.test == "cap" else _system(setup, f)


def _whenever(setup: Setup, f: Findings, shift_kpa: float, outcome: Outcome) -> Outcome:
    """The outcome whenever zero moved, before anything was read or in the hold; ``undecided`` where it is another."""

    def less(q: Quantity | None, by: float) -> Quantity | None:
        return None if q is None else replace(q, value=q.value - by)

    start = None if f.start_kpa is None else f.start_kpa - shift_kpa
    early = replace(
        f, peak=less(f.peak, shift_kpa), opening=less(f.opening, shift_kpa), judged=less(f.judged, shift_kpa),
        stood=less(f.stood, shift_kpa), start_kpa=start,
        earlier=tuple(replace(q, value=q.value - shift_kpa) for q in f.earlier),
        reached_kpa=max(f.reached_kpa - shift_kpa, 0.0), end=less(f.end, shift_kpa),
    )  # fmt: skip
    late = replace(f, rate=less(f.rate, -60.0 * shift_kpa / max(f.hold_s, 1.0)))
    return outcome if all(_judge(setup, g)[0] == outcome for g in (early, late)) else "undecided"


def _zero(setup: Setup, f: Findings) -> list[Reason]:
    z = f.zero_shift
    if (
        z is not None
        and z.standard_uncertainty is not None
        and abs(z.value) - 2 * z.standard_uncertainty > setup.procedure.zero_shift_allowed_kpa
    ):
        text = f"Zero moved by {z.value:.1f} kPa between start and release."
        if z.value > STILL_IN_KPA:
            text = f"The reading rests at {z.value:.1f} kPa after the release: zero moved, or not all was let go."
        return [Reason("zero-shift", text)]
    return []


def _hold(setup: Setup, f: Findings) -> tuple[Outcome, list[Reason], float | None]:
    """The hold alone: its steady fall against the allowance."""
    proc = setup.procedure
    limit = proc.steady_fall_allowed_kpa_per_min
    if f.rate is None or f.rate.standard_uncertainty is None:
        text = "There is no hold long enough to judge."
        return "undecided", [Reason("hold-too-short", text)], proc.hold_s
    rate, u = setup.net_of_tester(f.rate.value, f.rate.standard_uncertainty)
    where = side(rate, u, limit)
    reasons: list[Reason] = []
    own, raw_side = setup.tester_rate, side(f.rate.value, f.rate.standard_uncertainty, limit)
    if setup.test == "cap" and own is not None and raw_side != "below" and where != "above":
        text = f"The tester itself loses {own.value:.2f} kPa/min; that part is taken out."
        reasons.append(Reason("tester-leaks", text))
    said = f"{with_doubt(rate, 2 * u)} kPa/min beyond settling, {limit:g} kPa/min allowed"
    short = f.hold_s < proc.shortest_hold_s - ENDS_S
    if where != "below" and not short and not f.rising and wavers(setup, f):
        text = (
            f"The pressure rose by {f.climbs_kpa:.1f} kPa during the hold, which no leak does: something warms up and "
            f"cools, or was moved, and a fall may be that: {said}."
        )
        return "undecided", [*reasons, Reason("hold-too-short", text)], None
    # so short a hold may be ended by a leak that is proven, and by nothing less
    if where == "above" and (not short or side(rate, PROVEN * u / 2.0, limit) == "above"):
        return "fail", [*reasons, Reason("fall-too-fast", f"It falls too fast: {said}.")], None
    if short:
        text = f"The hold lasted {rounded_down(f.hold_s, 1)} s; it takes at least {proc.shortest_hold_s:g} s to say "
        reasons.append(Reason("hold-too-short", text + "anything."))
        return "undecided", reasons, max(proc.hold_s - f.hold_s, 5.0)
    if f.rising:
        text = "The pressure rises during the hold: something is warming up, and that could hide a leak."
        reasons.append(Reason("hold-too-short", text))
        return "undecided", reasons, proc.hold_s
    if where == "unclear":
        more = longer_s(rate, u, limit, f.hold_s)
        reasons.append(Reason("hold-too-short", f"The hold cannot tell yet: {said}. Hold about {more:.0f} s more."))
        return "undecided", reasons, more
    if rate < 2.0 * u:
        reasons.append(Reason("no-detectable-fall", f"No fall beyond settling can be seen: {said}."))
    else:
        reasons.append(Reason("fall-within-allowance", f"The fall is within the allowance: {said}."))
    return "pass", reasons, None


def _stayed_shut(f: Findings, low: float, high: float, held: Outcome) -> tuple[Outcome, Reason]:
    """Of a cap that was not seen to open. low, high: its band, kPa gauge."""
    limits = _allowed(low, high)
    peak = f.peak.value if f.peak else 0.0
    peak_u = (f.peak.standard_uncertainty or 0.0) if f.peak else 0.0
    # an opening in the last part of the last stroke alone may not show
    if peak - 2 * peak_u - HIDDEN_SHARE * f.stroke_kpa > high:
        return "fail", Reason("no-opening", f"It did not open up to {peak:.0f} kPa; {limits}.")
    if f.never_held or (held == "fail" and peak + 2 * peak_u < low):
        return "fail", Reason("no-opening", f"It never built up pressure to open; {limits}.")
    if held == "fail":
        text = f"It was pumped to {peak:.0f} kPa; whether it opened cannot be told from what it leaks. {limits}."
        return "undecided", Reason("no-opening", text)
    return "undecided", Reason("no-opening", f"It was pumped to {peak:.0f} kPa and did not open; {limits}.")


def _opened(f: Findings, judged: Quantity, low: float, high: float) -> tuple[Outcome, Reason]:
    """The pressure that is judged against the cap's band, kPa gauge."""
    value, u = judged.value, judged.standard_uncertainty or 0.0
    said = f"{with_doubt(value, 2 * u)} kPa, {_allowed(low, high)}"
    if value + 2 * u < low:
        return "fail", Reason("opens-low", f"It opens too low: {said}.")
    if value - 2 * u > high:
        return "fail", Reason("opens-high", f"It opens too high: {said}.")
    if f.stood is not None and f.stood.value - 2 * (f.stood.standard_uncertainty or 0.0) > high:
        return "fail", Reason("opens-high", f"It held {f.stood.value:.0f} kPa before it opened at {said}.")
    for q in f.earlier:
        was, doubt = q.value, 2 * (q.standard_uncertainty or 0.0)
        if was + doubt < low or was - doubt > high:
            text = f"It opened at {with_doubt(was, doubt)} kPa before, and now at {said}: record it by itself."
            return "undecided", Reason("opens-low" if was < low else "opens-high", text)
    if value - 2 * u >= low and value + 2 * u <= high:
        return "pass", Reason("opens-in-band", f"It opens where it should: {said}.")
    code = "opens-low" if value < (low + high) / 2 else "opens-high"
    return "undecided", Reason(code, f"The opening is too close to the limit to tell: {said}.")


def _allowed(low: float, high: float) -> str:
    return f"{low:.1f} to {rounded_down(high, 1)} kPa allowed"


def _cap(setup: Setup, f: Findings) -> tuple[Outcome, tuple[Reason, ...], float | None]:
    held, reasons, more = _hold(setup, f)
    known = band_kpa(setup.procedure, setup.marked)
    band: Outcome = "undecided"
    if known is not None:
        band, of_band = _stayed_shut(f, *known, held) if f.judged is None else _opened(f, f.judged, *known)
        first = [of_band]
    else:
        first = [Reason("no-opening", "The cap was not seen to open.")] if f.opening is None else []
    if f.never_held and f.opening is None and band == "fail":
        reasons = [
            Reason(
                "fall-too-fast",
                "What each stroke brings is gone before the next one: it does not seal.",
            )
        ]
    reasons = [*first, *reasons]
    if "fail" in (band, held):
        return "fail", tuple(reasons), None
    if f.rhythmic or f.lost_at_once:
        held = "undecided"
        if f.lost_at_once:
            reasons.append(
                Reason("trace-broken", "The pressure vanished at once, as where a hose comes off.")
            )
        else:
            text = "The pressure beats in a rhythm, which may hide a leak: keep the pump and its hose still."
            reasons.append(Reason("trace-broken", text))
    return ("undecided" if "undecided" in (band, held) else "pass"), tuple(reasons), more


def over_limit(setup: Setup, f: Findings) -> tuple[Side, float] | None:
    """On which side of the limit the highest pressure of a marked system was, and that limit (kPa)."""
    if setup.marked is None or f.peak is None:
        return None
    limit = setup.marked.kpa + setup.procedure.over_limit_kpa
    return side(f.peak.value, f.peak.standard_uncertainty or 0.0, limit), limit


def _least(setup: Setup) -> tuple[float, float, str]:
    """The least (kPa) at which a system, or the tester itself, is held; and what is wanted, with words for it."""
    if setup.marked is not None:
        target = setup.marked.kpa + setup.procedure.target_low_kpa
        return target, target, "the target begins at"
    if setup.test == "tester":  # it has no marking, and may be held a little below its target
        target = setup.procedure.tester_target_kpa
        return TESTER_LEAST * target, target, "the target begins at"
    return LEAST_MARKED_KPA, LEAST_MARKED_KPA, "no marking is given, and the lowest of any cap is"


def _came_down(setup: Setup, f: Findings) -> str | None:
    """What to say of a marked system that came down clearly below its marking, whatever took it there: below it the cap
    would hold it, so it was not tested where it has to be tight. The air's cooling is no fault of the system."""
    if setup.marked is None or setup.test != "system" or f.end is None:
        return None
    end, least = f.end.value, setup.marked.kpa
    if end + f.cooled_kpa + 2 * (f.end.standard_uncertainty or 0.0) >= least:
        return None
    digits = 0 if least - end > 2.0 else 1
    return (f"It came down to {end:.{digits}f} kPa, below the marking of {least:.{digits}f} kPa: "
            "pump it up again to its target, and hold.")


def _system(setup: Setup, f: Findings) -> tuple[Outcome, tuple[Reason, ...], float | None]:
    out, reasons, more = _hold(setup, f)
    if f.lost_at_once and out != "fail":
        out = "void" if f.rate is None else "undecided"
        reasons.append(
            Reason(
                "trace-broken", "The pressure vanished at once during the hold, as where a hose comes off."
            )
        )
    if f.rhythmic and out not in ("fail", "void"):
        out = "undecided"
        reasons.append(
            Reason(
                "trace-broken",
                "The pressure beats in a rhythm: is the engine running? If it runs, "
                "combustion gas in the coolant is suspected. Test with the engine off.",
            )
        )
    if f.start_kpa is not None and f.peak is not None:
        peak_u = f.peak.standard_uncertainty or 0.0
        # what settles after the last stroke is no fault of the pumping
        reached = max(f.reached_kpa, f.start_kpa) if f.reached_kpa > 0.0 else f.start_kpa + SETTLES_KPA
        least, wanted, words = _least(setup)
        if reached + 2 * peak_u < least:  # a leak shows a little below as well: only what is clearly below counts
            had, verb = (reached, "Pumped to") if f.reached_kpa > 0.0 else (f.start_kpa, "Held at")
            digits = 0 if least - reached > 2.0 else 1
            text = f"{verb} {had:.{digits}f} kPa; {words} {wanted:.{digits}f} kPa."
            reasons.append(Reason("below-target", text))
            if out == "pass":
                out, more = "undecided", None
    if out == "pass" and (down := _came_down(setup, f)):
        reasons.append(Reason("below-target", down))
        out, more = "undecided", None
    over = over_limit(setup, f)
    if over is not None and over[0] == "above" and f.peak is not None:  # held or not: who sees it lets go at once
        text = f"It was pumped to {f.peak.value:.0f} kPa; never above {rounded_down(over[1], 1)} kPa."
        reasons.append(Reason("over-limit", text))
    most = setup.procedure.most_air_ml
    if f.headspace_ml is not None and f.headspace_ml > most:
        reasons.append(
            Reason(
                "too-much-air",
                f"About {f.headspace_ml:.0f} mL of air in the system: a leak shows as a smaller fall.",
            )
        )
        # in so much air what a leak of the size that matters takes shows as a smaller fall
        small = setup.procedure.steady_fall_allowed_kpa_per_min * most / f.headspace_ml
        rate, u = (f.rate.value, f.rate.standard_uncertainty or 0.0) if f.rate is not None else (0.0, 0.0)
        if out == "pass" and side(rate, u, small) != "below":
            out, more = "undecided", None
    return out, tuple(reasons), more
