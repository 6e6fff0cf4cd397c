"""What a face shows while a test runs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from recorder.model.values import PhaseName


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveView:
    """What a face needs to show while a test runs. Pressures kPa gauge, zero-corrected.

    next_step: ``wait`` (too little trace), ``vent`` (not at zero yet), ``pump``, ``pump-gently`` (close to the
    target), ``stop-pumping`` (in the target), ``over-limit`` (relieve now), ``hold``, ``release``,
    ``vent-again`` (released, waiting for zero), ``done``.
    target_low_kpa, target_high_kpa: what has to be held, or between which a cap has to open; to_go_kpa: up to there.
    longer_s: where the hold has its time and cannot tell yet, how much longer would do.
    fall_at_s: of when the fall is, where that is not ``time_s``. silent_s: how long no reading has arrived, where that
    is longer than usual; then there is no pressure, and before_kpa is the latest one.
    band: where the pressure of a cap is, of the band in which it has to open; None where that is not known.
    """

    time_s: float
    pressure_kpa: float | None
    phase: PhaseName | None
    phase_since_s: float
    zero_kpa: float | None
    strokes: int
    peak_kpa: float | None
    opening_kpa: float | None
    target_low_kpa: float | None
    target_high_kpa: float | None
    limit_kpa: float | None
    to_go_kpa: float | None
    hold_start_s: float | None
    hold_elapsed_s: float
    hold_left_s: float | None
    fall_kpa: float | None
    fall_u_kpa: float | None
    rate_kpa_per_min: float | None
    rate_u_kpa_per_min: float | None
    early: Literal["leak", "tight"] | None
    fault: str | None
    next_step: str
    finished: bool
    longer_s: float | None = None
    fall_at_s: float | None = None
    silent_s: float | None = None
    before_kpa: float | None = None
    band: Literal["below", "in", "above"] | None = None
