"""What is drawn of a trace, without Qt."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from recorder.window.state.hold import LEAST_SPAN_KPA, hold_of, strip_range
from recorder.window.state.trace import TraceStore, earlier_of, thinned


@settings(deadline=None, max_examples=40)
@given(st.lists(st.integers(1, 900), min_size=1, max_size=12), st.integers(0, 2**31))
def test_trace_store_keeps_every_extreme(sizes: list[int], seed: int) -> None:
    rng = np.random.default_rng(seed)
    store, everything = TraceStore(), []
    start = 0
    for n in sizes:
        p = rng.normal(size=n)
        store.add(np.arange(start, start + n, dtype=float), p)
        everything.append(p)
        start += n
    whole = np.concatenate(everything)
    x, y = store.points(0.0, float(start), 20)
    assert y.max() == whole.max() and y.min() == whole.min()
    assert len(x) == len(y) <= 8 * 20 + 2 * len(whole) // 8 + 8
    assert np.all(np.diff(x) >= 0)


def test_an_hour_at_200_hz_is_drawn_from_a_few_thousand_points() -> None:
    store = TraceStore()
    t = np.arange(720_000) / 200.0
    store.add(t, np.zeros(len(t)))
    store.add(np.array([3600.1]), np.array([55.0]))  # one spike
    x, y = store.points(0.0, 3601.0, 250)
    assert 2 * 250 <= len(x) <= 8 * 250 + 64
    assert y.max() == 55.0


@pytest.mark.parametrize("seconds", [3, 12, 24, 40, 120, 700, 3600])
def test_any_length_is_drawn_as_finely_and_its_mean_has_no_teeth(seconds: int) -> None:
    store, t = TraceStore(), np.arange(seconds * 100) / 100.0
    store.add(t, 100.0 - t / 60.0 + np.random.default_rng(3).normal(0, 0.1, len(t)))
    x, _y = store.points(0.0, float(seconds), 100)
    assert min(200, len(t)) <= len(x) <= 8 * 100 + 64
    mean_t, mean_p = store.means(0.0, float(seconds), 120)
    assert 100 <= len(mean_t) <= 240
    assert np.max(np.abs(mean_p - (100.0 - mean_t / 60.0))) < 0.1 * 4.5 / np.sqrt(max(len(t) / 240, 1)) + 0.08


@settings(deadline=None, max_examples=40)
@given(st.floats(0.05, 20.0), st.floats(0.0, 0.1), st.integers(0, 2**31))
def test_the_strip_shows_a_fall_large(fall: float, noise: float, seed: int) -> None:
    """A fall of a tenth of the least span or more takes its share of the height; all of the fit is inside."""
    rng = np.random.default_rng(seed)
    curve = 110.0 - fall * np.linspace(0, 1, 500)
    low, high = strip_range(curve + rng.normal(0, noise, 500), curve, np.full(500, 0.02))
    assert low < curve.min() and high > curve.max()
    assert high - low >= LEAST_SPAN_KPA
    share = fall / (high - low)
    assert share > 0.6 * min(fall / (LEAST_SPAN_KPA + 6 * noise), 1.0) or fall < noise
    if fall >= 1.0:
        assert share > 0.5  # a fall of 1 kPa takes more than half of the strip, and 1/150 of the whole trace


def test_a_quiet_hold_is_not_blown_up() -> None:
    low, high = strip_range(np.full(100, 80.0), np.empty(0), np.empty(0))
    assert LEAST_SPAN_KPA <= high - low <= 1.3 * LEAST_SPAN_KPA
    assert low < 80.0 < high
    # A little more noise leaves the axis where it is.
    more = np.random.default_rng(1).normal(80.0, 0.02, 100)
    assert strip_range(more, np.empty(0), np.empty(0)) == pytest.approx((low, high), abs=0.06)
    assert strip_range(np.empty(0), np.empty(0), np.empty(0)) == (0.0, LEAST_SPAN_KPA)


def test_a_judgement_without_a_hold_has_no_strip() -> None:
    assert hold_of({"outcome": "void", "hold": None}, "kPa", allowed_kpa_per_min=0.35) is None
    assert earlier_of(TraceStore(), {"hold": None}).hold_start_s is None


def test_the_earlier_trace_is_thinned_to_means() -> None:
    t, p = thinned(np.arange(1000.0), np.arange(1000.0) * 2, 100)
    assert len(t) == 100
    assert p == pytest.approx(2 * t)
    assert len(thinned(np.arange(3.0), np.arange(3.0), 100)[0]) == 3
