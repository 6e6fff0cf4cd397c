"""One trace looked at as a whole: from arrays to findings. Pure and stateless, so that blocks cannot matter."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.early import Early, answer_now, first_answer
from recorder.analysis.headspace import Space
from recorder.analysis.hold import WARMS_S, Before, HoldFit, fit_hold
from recorder.analysis.peak import find_peak
from recorder.analysis.phases import Stretches, gone_at_once, phases, segment, take_beat_out
from recorder.analysis.setup import Setup
from recorder.analysis.space import headspace_of
from recorder.analysis.trace.faults import (
    AT_UPPER_END,
    BEFORE_S,
    NOTHING_REPORTED,
    Reported,
    at_scale_end,
    often_reported,
    rails_kpa,
    rests_on_top,
    sensor_fault,
    stands_still,
    usable,
)
from recorder.analysis.trace.signal import COARSE_S, TELLS_STROKES_S, Prepared, prepare, sampling
from recorder.analysis.trace.zero import Start, find_start, zero_shift
from recorder.analysis.which_hold import at_its_pressure, judged_hold
from recorder.limits import band_kpa
from recorder.model import Phase, Quantity

if TYPE_CHECKING:
    from recorder.analysis.opening import Opening
    from recorder.model import BoolArray, FloatArray

__all__ = ["Study", "study"]

_FEWEST = 8  # readings, below which nothing is said
_SHORTEST_STEP_S = 1e-4  # a line of the wire takes longer even at 2 Mbaud
_MOST_MISSING = 20_000_000  # lost readings that are put in: more than any recording has rows
_MOST_LOST = 0.4  # of the trace
_HOLE_STEPS, _HOLE_S = 5.0, 0.5  # of the usual step, and s: a longer one is a hole
_ENDS_S = 1.0  # by so much a hold that is complete may be shorter


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Study:
    """Everything the estimators found. None where the trace does not show it.

    zero_kpa, zero_u: what is taken off every reading, and its standard uncertainty (kPa); zero_known: whether it was
    seen. x: the trace made ready. parts: strokes, holds, release. hold_start_s, hold_end_s: the hold that is judged,
    and hold_lasts_s: when it was over; all 0 where there is none; fit: what it says. fault: what is wrong with the
    gauge; broken: with the trace. on_top: it rests at its highest reading, and nothing tells that from the end of the
    gauge's range. early: the sequential answer. gaps: holes in the trace; same_time: readings with the
    time of the one before, which were left out. late_start: it was begun under pressure.
    """

    zero_kpa: float = 0.0
    zero_u: float = 0.0
    zero_known: bool = True
    late_start: bool = False
    x: Prepared | None = None
    parts: Stretches | None = None
    phases: tuple[Phase, ...] = ()
    coarse_s: float | None = None
    gaps: int = 0
    same_time: int = 0
    fault: str | None = None
    broken: str | None = None
    on_top: bool = False
    rhythmic: bool = False
    peak: Quantity | None = None
    opening: Opening | None = None
    never_held: bool = False
    hold_start_s: float = 0.0
    hold_end_s: float = 0.0
    hold_lasts_s: float = 0.0
    fit: HoldFit | None = None
    early: Early | None = None
    headspace: Space | None = None
    zero_shift: Quantity | None = None


@dataclass(frozen=True, slots=True, eq=False)
class _Held:
    """The hold that is judged (s), its fit (None where too few readings are in it), and what came before. lasts_s: when
    it was over, which may be later than what is judged of it. again: fits it with all models, where ``fit`` is a quick
    one."""

    start_s: float
    end_s: float
    fit: HoldFit | None
    before: Before
    lasts_s: float
    again: Callable[[], HoldFit] | None = None

    @property
    def span(self) -> tuple[float, float]:
        return self.start_s, self.end_s

    @property
    def length_s(self) -> float:
        return self.end_s - self.start_s


def study(
    setup: Setup, t: FloatArray, p: FloatArray, told: Reported = NOTHING_REPORTED, *, counts: FloatArray | None = None,
    quick: bool = False,
) -> Study:
    """Study readings ``p`` (kPa, not zero-corrected) at ``t`` (s, increasing). told: what is known of faults. counts:
    of the converter, which tell its resolution (NaN where not known). quick: what a live view shows, with fewer
    models."""
    got = _Readings.of(t, p, counts, told)
    if (none := _not_studied(got, told)) is not None:
        return none
    taken = sampling(got.t, got.p, got.counts)
    if (unusable := _unusable(setup, got.t, taken.dt_s)) is not None:
        return Study(phases=(Phase("vented", float(got.t[0]), float(got.t[-1])),), broken=unusable)

    start = find_start(got.t, got.p, setup.calibration, taken)
    seen = prepare(got.t, got.p, start.zero_kpa, taken)
    x, beat, let_go = take_beat_out(seen, start.vented_end_s, may_open=setup.test == "cap")
    parts = segment(
        x, start.vented_end_s, let_go, hold_s=setup.procedure.hold_s, may_open=setup.test == "cap",
        period_s=1.0 / beat.hz if beat is not None else None, late=start.late,
    )  # fmt: skip
    gaps, broken = _holes(np.diff(got.t), x.dt_s)
    broken = broken or _late(start, parts)
    fault = often_reported(told) or sensor_fault(
        got.p, x.dt_s, rails_kpa(setup.calibration), vented=got.p[got.t < start.vented_end_s], step_kpa=taken.step_kpa)
    fault = fault or stands_still(got.t, got.p, got.counts, taken, start.vented_end_s)
    end = parts.release_s if parts.release_s is not None else float(got.t[-1])

    # the end of a gauge's range is a ceiling too
    opening, on_top = _opened(setup, x, parts, end, quick=quick) if fault is None else None, False
    if fault is None and _may_pass(setup, opening):
        fault, on_top = _at_its_end(setup, got, x.dt_s, start, opening)
        opening = opening if fault is None else None
    held = _held(setup, x, parts, opening, quick=quick)
    fit = held.fit if held is not None else None
    steady = fit is not None and not fit.rising and beat is None  # what hides a leak lets nothing be sure
    peak = find_peak(seen, end, held.span if held is not None and steady else None) if parts.strokes else None
    sure = steady and fit is not None and not fit.warms(setup.procedure.steady_fall_allowed_kpa_per_min)
    early = _early(setup, x, held, quick=quick) if held is not None and sure else None
    complete_s = setup.procedure.hold_s - _ENDS_S
    if parts.knocked_off and held is not None and held.length_s > complete_s:
        parts = replace(parts, knocked_off=False)  # the hold was complete: however it ended
    if fault is None and not _over_before(parts, held, early, complete_s - BEFORE_S):
        fault = got.cut

    space = shift = None
    if not quick:  # a live view shows neither
        told_apart = fault is None and x.dt_s <= COARSE_S
        space = headspace_of(setup, x, parts, opening, fit) if told_apart else None
        if parts.zero_again_s is not None and not start.late:
            shift = zero_shift(x, parts.zero_again_s, start.zero_u)
    in_order = phases(x, parts, opening.onset_s if opening else None,
                      (held.start_s, held.lasts_s) if held else None, vented=not start.late)  # fmt: skip
    return Study(
        zero_kpa=start.zero_kpa, zero_u=start.zero_u, zero_known=start.wrong is None, late_start=start.late,
        coarse_s=x.dt_s if x.dt_s > COARSE_S else None,
        x=x, parts=parts, phases=got.covered(in_order), gaps=gaps, same_time=got.same_time,
        fault=fault, broken=broken, on_top=on_top, rhythmic=beat is not None,
        peak=peak, opening=opening, never_held=gone_at_once(x, parts.strokes, end),
        hold_start_s=held.start_s if held is not None else 0.0,
        hold_end_s=held.end_s if held is not None else 0.0,
        hold_lasts_s=held.lasts_s if held is not None else 0.0,
        fit=fit, early=early, headspace=space, zero_shift=shift,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class _Readings:
    """The readings that can be used: times (s, increasing), pressures (kPa), counts. same_time: how many had the time
    of the one before and were left out. ends_s: of all there were, None where there was none; whole: whether a fault
    touched none of them; cut: what fault cut the trace short."""

    t: FloatArray
    p: FloatArray
    counts: FloatArray
    same_time: int
    ends_s: tuple[float, float] | None
    whole: bool
    cut: str | None

    @classmethod
    def of(cls, t: FloatArray, p: FloatArray, counts: FloatArray | None, told: Reported) -> _Readings:
        c = np.full(len(t), np.nan) if counts is None else counts
        finite = np.isfinite(p) & np.isfinite(t)
        t, p, c = t[finite], p[finite], c[finite]
        later = np.diff(np.maximum.accumulate(t), prepend=-np.inf) > 0.0
        same = len(t) - int(np.count_nonzero(later))
        t, p, c = t[later], p[later], c[later]
        ends = (float(t[0]), float(t[-1])) if len(t) else None
        untouched, cut = usable(t, told)
        return cls(t[untouched], p[untouched], c[untouched], same, ends, bool(untouched.all()),
                   None if cut is None else str(cut))  # fmt: skip

    def covered(self, found: tuple[Phase, ...]) -> tuple[Phase, ...]:
        """The phases ``found``, over all of the trace: what was left out belongs to its neighbours."""
        if self.ends_s is None or not found or self.whole:
            return found
        found = (replace(found[0], start_s=self.ends_s[0]), *found[1:])
        return (*found[:-1], replace(found[-1], end_s=self.ends_s[1]))


def _not_studied(got: _Readings, told: Reported) -> Study | None:
    """What is said of too few readings; None where there are enough."""
    if len(got.t) >= _FEWEST and float(got.t[-1] - got.t[0]) >= 1.0:
        return None
    phase = (Phase("vented", *got.ends_s),) if got.ends_s is not None else ()
    return Study(phases=phase, broken=f"fewer than {_FEWEST} readings", fault=often_reported(told) or got.cut)


def _unusable(setup: Setup, t: FloatArray, dt: float) -> str | None:
    """Why readings at ``t``, usually ``dt`` apart (s), cannot be studied in bearable time and memory, or show nothing;
    None where they can."""
    steps = np.diff(t)
    if dt < _SHORTEST_STEP_S:
        return f"more than {1 / _SHORTEST_STEP_S:.0f} readings a second"
    lost = steps[_is_hole(steps, dt)]
    if float(np.sum(np.minimum(lost, 600.0))) / dt > _MOST_MISSING:
        return f"{float(lost.sum()):.0f} s of {float(steps.sum()):.0f} s are missing"
    if setup.test == "cap" and dt > TELLS_STROKES_S:
        return f"readings come {dt:.1f} s apart, too far to show what a cap does; 10 a second are wanted"
    return None


def _is_hole(steps_s: FloatArray, dt_s: float) -> BoolArray:
    """Which steps between two readings, usually ``dt_s`` apart, are holes in the trace."""
    return steps_s > max(_HOLE_STEPS * dt_s, _HOLE_S)


def _holes(steps_s: FloatArray, dt_s: float) -> tuple[int, str | None]:
    """How many holes the trace has, and what is missing where it is too much."""
    holes = _is_hole(steps_s, dt_s)
    lost, whole = float(steps_s[holes].sum()), float(steps_s.sum())
    broken = f"{lost:.0f} s of {whole:.0f} s are missing" if lost > _MOST_LOST * whole else None
    return int(np.count_nonzero(holes)), broken


def _late(start: Start, parts: Stretches) -> str | None:
    """Why a recording that was begun under pressure is no test."""
    if not start.late:
        return None
    return start.wrong or (None if parts.strokes else "it begins under pressure, and no stroke is in it")


def _may_pass(setup: Setup, opening: Opening | None) -> bool:
    """Whether more than what is read would make another answer: not of a cap that is shut so far, nor of one that opens
    too high even so."""
    if setup.test != "cap" or opening is None:
        return setup.test != "cap"
    band = band_kpa(setup.procedure, setup.marked)
    return band is None or opening.onset_kpa - 2.0 * opening.onset_u < band[1]


def _at_its_end(
    setup: Setup, got: _Readings, dt_s: float, start: Start, opening: Opening | None
) -> tuple[str | None, bool]:
    """What is wrong where the readings, ``dt_s`` apart, rest at the end of the gauge's range, and whether they may."""
    fault = at_scale_end(got.t, got.p, dt_s, start.vented_end_s, setup.calibration)
    on_top = fault is None and rests_on_top(got.p, dt_s, rails_kpa(setup.calibration))
    # a cap lets out to and fro: a ceiling at which nothing moves is the gauge's own
    return (AT_UPPER_END if on_top and opening is not None else fault), on_top


