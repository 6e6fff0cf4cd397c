"""From a study to the judgement of format 1."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace
from itertools import pairwise
from math import hypot
from typing import TYPE_CHECKING, Any

import numpy as np

from recorder.analysis.boiling import boiling_point_c, glycol_estimate_c
from recorder.analysis.headspace import lost_ml
from recorder.analysis.hold import CALM_S
from recorder.analysis.setup import Setup
from recorder.analysis.study import Study
from recorder.analysis.trace.filters import medians, running_least
from recorder.analysis.trace.zero import full_scale_kpa
from recorder.analysis.verdict import Findings, decide, over_limit, wavers
from recorder.digits import rounded_down, with_doubt
from recorder.errors import SettingError
from recorder.model import Hold, Judgement, Outcome, Quantity, Settling

if TYPE_CHECKING:
    from recorder.analysis.opening import Opening

__all__ = ["write_up"]

_DIGITS = 6
# where no source is named beside a number: common practice, no source
STANDS_S = 0.5  # longer than a stroke stays above where it opens a valve
_ZERO_OFF = 0.025  # of the scale: farther is no sensor's own offset
# of the standard uncertainty: 5 % each way of saying what is not so (Currie, Anal. Chem. 40 (1968) 586-593)
_DETECTABLE = 3.29
STILL = 0.9  # of what was reached: a hold that begins lower was let down, whether that was seen or not


def _q(value: float, u: float | None, unit: str, time_s: float | None = None) -> Quantity:
    return Quantity(
        round(value, _DIGITS),
        None if u is None else round(u, _DIGITS),
        unit,
        None if time_s is None else round(time_s, _DIGITS),
    )


def _rounded(q: Quantity | None) -> Quantity | None:
    return None if q is None else _q(q.value, q.standard_uncertainty, q.unit, q.time_s)


def _hold(s: Study, scale_u: float) -> Hold | None:
    fit = s.fit
    if fit is None:
        return None
    settling = None
    if fit.tau_s > 0 and abs(fit.amplitude_kpa) > 2.0 * fit.amplitude_u:
        settling = Settling(
            _q(fit.amplitude_kpa, fit.amplitude_u, "kPa"), _q(fit.tau_s, fit.tau_u, "s")
        )
    drop = fit.start_kpa - fit.end_kpa
    offset_u = (s.zero_u**2 + scale_u**2) ** 0.5
    return Hold(
        round(s.hold_start_s, _DIGITS),
        round(s.hold_end_s, _DIGITS),
        _q(fit.start_kpa, (fit.start_u**2 + offset_u**2) ** 0.5, "kPa"),
        _q(fit.end_kpa, (fit.end_u**2 + offset_u**2) ** 0.5, "kPa"),
        _q(drop, fit.drop_u, "kPa"),
        _q(60.0 * fit.rate_kpa_per_s, 60.0 * fit.rate_u, "kPa/min"),
        settling,
        _q(60.0 * _DETECTABLE * fit.rate_u, None, "kPa/min"),
    )


def findings(setup: Setup, s: Study) -> Findings:
    """The study's numbers as the verdict wants them."""
    rate = None
    length = s.hold_end_s - s.hold_start_s
    if s.fit is not None:
        rate = Quantity(60.0 * s.fit.rate_kpa_per_s, 60.0 * s.fit.rate_u, "kPa/min")
    scale_u = setup.gauge_u_kpa
    opening = peak = None

    def told(o: Opening) -> Quantity:
        return Quantity(o.onset_kpa, hypot(o.onset_u, s.zero_u, scale_u), "kPa", o.onset_s)

    if s.opening is not None:
        opening = told(s.opening)
    if s.peak is not None:
        peak = replace(s.peak, standard_uncertainty=hypot(s.peak.standard_uncertainty or 0.0, s.zero_u, scale_u))
    judged = opening
    if opening is not None and peak is not None and setup.procedure.judged_pressure == "peak":
        judged = peak
    rises = sorted(k.rise_kpa for k in s.parts.strokes) if s.parts else []
    rising = s.fit is not None and s.fit.warms(setup.procedure.steady_fall_allowed_kpa_per_min)
    off = bool(s.parts and s.parts.knocked_off)
    return Findings(
        fault=s.fault,
        broken=s.broken,
        strokes=len(s.parts.strokes) if s.parts else 0,
        peak=peak,
        opening=opening,
        hold_s=length,
        rate=rate,
        start_kpa=s.fit.start_kpa if s.fit else None,
        zero_shift=s.zero_shift,
        rhythmic=s.rhythmic,
        rising=rising,
        headspace_ml=s.headspace.volume_ml if s.headspace else None,
        lost_at_once=off,
        never_held=s.never_held,
        judged=judged,
        stroke_kpa=rises[len(rises) // 2] if rises else 0.0,
        reached_kpa=_reached_kpa(s),
        stood=_stood(s, scale_u),
        climbs_kpa=_climbs_kpa(s),
        end=Quantity(s.fit.end_kpa, hypot(s.fit.end_u, s.zero_u, scale_u), "kPa") if s.fit else None,
        cooled_kpa=s.fit.cooled_kpa() if s.fit else 0.0,
        earlier=tuple(told(o) for o in s.opening.earlier) if s.opening else (),
    )


def _reached_kpa(s: Study) -> float:
    """The pressure that the hold which is judged was pumped to, since some was last let down; 0 where that was not
    seen, or where the hold begins as a fall stops."""
    if s.x is None or s.parts is None or s.fit is None or not s.parts.strokes:
        return 0.0
    if any(end == begins and abs(begins - s.hold_start_s) < 0.5 for (_, end), (begins, _) in pairwise(s.parts.holds)):
        return 0.0
    since = max((b for _, b in s.parts.let_downs if b <= s.hold_start_s + 0.5), default=0.0)
    pumped = (s.x.t >= since) & (s.x.t <= s.hold_start_s + 0.5)
    reached = float(s.x.smooth[pumped].max()) if pumped.any() else 0.0
    return reached if s.fit.start_kpa > STILL * reached else 0.0


def _stood(s: Study, scale_u: float) -> Quantity | None:
    """The highest pressure that was there for ``STANDS_S`` before the cap is said to have opened."""
    if s.x is None or s.opening is None:
        return None
    t, p = s.x.even_t, s.x.even_p
    p = p[: int(np.searchsorted(t, s.opening.onset_s))]
    n = max(round(STANDS_S / s.x.dt_s), 2)
    if len(p) < 2 * n:
        return None
    return Quantity(float(running_least(p, n)[n:-n].max()), hypot(s.x.sd_kpa, s.zero_u, scale_u), "kPa")


def _climbs_kpa(s: Study) -> float:
    """The most that the pressure rose within the hold, once air that pumping or a relief made warm or cold is so no
    longer. In blocks, so that neither noise nor a knock counts; of what may be one step of a coarse reading nothing is
    said."""
    if s.x is None or s.fit is None:
        return 0.0
    first, last = np.searchsorted(s.x.t, [s.hold_start_s + CALM_S, s.hold_end_s])
    n = max(round(max(CALM_S / 2.0, (s.hold_end_s - s.hold_start_s) / 20.0) / s.x.dt_s), 1)
    p = s.x.p[first : first + (last - first) // n * n].reshape(-1, n)
    if len(p) < 2:
        return 0.0
    middle = medians(p)[:, None]
    wide = 3.0 * s.x.sd_kpa + s.x.step_kpa
    level = np.clip(p, middle - wide, middle + wide).mean(axis=1)
    step = s.x.step_kpa if s.x.noise_kpa < 0.5 * s.x.step_kpa else 0.0
    return max(float((level - np.minimum.accumulate(level)).max()) - step, 0.0)


def write_up(setup: Setup, s: Study) -> Judgement:
    """The judgement; a pure function of the setup and the study."""
    f = findings(setup, s)
    outcome, reasons, more = decide(setup, f)
    scale_u = setup.gauge_u_kpa
    headspace = leak = None
    if s.headspace is not None and s.fit is not None:
        headspace = _q(s.headspace.volume_ml, s.headspace.u_ml, "mL")
        length = max(s.hold_end_s - s.hold_start_s, 1e-3)
        fall = s.fit.rate_kpa_per_s * length
        air = setup.procedure.local_air_pressure_kpa
        if not s.fit.rising and not (outcome == "undecided" and wavers(setup, f)):  # what warms up hides what leaks
            lost, lost_u = lost_ml(s.headspace, s.fit.start_kpa, fall, air, gas=setup.test != "system")
            rate_u = abs(lost) * s.fit.rate_u / max(abs(s.fit.rate_kpa_per_s), 1e-9)
            leak = _q(60.0 * lost / length, 60.0 * hypot(lost_u, rate_u) / length, "mL/min")
    opening, peak = _rounded(f.opening), _rounded(f.peak)
    reseat = None
    if (o := s.opening) is not None and o.reseat_kpa is not None:
        reseat = _q(o.reseat_kpa, hypot(o.reseat_u, s.zero_u, scale_u), "kPa", o.reseat_s)
    extra: dict[str, Any] = {}
    if setup.test == "cap" and setup.procedure.judged_pressure == "peak":
        extra["judged_pressure"] = "peak"
    if outcome == "undecided" and more is not None:
        extra["hold_more_s"] = round(more, _DIGITS)
    if s.early is not None:
        extra["early"] = {"answer": s.early[0], "time_s": round(s.early[1], _DIGITS)}
    if opening is not None and setup.test == "cap":
        with suppress(SettingError):  # in a unit that was slipped by a thousand water has no boiling point
            extra["protects"] = _protects(setup, opening)
    base = setup.tester_rate
    if base is not None:
        extra["tester_rate"] = base.to_json()
    notes = _notes(setup, s, f, outcome)
    if notes:
        extra["notes"] = notes
    shift = s.zero_shift
    return Judgement(
        test=setup.test,
        marked=setup.marked,
        outcome=outcome,
        reasons=reasons,
        zero=_q(s.zero_kpa, s.zero_u, "kPa") if s.x is not None and s.zero_known else None,
        zero_shift=None if shift is None else _q(shift.value, shift.standard_uncertainty, "kPa"),
        peak=peak,
        strokes=len(s.parts.strokes) if s.parts else 0,
        opening=opening,
        reseat=reseat,
        hold=_hold(s, scale_u),
        headspace=headspace,
        leak_flow=leak,
        phases=tuple(replace(q, start_s=round(q.start_s, _DIGITS), end_s=round(q.end_s, _DIGITS)) for q in s.phases),
        extra=extra,
    )


def _protects(setup: Setup, opening: Quantity) -> dict[str, Any]:
    """Boiling points (degC) at the measured opening and at the marking; glycol only as an estimate. SettingError where
    water has none."""
    air = setup.procedure.local_air_pressure_kpa
    u = opening.standard_uncertainty or 0.0
    low, at, high = (boiling_point_c(air + max(opening.value + k * u, 0.0)) for k in (-1, 0, 1))
    out: dict[str, Any] = {
        "boiling_point": _q(at, (high - low) / 2, "degC").to_json(),
        "glycol_50_estimate": _q(
            glycol_estimate_c(air + max(opening.value, 0.0)), None, "degC"
        ).to_json(),
    }
    if setup.marked is not None:
        out["at_marking"] = _q(boiling_point_c(air + setup.marked.kpa), None, "degC").to_json()
    return out


def _notes(setup: Setup, s: Study, f: Findings, outcome: Outcome) -> list[dict[str, str]]:
    """What is worth knowing beside the reasons, each as a code and a text."""
    notes = []
    if s.gaps:
        said = "A hole in the trace was" if s.gaps == 1 else f"{s.gaps} holes in the trace were"
        notes.append({"code": "gaps", "text": f"{said} left out."})
    if s.same_time:
        said = "A reading with the time of the one before was"
        if s.same_time > 1:
            said = f"{s.same_time} readings with the time of the one before were"
        notes.append({"code": "same-time", "text": f"{said} left out."})
    if f.rising:
        text = "The pressure rose during the hold: something was warming up."
        notes.append({"code": "warming", "text": text})
    elif outcome == "undecided" and wavers(setup, f):
        notes.append({"code": "wavers", "text": "The pressure rose in a part of the hold, and fell in another."})
    if s.coarse_s is not None:
        text = (f"Readings come {s.coarse_s:.2f} s apart, so strokes cannot be told apart, and no gas space by them; "
                "10 a second are wanted.")
        notes.append({"code": "coarse", "text": text})
    if s.on_top:
        text = ("The reading stayed at its highest, and is too coarse to tell that from the end of the sensor's range: "
                "make sure that the gauge reads higher.")
        notes.append({"code": "on-top", "text": text})
    if s.late_start:
        zero = "zero is the reading after the release" if s.zero_known else "pressures are as read, zero is not known"
        notes.append({"code": "late-start", "text": f"The recording was begun under pressure; {zero}."})
    scale = full_scale_kpa(setup.calibration)
    if s.zero_known and scale is not None and abs(s.zero_kpa) > _ZERO_OFF * scale and s.peak is not None:
        text = (f"Open to the air the gauge read {s.zero_kpa:.0f} kPa, {abs(s.zero_kpa) / scale:.1%} of its scale. "
                "That is taken off; with a wrong supply or divider the pressures are wrong as well.")
        notes.append({"code": "zero-off", "text": text})
    if s.rhythmic:
        notes.append({"code": "rhythmic", "text": "The pressure beats in a rhythm during the hold."})
    if s.parts and s.parts.knocked_off:
        notes.append({"code": "hose-off", "text": "The pressure went in less than a tenth of a second."})
    if setup.marked is None and setup.test != "tester":
        text = "No marking is given, so the pressure cannot be held against it."
        notes.append({"code": "no-marking", "text": text})
    over = over_limit(setup, f) if setup.test == "system" else None
    if over is not None and over[0] == "unclear" and f.peak is not None and f.peak.value > over[1]:
        said = with_doubt(f.peak.value, 2.0 * (f.peak.standard_uncertainty or 0.0))
        text = f"It may have been pumped above the limit: {said} kPa, never above {rounded_down(over[1], 1)} kPa."
        notes.append({"code": "near-the-limit", "text": text})
    if setup.tester_unused:
        text = "The tester's own fall stands in the recording as nothing that can be read: it was not taken out."
        notes.append({"code": "tester-unused", "text": text})
    if setup.calibration is None and s.peak is not None:
        text = "No calibration is in the recording: what the gauge is wrong by comes on top of every ±."
        notes.append({"code": "not-calibrated", "text": text})
    elif setup.nominal and s.peak is not None:
        text = "The gauge is not calibrated: what its sensor may be wrong by is in every ±; calibrate it for less."
        notes.append({"code": "not-calibrated", "text": text})
    elif setup.calibration is not None and setup.calibration.standard_uncertainty_kpa is None and s.peak is not None:
        text = "The calibration does not say how sure it is: what the gauge is wrong by comes on top of every ±."
        notes.append({"code": "not-calibrated", "text": text})
    if s.hold_lasts_s > s.hold_end_s:
        text = (f"The hold is judged up to {s.hold_end_s:.0f} s: a limit is for the pressure of the test, and a good "
                "part of that was gone then.")
        notes.append({"code": "long-hold", "text": text})
    if s.parts and len(s.parts.holds) > 1:
        span = f"{s.hold_start_s:.0f} s to {s.hold_end_s:.0f} s"
        notes.append({"code": "top-up", "text": f"There is more than one hold; the one from {span} is judged."})
    return notes
