"""The live view: what a face shows while the test runs, from the same study as the judgement."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from recorder.analysis.setup import Setup
from recorder.analysis.study import Study
from recorder.model import LiveView

if TYPE_CHECKING:
    from recorder.model import FloatArray

__all__ = ["latest_kpa", "live_view"]

CLEAR_KPA = 1.0  # a rise of less at the very end of a trace may be noise, and is shown as no stroke yet


def _target(setup: Setup) -> tuple[float | None, float | None, float | None]:
    if setup.test == "cap" or setup.marked is None:
        return None, None, None
    kpa, proc = setup.marked.kpa, setup.procedure
    return kpa + proc.target_low_kpa, kpa + proc.target_high_kpa, kpa + proc.over_limit_kpa


def latest_kpa(t: FloatArray, p: FloatArray) -> float | None:
    """The median of the last 0.12 s, at most 64 readings; None where there is none."""
    if not len(t):
        return None
    last = t[-64:] > t[-1] - 0.12
    near = sorted(v for v in p[-64:][last].tolist() if v == v)
    if not near:
        return None
    middle = len(near) // 2
    return float(near[middle] if len(near) % 2 else (near[middle - 1] + near[middle]) / 2.0)


def live_view(setup: Setup, s: Study, t: FloatArray, raw: float | None) -> LiveView:
    """The view at the last of the readings' times ``t`` (s), when the pressure is ``raw`` (kPa, not zero-corrected)."""
    low, high, limit = _target(setup)
    now = float(t[-1]) if len(t) else 0.0
    pressure = raw - s.zero_kpa if raw is not None else None
    phase = s.phases[-1].name if s.phases else None
    since = s.phases[-1].start_s if s.phases else 0.0
    strokes = len(s.parts.strokes) if s.parts else 0
    if phase == "pump-up" and s.parts and max((k.top_kpa for k in s.parts.strokes), default=0.0) < CLEAR_KPA:
        phase, since, strokes = "vented", float(t[0]), 0
    in_hold = phase == "hold"
    elapsed = now - since if in_hold else 0.0
    left = max(setup.procedure.hold_s - elapsed, 0.0) if in_hold else None
    fall = fall_u = rate = rate_u = None
    early: Literal["leak", "tight"] | None = None
    early_at: float | None = None
    if in_hold and s.fit is not None:
        fall, fall_u = s.fit.start_kpa - s.fit.end_kpa, s.fit.drop_u
        rate, rate_u = 60.0 * s.fit.rate_kpa_per_s, 60.0 * s.fit.rate_u
        if s.early is not None:
            early, early_at = s.early
    peak = s.peak.value if s.peak else None
    if peak is not None and pressure is not None and phase == "pump-up":
        peak = max(peak, pressure)  # it has risen since the look
    to_go = low - pressure if low is not None and pressure is not None and pressure < low else None
    released = s.parts is not None and s.parts.release_s is not None
    finished = bool(released and phase == "vented" and strokes and now - since > 3.0)
    step = _step(s, phase, pressure, strokes, low, limit, left, finished)
    return LiveView(
        now,
        pressure,
        phase,
        since,
        s.zero_kpa,
        strokes,
        peak,
        s.opening.onset_kpa if s.opening else None,
        low,
        high,
        limit,
        to_go,
        s.hold_start_s if in_hold else None,
        elapsed,
        left,
        fall,
        fall_u,
        rate,
        rate_u,
        early,
        early_at,
        s.fault,
        step,
        finished,
    )


def _step(
    s: Study,
    phase: str | None,
    pressure: float | None,
    strokes: int,
    low: float | None,
    limit: float | None,
    left: float | None,
    finished: bool,
) -> str:
    if finished:
        return "done"
    if pressure is None or phase is None or s.x is None:
        return "wait"
    if limit is not None and pressure > limit + 0.3:
        return "over-limit"
    if phase == "vented":
        if strokes:
            return "vent-again"
        return "pump" if abs(s.zero_kpa) < 10.0 else "vent"
    if phase == "release":
        return "vent-again"
    if phase == "hold" and left is not None:
        if low is not None and pressure < low - 6.0 and left > 60.0:
            return "pump"
        return "hold" if left > 0 else "release"
    if low is not None:
        if pressure >= low:
            return "stop-pumping"
        return "pump-gently" if low - pressure < 10.0 else "pump"
    return "stop-pumping" if s.opening is not None else "pump"