def _opened(setup: Setup, x: Prepared, parts: Stretches, end_s: float, *, quick: bool) -> Opening | None:
    """What opened of a cap that was pumped up; a system has nothing that opens."""
    if setup.test != "cap" or not parts.strokes:
        return None
    # loading what fits valves takes as long as fitting a hold, and a system needs none of it
    from recorder.analysis.which_opening import last_opening

    return last_opening(
        x, parts, end_s, least_hold_s=setup.procedure.shortest_hold_s,
        air_kpa=setup.procedure.local_air_pressure_kpa, quick=quick,
    )  # fmt: skip


def _early(setup: Setup, x: Prepared, held: _Held, *, quick: bool) -> Early | None:
    """When the hold first told; quick: what it tells now."""
    if held.fit is None:
        return None
    if quick:
        return answer_now(setup, held.span, held.fit, held.again)
    return first_answer(setup, x, held.span, held.fit, held.before)


def _over_before(parts: Stretches, held: _Held | None, early: Early | None, complete_s: float) -> bool:
    """Whether the test was over, or its leak proven, before a fault that cut it short: what was found before stands."""
    complete = held is not None and held.length_s > complete_s
    return parts.release_s is not None or complete or (early is not None and early[0] == "leak")


def _held(setup: Setup, x: Prepared, parts: Stretches, opening: Opening | None, *, quick: bool) -> _Held | None:
    """The hold that is judged, fitted; a cap's begins where the cap has closed again."""
    hold = judged_hold(setup, x, parts, opening, now=quick)
    if hold is None:
        return None
    least_s = setup.procedure.shortest_hold_s  # a slow valve may take most of the hold
    latest_s = max(min(hold[0] + 8.0, hold[1] - 2.0), hold[1] - least_s)
    if opening is not None:
        hold = (_shut_s(x, opening, *hold, latest_s), hold[1])
    lasts_s = hold[1]
    hold = at_its_pressure(setup, x, hold)
    before = _before(x, parts, hold[0], opening)
    pick = (x.t >= hold[0]) & (x.t <= hold[1])
    if np.count_nonzero(pick) < _FEWEST:
        return _Held(*hold, None, before, lasts_s)
    rise = next((s.rise_kpa for s in reversed(parts.strokes) if s.end_s <= hold[0] + 0.5), 1.0)
    fitted = partial(
        fit_hold, x.t[pick], x.p[pick], step_kpa=x.step_kpa, noise_kpa=x.noise_kpa, last_rise_kpa=rise,
        before=before, coolant=setup.test == "system",
    )  # fmt: skip
    if quick and hold[1] - hold[0] < setup.procedure.hold_s:
        return _Held(*hold, fitted(quick=True), before, lasts_s, fitted)
    # what is said of a hold that had its time is what the verdict will be
    return _Held(*hold, fitted(), before, lasts_s)


