"""Strokes that a valve swallows whole. Made here: stairs of a hand in a cadence, and a valve that pops and shuts again
a few kilopascal lower."""

from __future__ import annotations

import numpy as np
import pytest

from recorder.analysis.strokes import find_strokes
from recorder.analysis.trace.signal import prepare

STEP_S = 0.002
LENGTH_S = 0.3
FALL_S = 0.12  # time constant


def popped(
    starts_s: np.ndarray, each_kpa: float, opens_kpa: float, shuts_kpa: float, *, late_s: float, until_s: float
) -> np.ndarray:
    """Pressure (kPa) every ``STEP_S`` of strokes of ``each_kpa``; ``late_s`` after the opening pressure was reached,
    the valve lets out what is above ``shuts_kpa``, and what still comes of the stroke."""
    fine = np.arange(0.0, until_s, STEP_S)
    done = np.clip((fine[:, None] - starts_s) / LENGTH_S, 0.0, 1.0)
    inflow = np.diff((done - np.sin(2.0 * np.pi * done) / (2.0 * np.pi)).sum(axis=1), prepend=0.0) * each_kpa
    p, now, opens_s = np.empty(len(fine)), 0.0, np.inf
    for i, more in enumerate(inflow):
        now += more
        if now >= opens_kpa and opens_s == np.inf:
            opens_s = fine[i] + late_s
        if fine[i] >= opens_s:
            now -= more + (now - shuts_kpa) * STEP_S / FALL_S
            if now < shuts_kpa + 0.05:
                opens_s = np.inf
        p[i] = now
    return p


def counted(p: np.ndarray, *, seed: int, noise_kpa: float = 0.1, count_kpa: float = 0.8, rate_hz: float = 40.0) -> int:
    """Strokes found by a sensor with noise and whole counts."""
    fine = np.arange(len(p)) * STEP_S
    t = np.arange(0.0, fine[-1], 1.0 / rate_hz)
    read = np.interp(t, fine, p) + np.random.default_rng(seed).normal(0.0, noise_kpa, len(t))
    x = prepare(t, np.round(read / count_kpa) * count_kpa, 0.0)
    return len(find_strokes(x, 3.5, fine[-1] - 8.0, may_open=True))


@pytest.mark.parametrize("seed", range(5))
def test_a_stroke_that_opens_the_valve_at_once_is_one_though_no_rise_is_seen(seed: int) -> None:
    """Whole counts of 0.8 kPa hide the first twentieth of a stroke; the valve takes the rest."""
    starts = 4.0 + 0.8 * np.arange(24.0)
    p = popped(starts, 2.6, 52.1, 47.5, late_s=0.0, until_s=40.0)  # 20 strokes to 52.0, the next one opens
    assert counted(p, seed=seed) == 24


@pytest.mark.parametrize("seed", range(5))
def test_what_a_stroke_let_out_late_is_no_other_one(seed: int) -> None:
    starts = np.append(4.0 + 0.8 * np.arange(20.0), 4.0 + 0.8 * np.array([21.0, 22.0]))  # one beat passed over
    p = popped(starts, 2.6, 51.5, 47.5, late_s=0.2, until_s=40.0)
    assert counted(p, seed=seed) == 22
