"""A hose that is shaken while somebody looks for leaks, and a sun that comes out: neither is a stroke or a leak.

Against ``other_physics``; how a hand shakes a hose and how a cloud passes is common practice, no source."""

from __future__ import annotations

import numpy as np
import pytest

from recorder import rig
from recorder.analysis import Analyser, Setup
from recorder.limits import resolve
from recorder.model import Marking
from tests.analysis.judging import judged
from tests.analysis.other_physics import Made, Valve, make


def made_of(test: str, leak_per_s: float = 0.0) -> Made:
    if test == "cap":
        return make(31, rate_hz=10.0, stroke_kpa=9.0, valve=Valve(98.0, 94.0, 60.0, pops=False), hold_s=60.0)
    return make(31, rate_hz=20.0, stroke_kpa=5.0, target_kpa=108.0, hold_s=160.0, leak_per_s=leak_per_s)


def shaken(made: Made, seed: int) -> np.ndarray:
    """For 20 s, at six pitches of 0.5 to 3 Hz, about 1.5 kPa."""
    rng = np.random.default_rng(seed)
    since = made.time_s - made.hold_start_s - 20.0
    pitches = zip(rng.uniform(0.5, 3.0, 6), rng.uniform(0.0, 6.3, 6), strict=True)
    waves = sum(1.3 * np.sin(2.0 * np.pi * f * since + at) for f, at in pitches)
    return np.where((since > 0.0) & (since < 20.0), waves, 0.0)


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
@pytest.mark.parametrize(("test", "leak_per_s"), [("cap", 0.0), ("system", 0.0), ("system", 0.0007)])
def test_a_hose_that_is_shaken_in_the_hold_is_no_pump(test: str, leak_per_s: float, seed: int) -> None:
    made = made_of(test, leak_per_s)
    plain = judged(test, made.time_s, made.pressure_kpa)
    told = judged(test, made.time_s, made.pressure_kpa + shaken(made, seed))
    assert (told.strokes, told.outcome) == (plain.strokes, plain.outcome)
    assert plain.hold is not None and told.hold is not None
    assert told.hold.start_s == pytest.approx(plain.hold.start_s, abs=0.5)
    assert told.hold.end_s == pytest.approx(plain.hold.end_s, abs=0.5)


def clouded(made: Made, height_kpa: float, top: float = 0.5) -> np.ndarray:
    """It warms up until ``top`` of the hold and cools as fast, to less than it was."""
    share = (made.time_s - made.hold_start_s) / (made.release_s - made.hold_start_s)
    up_down = height_kpa * np.interp(share, [0.0, top, 2.0 * top, 1.0], [0.0, 1.0, 0.0, -0.3])
    return np.where(made.time_s < made.release_s, up_down, 0.0)


@pytest.mark.parametrize(("height_kpa", "top"), [(1.5, 0.3), (3.0, 0.3), (3.0, 0.4), (4.0, 0.49)])
def test_what_rises_and_falls_again_is_not_called_a_leak(height_kpa: float, top: float) -> None:
    made = made_of("system")
    told = judged("system", made.time_s, made.pressure_kpa + clouded(made, height_kpa, top))
    assert told.outcome == "undecided"
    assert "rose" in told.reasons[0].text


def test_a_leak_far_larger_than_what_rose_is_one() -> None:
    made = made_of("system", 0.002)
    told = judged("system", made.time_s, made.pressure_kpa + clouded(made, 2.5))
    assert told.outcome == "fail"


def test_a_trace_that_warms_up_from_the_last_stroke_on_has_no_more_strokes() -> None:
    """By 5 kPa within a third of the hold, and down again: nobody makes dozens of strokes that each bring next to
    nothing."""
    made = made_of("system")
    told = judged("system", made.time_s, made.pressure_kpa + clouded(made, 5.0, 0.4))
    assert (told.strokes, told.outcome) == (made.strokes, "undecided")


def test_a_step_of_a_coarse_reading_is_no_rise() -> None:
    """A seeping system of our own simulator, read in steps of 0.6 kPa that noise and hum cross now and then."""
    trace = rig.simulate(rig.scene_of(2026000431))
    marked = trace.scene.marked_kpa
    analyser = Analyser(Setup("system", Marking(marked, "kPa", marked), resolve("system", {})))
    kept = ~trace.lost
    analyser.feed(trace.adapter_time_s[kept], trace.reading_kpa[kept])
    told = analyser.judgement()
    assert told.outcome == trace.truth.outcome == "fail"
