"""One trace looked at as a whole: from arrays to findings. Pure and stateless, so that blocks cannot matter."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from recorder.analysis.early import SHORTEST_S, answer
from recorder.analysis.headspace import Space
from recorder.analysis.hold import Beginning, HoldFit, fit_hold
from recorder.analysis.opening import Opening, find_opening
from recorder.analysis.phases import (
    Stretches,
    gone_at_once,
    phases,
    segment,
    take_beat_out,
)
from recorder.analysis.setup import Setup
from recorder.analysis.space import headspace_of
from recorder.analysis.trace.faults import (
    BEFORE_S,
    NOTHING_TOLD,
    Told,
    often_told,
    rails_kpa,
    sensor_fault,
    usable,
)
from recorder.analysis.trace.signal import Prepared, prepare, sampling
from recorder.analysis.trace.zero import find_start
from recorder.analysis.which_hold import judged_hold
from recorder.model import Phase, Quantity

if TYPE_CHECKING:
    from recorder.model import FloatArray

__all__ = ["Study", "study"]

_FLAT_KPA = 1e-9  # a top that bends less is flat but for rounding errors
_TOP_S = 1.0  # after a hold began its last stroke may still have its top
_SHORTEST_STEP_S = 1e-4  # a line of the wire takes longer even at 2 Mbaud
_MOST_MISSING = 20_000_000  # lost readings that are put in: more than any recording has rows


@dataclass(frozen=True, slots=True, eq=False)
class Study:
    """Everything the estimators found. None where the trace does not show it."""

    zero_kpa: float
    zero_u: float
    x: Prepared | None
    parts: Stretches | None
    peak: Quantity | None
    opening: Opening | None
    hold_start_s: float
    hold_end_s: float
    fit: HoldFit | None
    headspace: Space | None
    zero_shift: Quantity | None
    fault: str | None
    broken: str | None
    rhythmic: bool
    never_held: bool
    early: tuple[Literal["leak", "tight"], float] | None
    phases: tuple[Phase, ...]
    gaps: int
    late_start: bool = False
    zero_known: bool = True


def _peak(x: Prepared, end_s: float, falls: tuple[float, float] | None) -> Quantity:
    """Highest pressure with the noise taken out: a parabola through the readings about the highest smooth one. falls: a
    hold in which the pressure does not rise, so what stands above where it began is a knock, or noise."""
    many = int(np.searchsorted(x.t, end_s, "right"))
    t, p = x.t[:many], x.p[:many]
    width = max(round(0.05 / x.dt_s), 1)
    mean = np.convolve(p, np.ones(width) / width, "same") if width > 1 else p
    if width > 1 and len(mean) > 2 * width:
        mean[:width], mean[-width:] = p[:width].min(), p[-width:].min()
    if falls is not None:
        mean = np.where((t > falls[0] + _TOP_S) & (t <= falls[1]), -np.inf, mean)
    k = int(np.argmax(mean))
    first, last = np.searchsorted(t, [t[k] - 0.2, t[k] + 0.2])
    since, about = t[first:last] - t[k], p[first:last]
    sd = x.sd_kpa
    # a full top first; where no parabola fits it, less of it: a valve that pops leaves a sharp one
    for half_s in (0.12, 0.07, 0.04, 0.025):
        near = np.abs(since) < half_s
        n = int(np.count_nonzero(near))
        if n < (7 if half_s > 0.1 else 5):
            break
        s = since[near] / half_s
        design = np.stack([np.ones(n), s, s * s])
        cov = np.linalg.inv(design @ design.T)
        c = cov @ (design @ about[near])
        miss = about[near] - c @ design
        if float(miss @ miss) / (n - 3) > 2.0 * sd**2:
            continue
        level, tilt, bend = (float(v) for v in c)
        at = min(max(-tilt / (2.0 * bend) * half_s, -0.1), 0.1) / half_s if bend < -_FLAT_KPA else 0.0
        u = float(sd * np.sqrt(cov[0, 0])) + 0.05
        top = level + tilt * at + bend * at * at
        return Quantity(top, float(np.hypot(u, 0.1)), "kPa", float(t[k]) + at * half_s)
    return Quantity(float(mean[k]), float(np.hypot(sd, 0.2 + x.dt_s * 2.0)), "kPa", float(t[k]))


def _unusable(steps: FloatArray, dt: float) -> str | None:
    """Why readings so far apart (s) cannot be studied in bearable time and memory; None where they can."""
    if dt < _SHORTEST_STEP_S:
        return f"more than {1 / _SHORTEST_STEP_S:.0f} readings a second"
    lost = steps[steps > max(5.0 * dt, 0.5)]
    if float(np.sum(np.minimum(lost, 600.0))) / dt > _MOST_MISSING:
        return f"{float(lost.sum()):.0f} s of {float(steps.sum()):.0f} s are missing"
    return None


def study(
    setup: Setup, t: FloatArray, p: FloatArray, told: Told = NOTHING_TOLD, *, quick: bool = False
) -> Study:
    """Study readings ``p`` (kPa, not zero-corrected) at ``t`` (s, increasing). told: what is known of faults. quick:
    what a live view shows, with fewer models."""
    nothing = Study(
        zero_kpa=0.0,
        zero_u=0.0,
        x=None,
        parts=None,
        peak=None,
        opening=None,
        hold_start_s=0.0,
        hold_end_s=0.0,
        fit=None,
        headspace=None,
        zero_shift=None,
        fault=None,
        broken=None,
        rhythmic=False,
        never_held=False,
        early=None,
        phases=(),
        gaps=0,
    )
    finite = np.isfinite(p) & np.isfinite(t)
    t, p = t[finite], p[finite]
    ends = (float(t[0]), float(t[-1])) if len(t) else None
    untouched, cut = usable(t, told)
    t, p = t[untouched], p[untouched]
    if len(t) < 8 or float(t[-1] - t[0]) < 1.0:
        phase = (Phase("vented", *ends),) if ends is not None else ()
        reported = often_told(told) or (None if cut is None else str(cut))
        return replace(nothing, phases=phase, broken="fewer than 8 readings", fault=reported)
    steps, taken = t[1:] - t[:-1], sampling(t, p)
    unusable = _unusable(steps, taken.dt_s)
    if unusable is not None:
        whole = (Phase("vented", float(t[0]), float(t[-1])),)
        return replace(nothing, phases=whole, broken=unusable)
    start = find_start(t, p, setup.calibration, taken)
    zero, zero_u, vented_end = start.zero_kpa, start.zero_u, start.vented_end_s
    seen = prepare(t, p, zero, taken)
    x, beat, let_go = take_beat_out(seen, vented_end)
    holes = steps > max(5.0 * x.dt_s, 0.5)
    gaps = int(np.count_nonzero(holes))
    lost = float(steps[holes].sum())
    broken = (
        f"{lost:.0f} s of {t[-1] - t[0]:.0f} s are missing"
        if lost > 0.4 * float(t[-1] - t[0])
        else None
    )
    fault = often_told(told) or sensor_fault(p, x.dt_s, rails_kpa(setup.calibration))
    parts = segment(
        x,
        vented_end,
        let_go,
        hold_s=setup.procedure.hold_s,
        may_open=setup.test == "cap",
        rhythmic=beat is not None,
        late=start.late,
    )
    if start.late and broken is None:
        broken = start.wrong if parts.strokes or start.wrong else "it begins under pressure, and no stroke is in it"
    end = parts.release_s if parts.release_s is not None else float(t[-1])
    opening = None
    if setup.test == "cap" and parts.strokes and fault is None:  # the end of a gauge's range is a ceiling too
        opening = find_opening(x, parts.strokes, end, quick=quick)
    hold = judged_hold(setup, x, parts, opening, now=quick)
    fit = before = None
    if hold is not None:
        least_s = setup.procedure.shortest_hold_s  # a slow valve may take most of the hold
        latest_s = max(min(hold[0] + 8.0, hold[1] - 2.0), hold[1] - least_s)
        if opening is not None and hold[0] <= opening.reseat_s < latest_s:
            hold = (opening.reseat_s, hold[1])  # a cap's hold begins where the cap has closed again
        pick = (t >= hold[0]) & (t <= hold[1])
        if np.count_nonzero(pick) >= 8:
            rise = next(
                (s.rise_kpa for s in reversed(parts.strokes) if s.end_s <= hold[0] + 0.5), 1.0
            )
            before = _before(parts, hold[0])
            fit = fit_hold(
                t[pick],
                x.p[pick],
                step_kpa=x.step_kpa,
                noise_kpa=x.noise_kpa,
                last_rise_kpa=rise,
                strokes=before,
                coolant=setup.test == "system",
                quick=quick,
            )
    peak = None
    if parts.strokes:
        still = fit is not None and not fit.rising and beat is None
        peak = _peak(seen, end, hold if still else None)
    if parts.knocked_off and hold is not None and hold[1] - hold[0] > setup.procedure.hold_s - 1.0:
        parts = replace(parts, knocked_off=False)  # the hold was complete: however it ended
    early = None
    # what hides a leak lets nothing be sure
    if hold is not None and fit is not None and before is not None and beat is None and not fit.rising:
        early = _early(setup, x, hold, fit, before, now_only=quick)
    # of what a fault cut short stands what was over, or proven, before
    complete = hold is not None and hold[1] - hold[0] > setup.procedure.hold_s - 1.0 - BEFORE_S
    proven = early is not None and early[0] == "leak"
    if cut is not None and fault is None and parts.release_s is None and not complete and not proven:
        fault = str(cut)
    head = None if quick or fault is not None else headspace_of(setup, x, parts, opening, fit)
    shift = None
    if parts.zero_again_s is not None and not quick:
        shift = _zero_shift(x, parts.zero_again_s, zero_u)
    never_held = gone_at_once(x, parts.strokes, end)
    seen_phases = phases(x, parts, opening.onset_s if opening else None, hold, vented=not start.late)
    if ends is not None and seen_phases and not untouched.all():  # what was left out belongs to its neighbours
        seen_phases = (replace(seen_phases[0], start_s=ends[0]), *seen_phases[1:])
        seen_phases = (*seen_phases[:-1], replace(seen_phases[-1], end_s=ends[1]))
    return Study(
        zero,
        zero_u,
        x,
        parts,
        peak,
        opening,
        *(hold or (0.0, 0.0)),
        fit,
        head,
        shift,
        fault,
        broken,
        beat is not None,
        never_held,
        early,
        seen_phases,
        gaps,
        start.late,
        start.wrong is None,
    )


def _zero_shift(x: Prepared, zero_again_s: float, zero_u: float) -> Quantity | None:
    """Where the reading rests after the release, against the zero before (kPa). Where it still falls, as much again as
    it fell in the second half of what is seen may be to come."""
    tail = x.p[x.t > zero_again_s + 0.8]
    if len(tail) < 5:
        return None

    def u_of(part: FloatArray) -> float:
        return float(np.std(part) / np.sqrt(max(len(part) * min(x.dt_s / 0.25, 1.0), 1.0)))

    first, second = tail[: len(tail) // 2], tail[len(tail) // 2 :]
    falls = float(np.mean(first) - np.mean(second))
    if falls > 3.0 * math.hypot(u_of(first), u_of(second)):
        tail = second
    else:
        falls = 0.0
    u = math.hypot(u_of(tail), zero_u, x.step_kpa / 7.0, falls)
    return Quantity(float(np.mean(tail)), u, "kPa")


def _before(parts: Stretches, hold_s: float) -> tuple[FloatArray, FloatArray]:
    """How long before the hold each stroke ended (s), and its rise (kPa)."""
    before = [s for s in parts.strokes if s.end_s <= hold_s + 0.5]
    return np.array([max(hold_s - s.end_s, 0.0) for s in before]), np.array([max(s.rise_kpa, 0.0) for s in before])


def _early(
    setup: Setup, x: Prepared, hold: tuple[float, float], fit: HoldFit, strokes: tuple[FloatArray, FloatArray], *,
    now_only: bool,
) -> tuple[Literal["leak", "tight"], float] | None:
    """When a sequential decision was first reached: the hold is looked at again at growing lengths.

    ``fit`` is a quick one of all of it where ``now_only``. What a quick look says has to stand in a full one.
    A cap is not condemned for what the tester itself loses.
    """
    base = setup.tester_rate if setup.test == "cap" else None
    own, own_u = (base.value, base.standard_uncertainty or 0.0) if base is not None else (0.0, 0.0)
    limit = setup.procedure.steady_fall_allowed_kpa_per_min

    def said(rate: float, u: float) -> Literal["leak", "tight"] | None:
        return answer(60.0 * rate - own, float(np.hypot(60.0 * u, own_u)), limit)

    shares = (1 / 6, 1 / 3, 1 / 2, 3 / 4)
    ends = [hold[1]] if now_only else [hold[0] + q * setup.procedure.hold_s for q in shares]
    for end in ends:
        if end - hold[0] < SHORTEST_S or end > hold[1]:
            continue
        first, last = np.searchsorted(x.t, hold[0]), np.searchsorted(x.t, end, "right")
        if last - first < 8 or (now_only and said(fit.rate_kpa_per_s, fit.rate_u) is None):
            continue
        beginning = Beginning(
            x.t[first:last], x.p[first:last], step_kpa=x.step_kpa, noise_kpa=x.noise_kpa, strokes=strokes, whole=fit
        )
        if not now_only and said(*beginning.rate(quick=True)) is None:
            continue
        sure = said(*beginning.rate(quick=False))
        if sure is not None:
            return sure, end
    return None
