"""A hose that is hit in the hold rings; a pump's stroke leaves something, or opens the valve.

Against ``other_physics``; the ring is a damped oscillation (any textbook of vibration), its size and pitch are common
practice, no source."""

from __future__ import annotations

import numpy as np
import pytest

from recorder.analysis.strokes import Stroke
from recorder.analysis.strokes.knocks import without_last_trifles
from tests.analysis.judging import judged
from tests.analysis.other_physics import Made, Valve, make


def made_of(test: str) -> Made:
    if test == "cap":
        return make(31, rate_hz=50.0, stroke_kpa=9.0, valve=Valve(98.0, 94.0, 60.0, pops=False), hold_s=60.0)
    return make(31, rate_hz=50.0, stroke_kpa=9.0, target_kpa=108.0, hold_s=140.0)


@pytest.mark.parametrize("pitch_hz", [1.5, 2.5, 4.0])
@pytest.mark.parametrize("height_kpa", [1.5, 3.0, 8.0])
@pytest.mark.parametrize("test", ["cap", "system"])
def test_a_ring_in_the_hold_is_no_stroke(test: str, height_kpa: float, pitch_hz: float) -> None:
    made = made_of(test)
    plain = judged(test, made.time_s, made.pressure_kpa)
    assert plain.hold is not None
    p = made.pressure_kpa.copy()
    for hit_s in (18.0, 19.3):
        since = made.time_s - plain.hold.start_s - hit_s
        ring = height_kpa * np.exp(-since / 0.35) * np.sin(2.0 * np.pi * pitch_hz * since)
        p += np.where(since > 0.0, ring, 0.0)
    told = judged(test, made.time_s, p)
    assert (told.strokes, told.outcome) == (plain.strokes, plain.outcome)
    assert told.hold is not None
    assert told.hold.start_s == pytest.approx(plain.hold.start_s, abs=0.3)
    assert told.hold.end_s == pytest.approx(plain.hold.end_s, abs=0.1)
    assert told.peak is not None and plain.peak is not None  # nor is it pressure
    assert told.peak.value == pytest.approx(plain.peak.value, abs=0.05)


@pytest.mark.parametrize("width_s", [0.08, 0.15, 0.3])
@pytest.mark.parametrize(("test", "height_kpa"), [("cap", 1.5), ("system", 1.5), ("system", 4.0)])
def test_a_hose_that_is_bent_for_a_moment_is_no_stroke(test: str, height_kpa: float, width_s: float) -> None:
    """A bump (Gaussian) that leaves the pressure where it was, in a cap below what it held before."""
    if test == "cap":
        made = make(31, rate_hz=50.0, stroke_kpa=9.0, valve=Valve(98.0, 88.0, 60.0, pops=False), hold_s=60.0)
    else:
        made = made_of(test)
    plain = judged(test, made.time_s, made.pressure_kpa)
    assert plain.hold is not None
    since = (made.time_s - plain.hold.start_s - 22.0) / width_s
    told = judged(test, made.time_s, made.pressure_kpa + height_kpa * np.exp(-since * since / 2.0))
    assert (told.strokes, told.outcome) == (plain.strokes, plain.outcome)
    assert told.hold is not None
    assert told.hold.start_s == pytest.approx(plain.hold.start_s, abs=0.3)
    assert told.hold.end_s == pytest.approx(plain.hold.end_s, abs=0.1)


@pytest.mark.parametrize("width_s", [0.12, 0.25])
@pytest.mark.parametrize("depth_kpa", [1.6, 5.0])
@pytest.mark.parametrize("test", ["cap", "system"])
def test_a_dip_that_is_made_up_for_is_no_stroke(test: str, depth_kpa: float, width_s: float) -> None:
    """Its bottom ended the hold, and the way up from it began another one with a stroke."""
    made = made_of(test)
    plain = judged(test, made.time_s, made.pressure_kpa)
    assert plain.hold is not None
    since = (made.time_s - plain.hold.start_s - 30.0) / width_s
    told = judged(test, made.time_s, made.pressure_kpa - depth_kpa * np.exp(-since * since / 2.0))
    assert (told.strokes, told.outcome) == (plain.strokes, plain.outcome)
    assert told.hold is not None
    assert told.hold.start_s == pytest.approx(plain.hold.start_s, abs=0.3)
    assert told.hold.end_s == pytest.approx(plain.hold.end_s, abs=0.1)


