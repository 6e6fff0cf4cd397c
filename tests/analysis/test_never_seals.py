"""Caps that never seal: all that the strokes bring leaks out again, and so does what is left after the last one. The
trace is a first-order system driven by half-sine strokes (scipy.signal.lsim); a release by hand is another one."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lsim

from tests.analysis.judging import judged

EVERY_S, LENGTH_S, RISE_KPA, STROKES = 0.65, 0.4, 9.0, 16


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
