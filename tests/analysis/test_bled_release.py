"""Pressure that is let out slowly after the hold, and falls that only look so.

Against ``other_physics``. Air through a hole takes the pressure as sqrt(p) falls in a straight line (turbulent flow of
a liquid or of air at small pressures; handbook law, from memory)."""

from __future__ import annotations

import numpy as np
import pytest

from recorder.analysis import Analyser, Setup
from recorder.limits import resolve
from recorder.model import Judgement, Marking, TestKind
from tests.analysis.other_physics import Made, Valve, make


def bled(made: Made, hold_s: float, bleed_s: float, *, until: float = 1.3) -> tuple[Judgement, float]:
    """The test, let out within ``bleed_s`` (to zero) after a hold of ``hold_s``; the recording goes on to ``until``
    times that. With the time at which the valve was opened."""
    t, p = made.time_s, made.pressure_kpa.copy()
    opened = float(t[np.argmax(p)]) + hold_s
    dt = float(np.median(np.diff(t)))
    more = np.arange(opened, opened + until * bleed_s + 3.0 * (until > 1.0), dt)
    level = float(np.median(p[(t > opened - 0.5) & (t < opened)]))
    let_out = level * np.clip(1.0 - (more - opened) / bleed_s, 0.0, None) ** 2
    noisy = let_out + np.random.default_rng(1).normal(0.0, 0.12, len(more))
    t, p = np.append(t[t < opened], more), np.append(p[t < opened], noisy)
    test: TestKind = "cap" if made.opening_kpa is not None else "system"
    analyser = Analyser(Setup(test, Marking(98.0, "kPa", 98.0), resolve(test, {})))
    analyser.feed(t.round(6), p.round(4))
    return analyser.judgement(), opened


@pytest.fixture(scope="module")
def system() -> Made:
    return make(31, rate_hz=50.0, stroke_kpa=9.0, target_kpa=108.0, hold_s=160.0)


@pytest.fixture(scope="module")
def cap() -> Made:
    return make(31, rate_hz=50.0, stroke_kpa=9.0, valve=Valve(98.0, 94.0, 60.0, pops=False), hold_s=60.0)


@pytest.mark.parametrize("bleed_s", [2.0, 6.0, 12.0, 20.0, 40.0, 60.0])
@pytest.mark.parametrize("test", ["cap", "system"])
def test_the_hold_ends_where_the_valve_is_opened(test: str, bleed_s: float, cap: Made, system: Made) -> None:
    told, opened = bled(*((cap, 50.0) if test == "cap" else (system, 130.0)), bleed_s)
    assert told.outcome == "pass"
    assert told.hold is not None
    assert told.hold.end_s == pytest.approx(opened, abs=1.0)
    assert [p.name for p in told.phases][-2:] == ["release", "vented"]


def test_a_recording_that_ends_while_it_is_let_out(system: Made) -> None:
    told, opened = bled(system, 130.0, 40.0, until=0.5)
    assert (told.outcome, told.phases[-1].name) == ("pass", "release")
    assert told.hold is not None and told.hold.end_s == pytest.approx(opened, abs=1.0)


def test_let_out_too_early_it_is_no_leak_but_no_pass_either(system: Made) -> None:
    told, _ = bled(system, 40.0, 20.0)
    assert (told.outcome, told.reasons[0].code) == ("undecided", "hold-too-short")


@pytest.mark.parametrize("leak_per_s", [0.01, 0.03, 0.06])
def test_what_leaks_from_the_start_is_not_let_out(leak_per_s: float) -> None:
    """It loses 1, 3, 6 % of what is left a second, to next to nothing: no corner, so nobody opened a valve."""
    made = make(31, rate_hz=50.0, stroke_kpa=14.0, target_kpa=108.0, hold_s=120.0, leak_per_s=leak_per_s)
    analyser = Analyser(Setup("system", Marking(98.0, "kPa", 98.0), resolve("system", {})))
    keep = made.time_s < float(made.time_s[np.argmax(made.pressure_kpa)]) + 110.0
    analyser.feed(made.time_s[keep].round(6), made.pressure_kpa[keep].round(4))
    told = analyser.judgement()
    assert (told.outcome, told.reasons[0].code) == ("fail", "fall-too-fast")
    assert "release" not in [p.name for p in told.phases]
