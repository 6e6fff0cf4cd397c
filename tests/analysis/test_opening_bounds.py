"""However little is known of a valve, it opened above what the cap had held and below what the pressure reached.
No part of value +- 2u is above that.

A variance of what lies between a and b, with mean m, is (m - a) (b - m) at most (Bhatia & Davis 2000, Am. Math. Monthly
107, 353; from memory). Between two readings a soft stroke of 6 kPa in 0.3 s goes on by 0.8 kPa at most: its greatest
speed is twice its mean (the derivative of x - sin(2 pi x) / (2 pi))."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from recorder.analysis.opening.find import _levels
from recorder.analysis.opening.onset import ABOVE_DOUBT, Opening, within_seen
from recorder.analysis.opening.slow_valve import SlowValve
from recorder.analysis.opening.slowly import is_slow
from recorder.analysis.strokes import Stroke
from recorder.analysis.trace.signal import Prepared, prepare

HELD, TOP, AFTER = 86.0, 92.0, 70.0


def trace() -> tuple[Prepared, list[Stroke]]:
    """Three strokes of 6 kPa up to 86 kPa, one to 92 kPa that lets out down to 70 kPa; 50 readings a second."""
    at = [0.0, 2.0, 2.3, 4.0, 4.3, 6.0, 6.3, 8.0, 8.3, 10.0, 20.0]
    kpa = [0.0, 0.0, 74.0, 74.0, 80.0, 80.0, HELD, HELD, TOP, AFTER, AFTER]
    t = np.arange(0.0, 20.0, 0.02)
    p = np.interp(t, at, kpa) + np.random.default_rng(1).normal(0.0, 0.05, len(t))
    strokes = [Stroke(a, a + 0.3, low, high) for a, low, high in
               ((2.0, 0.0, 74.0), (4.0, 74.0, 80.0), (6.0, 80.0, HELD), (8.0, HELD, TOP))]
    return prepare(t, p, 0.0), strokes


@pytest.mark.parametrize("said", [(91.9, 11.0), (95.0, 20.0), (89.0, 30.0), (60.0, 25.0)], ids=str)
def test_nothing_beyond_what_was_held_and_reached(said: tuple[float, float]) -> None:
    x, strokes = trace()
    found = Opening(*said, 8.2, 3, AFTER, 0.5, 10.0)
    got = within_seen(x, strokes, _levels(x, strokes, 20.0), found, 20.0, {3: 16.0})
    between = [HELD - 0.5, TOP + 1.2]
    assert between[0] < got.onset_kpa < got.onset_kpa + 2.0 * got.onset_u < between[1]
    assert got.onset_u <= math.sqrt((got.onset_kpa - between[0] + 0.5) * (between[1] + 0.5 - got.onset_kpa))
    assert got.onset_u > 0.15 * (TOP - HELD)  # and of what is left nothing is known


def test_what_is_known_well_stays_with_a_part_of_what_the_stroke_carried_it_on() -> None:
    x, strokes = trace()
    found = Opening(90.0, 0.4, 8.2, 3, AFTER, 0.5, 10.0)
    got = within_seen(x, strokes, _levels(x, strokes, 20.0), found, 20.0, {3: 16.0})
    assert got.onset_kpa == pytest.approx(90.0, abs=0.01)
    assert got.onset_u == pytest.approx(math.hypot(0.4, ABOVE_DOUBT * (TOP - 90.0)), abs=0.03)


def test_what_only_sinks_after_the_last_stroke_has_to_be_plainer() -> None:
    """A hose that creeps explains it as well; what earlier strokes let out, or strokes show by themselves, does not."""
    strokes = trace()[1]
    slow = SlowValve(91.0, 1.0, 72.0, 0.5, 0.3, opened_s=8.2, closed_s=15.0, gain=22.0, misfit=1.3)
    found = Opening(90.0, 0.4, 8.2, 3, AFTER, 0.5, 10.0)
    assert not is_slow(slow, None, strokes[-1])
    assert is_slow(slow, found, strokes[-1])
    assert is_slow(replace(slow, opened_s=6.2), None, strokes[-1])
    assert is_slow(replace(slow, gain=60.0), None, strokes[-1])
