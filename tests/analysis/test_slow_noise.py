"""Noise of which each reading is like the ones before, as amplifiers and supplies make it, is no stroke.

And a beat that looks like strokes hides no release. Made here: stairs (Boyle) and an Ornstein-Uhlenbeck process by its
exact step (Gillespie 1996, Phys. Rev. E 54, 2084; from memory).
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from recorder.analysis import Analyser, Setup
from recorder.analysis.strokes import find_strokes
from recorder.analysis.trace.signal import prepare
from recorder.limits import resolve
from recorder.model import Judgement, Marking


def slow_noise(n: int, dt_s: float, sd_kpa: float, tau_s: float, seed: int) -> np.ndarray:
    """n values dt_s apart, standard deviation sd_kpa, correlation time tau_s."""
    rng = np.random.default_rng(seed)
    keep = math.exp(-dt_s / tau_s)
    push = rng.normal(0.0, sd_kpa * math.sqrt(1.0 - keep * keep), n)
    out = np.empty(n)
    now = rng.normal(0.0, sd_kpa)
    for i in range(n):
        now = keep * now + push[i]
        out[i] = now
    return out


def stairs(t: np.ndarray, starts_s: np.ndarray, each_kpa: float, length_s: float = 0.3) -> np.ndarray:
    done = np.clip((t[:, None] - starts_s) / length_s, 0.0, 1.0)
    return np.asarray(each_kpa * (done - np.sin(2.0 * np.pi * done) / (2.0 * np.pi)).sum(axis=1))


def judged(t: np.ndarray, p: np.ndarray) -> Judgement:
    analyser = Analyser(Setup("system", Marking(98.0, "kPa", 98.0), resolve("system", {})))
    analyser.feed(t.round(6), p.round(4))
    return analyser.judgement()


@pytest.mark.parametrize(("sd_kpa", "tau_s"), [(0.16, 0.5), (0.33, 0.25), (0.27, 2.0)])
def test_a_reading_that_wanders_slowly_makes_no_strokes(sd_kpa: float, tau_s: float) -> None:
    """At 200 readings a second, and with next to no white noise beside, its wander is a hundred times the white noise
    of an average; it is the same before the first stroke as in the hold."""
    t = np.arange(0.0, 150.0, 0.005)
    starts = 4.0 + 0.95 * np.arange(15.0)
    for seed in range(3):
        p = stairs(t, starts, 7.2) + slow_noise(len(t), 0.005, sd_kpa, tau_s, seed)
        p += np.random.default_rng(seed).normal(0.0, 0.02, len(t))
        assert len(find_strokes(prepare(t, p, 0.0), 3.7, 150.0, may_open=False)) == 15, seed


def test_a_beat_that_is_taken_for_strokes_hides_no_release() -> None:
    """An idling engine, read ten times a second, that warms up: what is let go at the end is no hold that falls."""
    t = np.arange(0.0, 125.0, 0.1)
    p = stairs(t, 5.0 + 1.2 * np.arange(28.0), 4.3)
    turn = (t * 0.2) % 1.0
    saw = np.where(turn < 0.3, turn / 0.3, (1.0 - turn) / 0.7) * 2.0 - 1.0
    p += np.where((t > 42.0) & (t < 115.0), 7.0 * saw + 0.1 * (t - 42.0), 0.0)
    p = np.where(t < 115.0, p, p[t < 115.0][-1] * np.exp(-np.maximum(t - 115.0, 0.0) / 0.3))
    told = judged(t, p + np.random.default_rng(1).normal(0.0, 0.05, len(t)))
    assert told.outcome == "undecided", told.reasons  # the hold had 73 s of 120, and never fell
    assert {"fall-too-fast", "below-target"}.isdisjoint(r.code for r in told.reasons)
    assert told.hold is not None and 110.0 < told.hold.end_s < 115.5
    [release] = [phase for phase in told.phases if phase.name == "release"]
    assert abs(release.start_s - 115.0) < 1.0
