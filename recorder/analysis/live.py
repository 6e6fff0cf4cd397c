"""The live view: what a face shows while the test runs, from the same study as the judgement."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from recorder.analysis.setup import Setup, side
from recorder.analysis.study import Study, study
from recorder.analysis.trace.faults import Reported
from recorder.analysis.trace.filters import median
from recorder.analysis.trace.zero import full_scale_kpa, most_offset_kpa
from recorder.analysis.verdict import longer_s
from recorder.limits import limit_kpa
from recorder.model import LiveView

if TYPE_CHECKING:
    from recorder.model import FloatArray, PhaseName

__all__ = ["latest_kpa", "live_study", "live_view"]

CLEAR_KPA = 1.0  # a rise of less at the very end of a trace may be noise, and is shown as no stroke yet
# Vented is a reading near zero that stands; a stroke under way stays nowhere so long. Common practice, no source.
STANDS_S, STANDS_KPA = 1.0, 0.5
# How near the target or the band it takes slow strokes; a cap is judged by where it opens. A stroke that finds a cap
# open may overshoot the limit by so much of it. Common practice, no source.
GENTLY_KPA = {"cap": 15.0, "system": 10.0, "tester": 10.0}
OPEN_ROOM = 0.1
# What was pumped into the target settles by so much within seconds, and is not pumped up again for it; in a hold not
# at all. Common practice, no source.
SETTLES_KPA = 4.0
# What leaked away by itself, and stands at nought for so long once the hold had its time. Common practice, no source.
GONE_S, GONE_KPA = 3.0, 1.0
# After a release; and after all was let down in some other way, when it may be pumped up again. No source.
OVER_S, LET_DOWN_S = 3.0, 20.0
# of the scale: an offset, and the end of a span that was calibrated a little further; common practice, no source
BEYOND_SHARE = 0.03


def latest_kpa(t: FloatArray, p: FloatArray) -> float | None:
    """The median of the last 0.12 s, at most 64 readings; None where there is none."""
    if not len(t):
        return None
    near = p[-64:][t[-64:] > t[-1] - 0.12]
    near = near[np.isfinite(near)]
    return median(near) if len(near) else None


def live_study(setup: Setup, t: FloatArray, p: FloatArray, told: Reported, counts: FloatArray) -> Study:
    """A quick study for the live view. Of a trace that began under pressure and was vented before anything was held,
    from the venting on: what came before is no part of the test that is made now."""
    vented_s = _vented_s(t, p, most_offset_kpa(setup.calibration))
    if vented_s is not None:
        before, rest = t < vented_s, t >= vented_s
        earlier = study(setup, t[before], p[before], counts=counts[before], quick=True)
        parts = earlier.parts
        if parts is None or not parts.strokes or not parts.holds:  # else its zero is from the release
            return study(setup, t[rest], p[rest], told, counts=counts[rest], quick=True)
    return study(setup, t, p, told, counts=counts, quick=True)


def _vented_s(t: FloatArray, p: FloatArray, most_kpa: float) -> float | None:
    """When readings (kPa, not zero-corrected) that begin under pressure first stood at zero; None where they never
    did, or began there."""
    finite = np.isfinite(p)
    t, p = t[finite], p[finite]
    if len(t) < 8 or median(p[t <= t[0] + STANDS_S]) <= most_kpa:
        return None
    edges = np.arange(t[0], t[-1], STANDS_S / 4.0)
    cuts = np.searchsorted(t, edges)
    means = [median(part) if len(part) else np.inf for part in np.split(p, cuts[1:])]
    lowest: tuple[float, float] | None = None  # level, time
    for k in range(len(means) - 4):
        part = means[k : k + 4]
        if lowest is not None and means[k] > lowest[0] + 6.0 * STANDS_KPA:
            break  # pumped up from there
        if max(abs(m) for m in part) <= most_kpa and max(part) - min(part) <= STANDS_KPA:
            level = sum(part) / 4.0
            if lowest is None or level < lowest[0] - 2.0 * STANDS_KPA:  # it was still on its way down
                lowest = level, float(edges[k])
    return None if lowest is None else lowest[1]


def _phase_now(setup: Setup, s: Study, raw: float | None) -> tuple[PhaseName | None, float, int, bool]:
    """The phase (None before the test's own first), since when (s), the strokes, and whether the system is still under
    the pressure of before; ``raw`` as of ``live_view``."""
    phase: PhaseName | None = s.phases[-1].name if s.phases else None
    since = s.phases[-1].start_s if s.phases else 0.0
    strokes = len(s.parts.strokes) if s.parts else 0
    if phase == "pump-up" and s.parts and max((k.top_kpa for k in s.parts.strokes), default=0.0) < CLEAR_KPA:
        phase, since, strokes = "vented", s.phases[0].start_s, 0
    pressed = _still_under_pressure(setup, s, raw, phase, strokes)
    return None if pressed and not strokes else phase, since, strokes, pressed


@dataclass(frozen=True, slots=True, eq=False)
class _Hold:
    """What is shown of a hold that is going on; None, and 0 elapsed, where there is none, or not enough of it.
    longer_s: how much more than its time it has to go on to tell, None where it tells."""

    start_s: float | None = None
    elapsed_s: float = 0.0
    left_s: float | None = None
    fall_kpa: float | None = None
    fall_u_kpa: float | None = None
    rate_kpa_per_min: float | None = None
    rate_u_kpa_per_min: float | None = None
    early: Literal["leak", "tight"] | None = None
    longer_s: float | None = None

    @classmethod
    def of(cls, setup: Setup, s: Study, elapsed_s: float) -> _Hold:
        left, fit = max(setup.procedure.hold_s - elapsed_s, 0.0), s.fit
        if fit is None:
            return cls(s.hold_start_s, elapsed_s, left)
        rate, rate_u = 60.0 * fit.rate_kpa_per_s, 60.0 * fit.rate_u
        early = s.early[0] if s.early is not None else None
        longer = _longer_s(setup, s, rate, rate_u, elapsed_s) if left == 0.0 and early is None else None
        fall = fit.start_kpa - fit.end_kpa
        return cls(s.hold_start_s, elapsed_s, left, fall, fit.drop_u, rate, rate_u, early, longer)


def live_view(setup: Setup, s: Study, t: FloatArray, raw: float | None, seen: float | None = None) -> LiveView:
    """The view at the last of the readings' times ``t`` (s), when the pressure is ``raw``; ``seen``: the highest since
    the study (both kPa, not zero-corrected)."""
    low, high = setup.target_kpa
    limit = limit_kpa(setup.procedure, setup.marked)
    now = float(t[-1]) if len(t) else 0.0
    zero = 0.0 if s.late_start else s.zero_kpa  # before it was vented, zero is the calibration's
    pressure = raw - zero if raw is not None else None
    phase, since, strokes, pressed = _phase_now(setup, s, raw)
    hold = _Hold.of(setup, s, now - since) if phase == "hold" else _Hold()
    peak = s.peak.value if s.peak else None
    top = seen if seen is not None else raw
    if peak is not None and top is not None and phase == "pump-up":
        peak = max(peak, top - zero)  # it has risen since the look
    to_go = low - pressure if low is not None and pressure is not None and pressure < low else None
    released = s.parts is not None and s.parts.release_s is not None
    # what reads far from zero is a wire that came off, and no pressure that is off
    vented = raw is not None and abs(raw) <= most_offset_kpa(setup.calibration)
    rests = phase == "vented" and strokes > 0 and vented
    finished = rests and now - since > (OVER_S if released else LET_DOWN_S)
    finished = finished or (hold.left_s == 0.0 and vented and _all_leaked(s))
    reached = low is not None and max(peak or 0.0, pressure or 0.0) >= low
    fault, beyond = _fault(setup, s, raw)
    step = "done" if finished else _Now(
        study=s, cap=setup.test == "cap", gently_kpa=GENTLY_KPA[setup.test], phase=phase, pressure_kpa=pressure,
        reached=reached, low_kpa=low, limit_kpa=limit, left_s=hold.left_s, longer_s=hold.longer_s,
        pressed=pressed, strokes=strokes,
    ).step()  # fmt: skip
    if beyond and step not in ("wait", "done"):
        step = "over-limit"  # how high it is nobody knows
    return LiveView(
        time_s=now,
        pressure_kpa=pressure,
        phase=phase,
        phase_since_s=since,
        zero_kpa=zero,
        strokes=strokes,
        peak_kpa=peak,
        opening_kpa=s.opening.onset_kpa if s.opening else None,
        target_low_kpa=low,
        target_high_kpa=high,
        limit_kpa=limit,
        to_go_kpa=to_go,
        hold_start_s=hold.start_s,
        hold_elapsed_s=hold.elapsed_s,
        hold_left_s=hold.left_s,
        fall_kpa=hold.fall_kpa,
        fall_u_kpa=hold.fall_u_kpa,
        rate_kpa_per_min=hold.rate_kpa_per_min,
        rate_u_kpa_per_min=hold.rate_u_kpa_per_min,
        early=hold.early,
        fault=fault,
        next_step=step,
        finished=finished,
        longer_s=hold.longer_s if step == "hold" else None,
    )


def _all_leaked(s: Study) -> bool:
    """Whether nothing is left that could be let go."""
    if s.x is None:
        return False
    last = s.x.smooth[s.x.t > s.x.t[-1] - GONE_S]
    return bool(s.x.t[-1] - s.x.t[0] > GONE_S and float(np.abs(last).max()) < GONE_KPA)


def _longer_s(setup: Setup, s: Study, rate: float, u: float, elapsed_s: float) -> float | None:
    """How much longer (s) a hold that had its time has to go on to tell; None where it tells, or that is not known or
    would take more than another hold."""
    if s.fit is None or s.fit.rising or s.rhythmic:
        return None
    rate, u = setup.net_of_tester(rate, u)
    limit = setup.procedure.steady_fall_allowed_kpa_per_min
    if side(rate, u, limit) != "unclear":
        return None
    longer = longer_s(rate, u, limit, elapsed_s)
    return longer if elapsed_s + longer <= 2.0 * setup.procedure.hold_s else None


def _fault(setup: Setup, s: Study, raw: float | None) -> tuple[str | None, bool]:
    """What is wrong with the gauge, and whether the pressure is, or may be, beyond what it can read."""
    scale = full_scale_kpa(setup.calibration)
    if raw is None or scale is None:
        return s.fault, False
    beyond = raw > scale * (1.0 + BEYOND_SHARE if s.fault is None else 1.0)
    return (f"it reads to {scale:.0f} kPa only" if beyond else s.fault), beyond


def _still_under_pressure(
    setup: Setup, s: Study, raw: float | None, phase: PhaseName | None, strokes: int
) -> bool:
    """Whether the test has to be vented before it can begin, or before its zero is known."""
    if phase == "release" or (phase == "vented" and strokes):
        return False
    most = most_offset_kpa(setup.calibration)
    if s.x is None:
        return raw is not None and abs(raw) > most
    if s.late_start:
        return True
    return phase == "vented" and abs(s.zero_kpa) > most


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Now:
    """What the next step depends on (kPa gauge, s). pressure_kpa None: no reading yet. reached: the target or band was
    once. low_kpa, limit_kpa: where that begins, and what is never exceeded. left_s: of the hold; longer_s: how much
    more it takes to tell. pressed: it has to be vented first."""

    study: Study
    cap: bool
    gently_kpa: float
    phase: PhaseName | None
    pressure_kpa: float | None
    reached: bool
    low_kpa: float | None
    limit_kpa: float | None
    left_s: float | None
    longer_s: float | None
    pressed: bool
    strokes: int

    def step(self) -> str:
        """What to do, by the name that LiveView has for it; a test that is over needs none."""
        pressure, low, limit, s = self.pressure_kpa, self.low_kpa, self.limit_kpa, self.study
        if pressure is None or s.x is None:
            return "wait"
        most = limit * (1.0 + OPEN_ROOM) if limit is not None else float("inf")
        opened = s.opening is not None and s.opening.onset_kpa <= most  # above it can only be thought to have opened
        if limit is not None and pressure > (most if opened else limit + 0.3):
            return "over-limit"
        if self.pressed:
            return "vent"
        if self.phase is None:
            return "wait"
        if self.phase == "vented":
            return "vent-again" if self.strokes else "pump"
        if self.phase == "release":
            return "vent-again"
        if self.phase == "hold" and self.left_s is not None:
            return self._held(pressure, self.left_s)
        if opened:
            return "stop-pumping"
        if low is not None and not self.cap and pressure >= (low - SETTLES_KPA if self.reached else low):
            return "stop-pumping"
        if limit is not None and s.parts and s.parts.strokes and s.parts.strokes[-1].top_kpa - s.zero_kpa > limit:
            return "vent"  # below the limit again, so it is being let go; the next look has it as a release
        return "pump-gently" if low is not None and low - pressure < self.gently_kpa else "pump"

    def _held(self, pressure: float, left_s: float) -> str:
        low = self.low_kpa
        # what was reached and fell away again is the answer: to pump on would only start the hold anew
        if low is not None and not self.cap and not self.reached and pressure < low - 6.0 and left_s > 60.0:
            return "pump"
        return "hold" if left_s > 0 or self.longer_s is not None else "release"
