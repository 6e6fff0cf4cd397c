"""A stroke in a cap's hold that the valve lets out at once leaves nothing, and is one all the same.

Against ``other_physics``; rings are damped oscillations (any textbook of vibration), their size and pitch, and what a
hand on the hose does, are common practice, no source."""

from __future__ import annotations

import numpy as np
import pytest

from tests.analysis.judging import judged
from tests.analysis.other_physics import Made, Valve, make

AFTER_S = 25.0  # since the hold began


def cap(seed: int, rate_hz: float, *, pops: bool) -> Made:
    valve = Valve(98.0, 93.0, 60.0, pops=pops)
    return make(seed, rate_hz=rate_hz, stroke_kpa=9.0, valve=valve, extra=3, hold_s=60.0)


def with_its_last_stroke_again(made: Made) -> np.ndarray:
    """Pressures (kPa) of ``made`` with its last stroke once more, from the pressure that is there by then; what follows
    goes on from where that leaves it."""
    t, p = made.time_s, made.pressure_kpa.copy()
    a, b = np.searchsorted(t, [made.hold_start_s - 0.7, made.hold_start_s + 2.5])
    at = int(np.searchsorted(t, made.hold_start_s + AFTER_S))
    before = p[a : a + max(round(0.15 / (t[1] - t[0])), 2)].mean()
    again = p[a:b] + p[at - 5 : at].mean() - before
    after = np.flatnonzero((np.arange(len(t)) >= at + b - a) & (t < made.release_s))
    p[after] += again[-5:].mean() - p[at + b - a - 5 : at + b - a].mean()
    p[at : at + b - a] = again
    return p


@pytest.mark.parametrize("seed", [40, 42])
@pytest.mark.parametrize("pops", [True, False])
@pytest.mark.parametrize("rate_hz", [10.0, 25.0, 200.0])
def test_a_stroke_that_the_valve_lets_out_in_the_hold_is_one(rate_hz: float, pops: bool, seed: int) -> None:
    made = cap(seed, rate_hz, pops=pops)
    told = judged("cap", made.time_s, with_its_last_stroke_again(made))
    assert told.strokes == made.strokes + 1
    assert told.hold is not None  # and splits the hold
    assert told.hold.start_s == pytest.approx(made.hold_start_s + AFTER_S + 0.7, abs=0.6)


@pytest.mark.parametrize("pops", [True, False])
def test_a_ring_of_that_height_is_none(pops: bool) -> None:
    made = cap(40, 50.0, pops=pops)
    since = made.time_s - made.hold_start_s - AFTER_S
    ring = 7.0 * np.exp(-since / 0.15) * np.sin(2.0 * np.pi * 6.0 * since)
    told = judged("cap", made.time_s, made.pressure_kpa + np.where(since > 0.0, ring, 0.0))
    assert told.strokes == made.strokes
