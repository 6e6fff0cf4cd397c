"""A stroke that stops midway is one stroke; short strokes are not made one."""

from __future__ import annotations

import numpy as np
import pytest

from recorder.analysis.strokes import Stroke
from recorder.analysis.strokes.halves import without_halves


def strokes(*rises: tuple[float, float, float]) -> list[Stroke]:
    """Of (start s, length s, rise kPa), one on top of the other."""
    out, base = [], 0.0
    for start, length, rise in rises:
        out.append(Stroke(start, start + length, base, base + rise))
        base += rise
    return out


def whole(first_s: float, n: int) -> list[tuple[float, float, float]]:
    return [(first_s + i, 0.3, 6.0) for i in range(n)]


@pytest.mark.parametrize(("stop_s", "share"), [(0.15, 0.5), (0.3, 0.3), (0.3, 0.7)])
def test_two_parts_of_one_are_one(stop_s: float, share: float) -> None:
    parts = [(9.0, 0.15, 6.0 * share), (9.15 + stop_s, 0.15, 6.0 * (1.0 - share))]
    found = without_halves(strokes(*whole(4.0, 5), *parts, *whole(10.0, 5)))
    assert len(found) == 11
    one = found[5]
    assert (one.start_s, one.end_s) == (9.0, pytest.approx(9.3 + stop_s)) and one.rise_kpa == pytest.approx(6.0)


@pytest.mark.parametrize("rises", [
    [(9.0, 0.3, 6.0), (9.5, 0.3, 6.0)],  # two whole ones, quickly
    [(9.0, 0.3, 3.0), (9.8, 0.3, 3.0)],  # two short ones, with time to draw the pump back
    [(9.0, 0.15, 4.5), (9.3, 0.15, 4.5)],  # more than one brings
    [(9.0, 0.15, 1.5), (9.3, 0.15, 1.5)],  # less
])
def test_others_stay_two(rises: list[tuple[float, float, float]]) -> None:
    assert len(without_halves(strokes(*whole(4.0, 5), *rises, *whole(10.5, 5)))) == 12


def test_a_rise_that_goes_on_at_once_is_no_other_stroke() -> None:
    """On a valve that lets out what a stroke brings the pressure stays level for a while, and noise makes two of it."""
    found = without_halves(strokes(*whole(4.0, 6), (10.0, 0.5, 2.0), (10.52, 0.2, 0.3), *whole(11.5, 2)))
    assert [s.start_s for s in found] == [4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0, 11.5, 12.5]
    assert found[6].end_s == pytest.approx(10.72) and found[6].rise_kpa == pytest.approx(2.3)


def test_strokes_eased_at_the_end_are_strokes() -> None:
    """Half as much each, a little faster than before: nobody eased by stopping midway in the last stroke."""
    assert len(without_halves(strokes(*whole(4.0, 12), (16.0, 0.2, 3.0), (16.7, 0.2, 3.0)))) == 14


def test_few_strokes_tell_nothing_of_their_habit() -> None:
    few = strokes((4.0, 0.3, 6.0), (5.0, 0.15, 3.0), (5.3, 0.15, 3.0), (6.0, 0.3, 6.0))
    assert np.array_equal([s.start_s for s in without_halves(few)], [s.start_s for s in few])
