"""A leak that shuts once the pressure has fallen, on a cap that has just blown off: the air that is left is cold, warms
up, and hides the leak's first seconds. Its fall is no hand's that lets the pressure down.

Against Boyle's law and the first law for a space that gas enters and leaves (Moran & Shapiro, Fundamentals of
Engineering Thermodynamics, control volumes; from memory), stepped a millisecond at a time."""

from __future__ import annotations

import numpy as np
import pytest

from tests.analysis.judging import judged

AIR_KPA, GAMMA, SPACE_ML = 101.325, 1.4, 150.0
STROKE_ML, STROKES, STROKE_S, EACH_S = 20.0, 9, 0.35, 1.0
OPENS_KPA, SHUTS_KPA, OPEN_ML_S = 99.0, 80.0, 400.0
TAU_S, BEGINS_S, PAUSE_S, ENDS_S, STEP_S = 1.5, 3.0, 15.0, 95.0, 0.001
LAST_S = BEGINS_S + PAUSE_S + (STROKES - 1) * EACH_S


def space(leak_ml_s: float, until_kpa: float) -> tuple[np.ndarray, np.ndarray]:
    """Times (s) and pressures (kPa): strokes, a valve that snaps, a leak (mL/s at its own pressure) that passes only
    above ``until_kpa`` and once it was pumped up."""
    amount, warm, lift = AIR_KPA * SPACE_ML, 1.0, 0.0  # p V at the wall's temperature; absolute temperature over it
    over = False
    at = np.arange(0.0, ENDS_S, STEP_S)
    p = np.empty(len(at))
    for i, t in enumerate(at):
        gauge = amount * warm / SPACE_ML - AIR_KPA
        p[i] = gauge
        n, part = divmod(t - BEGINS_S - (PAUSE_S if t > LAST_S - 0.5 * EACH_S else 0.0), EACH_S)  # the last one waits
        over = over or (lift > 0.0 and n == STROKES - 1)  # the last stroke ends in the hiss
        stroke = 0 <= n < STROKES and part < STROKE_S and not over
        come = AIR_KPA * STROKE_ML * np.pi / (2 * STROKE_S) * np.sin(np.pi * part / STROKE_S) if stroke else 0.0
        lift = 1.0 if gauge > OPENS_KPA or (lift and gauge > SHUTS_KPA) else 0.0
        leaks = leak_ml_s if over and gauge > until_kpa else 0.0
        gone = (OPEN_ML_S * lift + leaks) * (gauge + AIR_KPA) / warm
        energy = amount * warm + GAMMA * (come - gone * warm) * STEP_S
        amount += (come - gone) * STEP_S
        warm = 1.0 + (energy / amount - 1.0) * (1.0 - STEP_S / TAU_S)
    return at, p


def test_a_leak_that_cold_air_hides_and_that_shuts_is_the_caps() -> None:
    """What it let fall, against the same space without it."""
    t, p = space(0.5, 55.0)
    tight = space(0.0, 55.0)[1]
    noise = np.random.default_rng(4).normal(0.0, 0.08, len(t[::20]))
    told = judged("cap", t[::20], p[::20] + noise)
    hold = told.hold
    assert told.outcome == "fail" and "fall-too-fast" in [r.code for r in told.reasons]
    assert hold is not None and hold.start_s < LAST_S + 1.0 and hold.end_s > ENDS_S - 0.5
    start, end = np.searchsorted(t, [hold.start_s, hold.end_s - 0.01])
    fell = (tight - p)[end] - (tight - p)[start]
    per_min = 60.0 * float(fell) / (hold.end_s - hold.start_s)
    assert hold.rate.value == pytest.approx(per_min, abs=2.0 * hold.rate.standard_uncertainty)