@pytest.mark.parametrize(("stuck", "width_s"), [(True, 0.15), (True, 0.05), (False, 0.02), (False, 0.5)])
def test_a_bump_below_where_a_cap_lets_out_is_no_stroke(stuck: bool, width_s: float) -> None:
    """Above what it held before one, but nothing let it out: it stays below what it was pumped to. Where a valve lets
    out, one as long as a stroke would look like a stroke; these are shorter and longer."""
    valve = Valve(98.0, 88.0, 60.0, pops=False)
    made = make(31, rate_hz=50.0, stroke_kpa=9.0, valve=None if stuck else valve, target_kpa=108.0, hold_s=60.0)
    plain = judged("cap", made.time_s, made.pressure_kpa)
    assert plain.hold is not None and plain.peak is not None
    at = (made.time_s > plain.hold.start_s + 20.0) & (made.time_s < plain.hold.start_s + 22.0)
    height = plain.peak.value - (1.0 if stuck else 4.0) - float(np.median(made.pressure_kpa[at]))
    assert height > 1.0
    since = (made.time_s - plain.hold.start_s - 22.0) / width_s
    told = judged("cap", made.time_s, made.pressure_kpa + height * np.exp(-since * since / 2.0))
    assert told.strokes == plain.strokes and told.hold is not None
    assert told.hold.start_s == pytest.approx(plain.hold.start_s, abs=0.3)
    assert told.hold.end_s == pytest.approx(plain.hold.end_s, abs=0.1)


@pytest.mark.parametrize("after_s", [3.5, 5.0, 8.0])
@pytest.mark.parametrize(("rate_hz", "stroke_kpa", "height_kpa"),
                         [(10.0, 2.0, 3.0), (25.0, 3.0, 1.5), (25.0, 6.0, 3.0)])
def test_a_bump_soon_after_the_last_stroke_is_none(
    rate_hz: float, stroke_kpa: float, height_kpa: float, after_s: float,
) -> None:
    """Up to 38 strokes were made up that led up to it."""
    made = make(33, rate_hz=rate_hz, stroke_kpa=stroke_kpa, target_kpa=108.0, hold_s=140.0, noise_kpa=0.1)
    since = (made.time_s - made.hold_start_s - after_s) / 0.3
    told = judged("system", made.time_s, made.pressure_kpa + height_kpa * np.exp(-since * since / 2.0))
    assert told.strokes == made.strokes and told.hold is not None
    assert told.hold.start_s == pytest.approx(made.hold_start_s, abs=0.3)


def test_a_stroke_in_the_hold_is_one() -> None:
    made = made_of("system")
    plain = judged("system", made.time_s, made.pressure_kpa)
    assert plain.hold is not None
    since = made.time_s - plain.hold.start_s - 20.0
    more = 2.0 * np.clip(since / 0.3, 0.0, 1.0) * (made.pressure_kpa > 50.0)
    told = judged("system", made.time_s, made.pressure_kpa + more)
    assert told.strokes == plain.strokes + 1


