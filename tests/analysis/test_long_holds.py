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


def test_what_has_leaked_away_is_judged_until_next_to_nothing_was_left() -> None:
    """By Torricelli 30 % of the pressure is left after 2 (1 - sqrt(0.3)) p0 / rate: a mean over more would go down the
    longer one looks on."""
    got = overnight(30.0, 0.2)
    until_s = 2.0 * (1.0 - math.sqrt(0.3)) * TOP_KPA / (30.0 / 60.0)
    assert got.outcome == "fail" and got.hold is not None and got.hold.rate is not None
    assert got.hold.end_s - PUMPED_S == pytest.approx(until_s, abs=3.0)
    assert got.hold.rate.value == pytest.approx(0.7 * TOP_KPA / until_s * 60.0, rel=0.03)
    assert [note for note in got.extra["notes"] if note["code"] == "long-hold"]


@pytest.mark.parametrize(("tau_s", "end_s", "over"), [
    (20.0, 140.0, False),  # the hold has not had its time
    (20.0, 175.0, True),
    (12.0, 65.0, False),  # as a hand lets down, to pump up again perhaps
    (12.0, 100.0, True),
])
def test_a_test_is_over_where_all_has_gone_without_a_release(tau_s: float, end_s: float, over: bool) -> None:
    """Nothing is left that could be let go: the live view says so."""
    t = np.arange(0.0, end_s, 0.1)
    done = np.clip((t[:, None] - np.arange(5.0, PUMPED_S, 1.25)) / 0.4, 0.0, 1.0)
    p = TOP_KPA * np.where(t < PUMPED_S, done.mean(axis=1), np.exp(-np.maximum(t - PUMPED_S, 0.0) / tau_s))
    analyser = Analyser(Setup("system", Marking(100.0, "kPa", 100.0), resolve("system", {})))
    analyser.feed(t.round(6), (p + np.random.default_rng(7).normal(0.0, 0.05, len(t))).round(4))
    view = analyser.view()
    assert view.finished is over
    assert (view.next_step == "done") is over
    assert analyser.judgement().outcome == ("fail" if tau_s == 20.0 else "undecided")
