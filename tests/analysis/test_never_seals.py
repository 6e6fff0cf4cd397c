"""Caps that never seal: all that the strokes bring leaks out again, and so does what is left after the last one. The
trace is a first-order system driven by half-sine strokes (scipy.signal.lsim); a release by hand is another one."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lsim

from recorder.analysis.hold import fit_hold
from tests.analysis.judging import judged

EVERY_S, LENGTH_S, RISE_KPA, STROKES = 0.65, 0.4, 9.0, 16
STEP_KPA = 0.61
EARLY = [7] * 2 + [6] * 2 + [5] * 3 + [4] * 2 + [3] * 5 + [2] * 4 + [1] * 22  # counts, 50 a second


def leaking(rate_hz: float, tau_s: float, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Strokes of 9 kPa into a space that loses what it holds with the time constant ``tau_s``, for 30 s more."""
    fine = np.arange(0.0, 3.0 + EVERY_S * STROKES + 30.0, 0.005)
    since = fine - 3.0
    stroke = np.where((since >= 0.0) & (since < EVERY_S * STROKES), since % EVERY_S, LENGTH_S)
    inflow = np.where(stroke < LENGTH_S, RISE_KPA * np.pi / (2.0 * LENGTH_S) * np.sin(np.pi * stroke / LENGTH_S), 0.0)
    _, p, _ = lsim(([1.0], [1.0, 1.0 / tau_s]), inflow, fine)
    t = np.arange(0.0, fine[-1], 1.0 / rate_hz)
    return t, np.interp(t, fine, p) + np.random.default_rng(seed).normal(0.0, 0.15, len(t))


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("tau_s", [0.7, 1.2])
@pytest.mark.parametrize("rate_hz", [10.0, 12.5, 20.0, 100.0])
def test_it_fails_and_what_is_left_is_its_hold(rate_hz: float, tau_s: float, seed: int) -> None:
    told = judged("cap", *leaking(rate_hz, tau_s, seed))
    assert told.outcome == "fail"
    assert "fall-too-fast" in [r.code for r in told.reasons]
    assert told.opening is None
    assert told.hold is not None


@pytest.mark.parametrize("tau_s", [0.4, 0.7])
@pytest.mark.parametrize("rate_hz", [10.0, 50.0, 200.0])
def test_where_its_hold_begins_is_what_was_read_there(rate_hz: float, tau_s: float) -> None:
    """The fitted curve began at half of it, and the fall a minute was more than all that fell."""
    t, p = leaking(rate_hz, tau_s, 1)
    told = judged("cap", t, p).hold
    assert told is not None and told.settling is None
    seen = p[np.searchsorted(t, told.start_s)]
    assert abs(told.start.value - seen) < 4.0 * (told.start.standard_uncertainty or 0.0) + 0.5
    fell = told.drop.value / (told.end_s - told.start_s) * 60.0
    assert 0.7 * fell < told.rate.value <= fell


@pytest.mark.parametrize("seed", [2, 4, 5, 8, 10, 13, 14])
def test_what_ends_at_zero_by_a_coarse_gauge_is_judged(seed: int) -> None:
    """Counts of 0.61 kPa, and a zero 0.1 kPa too high: below zero no leak can shut, and the search for one broke."""
    chance = np.random.default_rng(seed)
    later = chance.random(2200) < np.linspace(0.15, 0.05, 2200)
    p = STEP_KPA * np.concatenate([np.array(EARLY, np.float64), later.astype(np.float64)]) - 0.1
    t = 0.02 * np.arange(len(p), dtype=np.float64)
    fit = fit_hold(t, p, step_kpa=STEP_KPA, noise_kpa=0.0, last_rise_kpa=3.67)
    assert abs(fit.start_kpa - (7.0 * STEP_KPA - 0.1)) < 2.0 * STEP_KPA and abs(fit.end_kpa) < STEP_KPA


@pytest.mark.parametrize("rate_hz", [10.0, 50.0])
def test_a_tight_one_that_is_let_go_at_once_does_not_fail(rate_hz: float) -> None:
    """Stairs of 9 kPa to 81 kPa, let go with a time constant of half a second right after the last stroke."""
    t = np.arange(0.0, 25.0, 1.0 / rate_hz)
    starts = 3.0 + EVERY_S * np.arange(9)
    p = RISE_KPA * np.clip((t[:, None] - starts) / LENGTH_S, 0.0, 1.0).sum(axis=1)
    let_go_s = starts[-1] + 1.2
    p *= np.exp(-np.maximum(t - let_go_s, 0.0) / 0.5)
    told = judged("cap", t, p + np.random.default_rng(1).normal(0.0, 0.15, len(t)))
    assert told.outcome == "undecided" and told.hold is None
    assert {"fall-too-fast", "opens-low"}.isdisjoint(r.code for r in told.reasons)
    [release] = [phase for phase in told.phases if phase.name == "release"]
    assert abs(release.start_s - let_go_s) < 0.3