@pytest.mark.parametrize("seed", range(4))
def test_a_hand_that_is_not_still_in_a_pause_on_the_way_up_makes_no_strokes(seed: int) -> None:
    """Strokes of 7 kPa, a pause of 6 s in the middle in which the pressure wavers by 0.22 kPa to both sides, at the
    pitch of strokes; air that cools by a fifth of each stroke within 2 s."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 170.0, 0.01)
    p, at = np.zeros(len(t)), 4.0
    for k in range(15):
        since = t - at
        p += 7.0 * np.clip(since / 0.3, 0.0, 1.0) * (0.8 + 0.2 * np.exp(-np.maximum(since - 0.3, 0.0) / 2.0))
        if k == 7:
            pause_s = at
        at += (7.0 if k == 7 else 1.0) * (1.0 + 0.05 * rng.normal())
    wavers = (t > pause_s + 0.6) & (t < pause_s + 6.0)
    p += np.where(wavers, 0.22 * np.sin(2.0 * np.pi * (t - pause_s) / 0.87), 0.0) + rng.normal(0.0, 0.05, len(t))
    p *= np.where(t > 165.0, np.exp(-(t - 165.0) / 0.3), 1.0)
    assert judged("system", t, p).strokes == 15


@pytest.mark.parametrize("test", ["cap", "system"])
@pytest.mark.parametrize("height_kpa", [1.5, 2.0, 4.0])
def test_a_knock_in_a_pause_on_the_way_up_is_no_stroke(height_kpa: float, test: str) -> None:
    """Strokes of 7 kPa with a pause of 7 s, in the middle of which something is hit; air that cools by a fifth of each
    within 2 s."""
    rng = np.random.default_rng(5)
    t = np.arange(0.0, 170.0, 0.02)
    p, at = rng.normal(0.0, 0.08, len(t)), 4.0
    for k in range(15):
        since = t - at
        p += 7.0 * np.clip(since / 0.3, 0.0, 1.0) * (0.8 + 0.2 * np.exp(-np.maximum(since - 0.3, 0.0) / 2.0))
        if k == 7:
            p += height_kpa * np.exp(-(((since - 3.0) / 0.15) ** 2) / 2.0)
        at += (7.0 if k == 7 else 1.0) * (1.0 + 0.05 * rng.normal())
    p *= np.where(t > 165.0, np.exp(-(t - 165.0) / 0.3), 1.0)
    assert judged(test, t, p).strokes == 15


@pytest.mark.parametrize(("last", "from_kpa", "stays"), [
    ((0.59,), 90.0, False), ((0.61,), 90.0, True), ((0.2, 0.4), 90.0, False), ((0.4,), 95.0, True),
])
def test_what_fills_the_gap_after_the_last_stroke_of_a_cap_is_none(
    last: tuple[float, ...], from_kpa: float, stays: bool
) -> None:
    """Less than a tenth of a usual stroke, below what opened the valve: there an eased one brings little."""
    strokes = [Stroke(1.0 + i, 1.4 + i, 90.0, 96.0) for i in range(8)]
    strokes += [Stroke(9.0 + i, 9.2 + i, from_kpa, from_kpa + rise) for i, rise in enumerate(last)]
    assert len(without_last_trifles(strokes)) == (len(strokes) if stays else 8)
    assert without_last_trifles(strokes[-3:]) == strokes[-3:]


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("after_s", [9.0, 11.0])
def test_a_knock_soon_after_pumping_is_not_what_the_pressure_was_kept_up_to(after_s: float, seed: int) -> None:
    """Ten readings a second: a dip, then a bump. The strokes up to it were a dozen of noise."""
    made = make(seed, rate_hz=10.0, stroke_kpa=4.0, target_kpa=96.0, hold_s=125.0, noise_kpa=0.09, count_kpa=0.03)
    since = made.time_s - made.hold_start_s - after_s
    hit = np.where((since > 0.0) & (since < 0.2), -3.5, 0.0) + np.where((since >= 0.3) & (since < 0.4), 1.2, 0.0)
    plain, told = (judged("system", made.time_s, p) for p in (made.pressure_kpa, made.pressure_kpa + hit))
    assert told.strokes == plain.strokes == made.strokes
    assert told.hold is not None and told.hold.start_s == pytest.approx(made.hold_start_s, abs=0.6)


@pytest.mark.parametrize("seed", range(6))
def test_one_wild_reading_where_the_next_stroke_was_due_opens_no_cap(seed: int) -> None:
    """Ten readings a second, a stuck cap: as high as a stroke, and nothing of it left."""
    made = make(seed, rate_hz=10.0, stroke_kpa=7.0, target_kpa=122.0, hold_s=50.0, noise_kpa=0.13, count_kpa=0.02)
    plain = judged("cap", made.time_s, made.pressure_kpa)
    p = made.pressure_kpa.copy()
    p[np.searchsorted(made.time_s, made.hold_start_s + 0.9)] += 7.0
    told = judged("cap", made.time_s, p)
    assert plain.opening is None and told.opening is None
    assert told.strokes == plain.strokes


@pytest.mark.parametrize(("rate_hz", "seed"), [(12.0, 1), (12.0, 9), (25.0, 9)])
def test_noise_that_makes_bumps_all_along_makes_no_last_stroke(rate_hz: float, seed: int) -> None:
    """A cap that does not open at 100 kPa, and readings of which some jump by 1 to 2.2 kPa: one of these where the next
    stroke was due was a stroke whose air a valve had let out, so that the cap passed."""
    made = make(seed, rate_hz=rate_hz, stroke_kpa=14.0, target_kpa=100.0, hold_s=45.0, noise_kpa=0.2, count_kpa=0.05)
    rng = np.random.default_rng(1000 + seed)
    p = made.pressure_kpa.copy()
    for at in rng.integers(0, len(p) - 3, rng.poisson(len(p) / rate_hz * 0.8)):
        p[at : at + rng.integers(1, 3)] += rng.choice([-1, 1]) * rng.uniform(1.0, 2.2)
    told = judged("cap", made.time_s, p)
    assert (told.strokes, told.opening) == (made.strokes, None)
    assert told.outcome != "pass"


@pytest.mark.parametrize(("after_s", "depth_kpa", "width_s"), [(4.5, 8.0, 0.1), (8.0, 14.0, 0.15)])
def test_a_hit_soon_after_the_last_stroke_is_not_how_fast_it_falls(
    after_s: float, depth_kpa: float, width_s: float
) -> None:
    """Else many small strokes would seem to have made up for so fast a fall."""
    made = make(33, rate_hz=20.0, stroke_kpa=5.0, target_kpa=107.0, hold_s=70.0, leak_per_s=0.7 / 60.0 / 107.0)
    since = made.time_s - made.hold_start_s - after_s
    dip = np.where((since >= 0.0) & (since < 5.0 * width_s), -depth_kpa * np.exp(-np.abs(since) / width_s), 0.0)
    told = judged("system", made.time_s, made.pressure_kpa + dip)
    assert told.strokes == made.strokes
    assert told.hold is not None
    assert told.hold.start_s == pytest.approx(made.hold_start_s, abs=0.5)
