"""Holds of hours: what leaks at the test's pressure counts, not the mean over a night in which all of it goes.

Made here: a hole in the wall of a full system lets liquid out by the root of the pressure (Torricelli), so
p(t) = (sqrt(p0) - k t / 2)^2 in a gas space that hardly grows.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from recorder.analysis import Analyser, Setup
from recorder.limits import resolve
from recorder.model import Judgement, Marking

RATE_HZ, PUMPED_S, TOP_KPA = 5.0, 30.0, 110.0


def overnight(kpa_per_min: float, hours: float) -> Judgement:
    """A system marked 100 kPa, pumped to 110, that leaks so fast at first and is looked at after so many hours."""
    t = np.arange(0.0, PUMPED_S + 3600.0 * hours, 1.0 / RATE_HZ)
    done = np.clip((t[:, None] - np.arange(5.0, PUMPED_S, 1.25)) / 0.4, 0.0, 1.0)
    pumped = TOP_KPA * (done - np.sin(2.0 * np.pi * done) / (2.0 * np.pi)).mean(axis=1)
    k = kpa_per_min / 60.0 / math.sqrt(TOP_KPA)
    held = np.maximum(math.sqrt(TOP_KPA) - 0.5 * k * np.maximum(t - PUMPED_S, 0.0), 0.0) ** 2
    p = np.where(t < PUMPED_S, pumped, held) + np.random.default_rng(5).normal(0.0, 0.1, len(t))
    analyser = Analyser(Setup("system", Marking(100.0, "kPa", 100.0), resolve("system", {})))
    analyser.feed(t.round(6), p.round(4))
    return analyser.judgement()


@pytest.mark.parametrize(("kpa_per_min", "hours"), [(1.0, 0.2), (1.0, 6.0), (0.5, 8.0)])
def test_a_leak_fails_however_long_it_is_left(kpa_per_min: float, hours: float) -> None:
    """Over the hours it falls by 0.3 kPa/min and less on average."""
    got = overnight(kpa_per_min, hours)
    assert got.outcome == "fail"
    assert got.hold is not None and got.hold.rate is not None
    assert 0.85 * kpa_per_min < got.hold.rate.value < 1.02 * kpa_per_min
    long = [note for note in got.extra["notes"] if note["code"] == "long-hold"]
    assert len(long) == (hours > 1.0)
    held = next(phase for phase in got.phases if phase.name == "hold")
    assert held.start_s == got.hold.start_s and held.end_s >= got.hold.end_s


def test_a_tight_system_is_judged_by_all_of_a_night() -> None:
    got = overnight(0.0, 6.0)
    assert got.outcome == "pass" and got.hold is not None
    assert got.hold.end_s == pytest.approx(PUMPED_S + 3600.0 * 6.0, abs=1.0)
    assert not [note for note in got.extra["notes"] if note["code"] == "long-hold"]