def _shut_s(x: Prepared, opening: Opening, start_s: float, end_s: float, latest_s: float) -> float:
    """When in a hold the cap had closed again: after the last strokes, or after those before a hold in between."""
    if start_s <= opening.reseat_s < latest_s:
        return opening.reseat_s
    from recorder.analysis.opening import shut_later

    shut = shut_later(x, start_s, end_s) if opening.onset_s < start_s < opening.reseat_s else None
    return shut.at_s if shut is not None and shut.at_s < latest_s else start_s


def _before(x: Prepared, parts: Stretches, hold_s: float, opening: Opening | None) -> Before:
    """What came before the hold that begins at ``hold_s``."""
    strokes = [s for s in parts.strokes if s.end_s <= hold_s + 0.5]
    since = x.smooth[(x.t > hold_s - WARMS_S) & (x.t <= hold_s)]
    opened = x.smooth[(x.t > opening.onset_s) & (x.t <= hold_s)] if opening is not None else since[:0]
    return Before(
        ages_s=np.array([max(hold_s - s.end_s, 0.0) for s in strokes]),
        rises_kpa=np.array([max(s.rise_kpa, 0.0) for s in strokes]),
        fell_kpa=float(since.max() - since[-1]) if len(since) else 0.0,
        shut_kpa=float(opened.min()) if len(opened) else None,
    )
