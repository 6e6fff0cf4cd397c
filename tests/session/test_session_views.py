"""The live view: of the latest reading at any time, its phases looked at no more often than their cost allows."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from recorder.analysis import Analyser, judge, live
from recorder.analysis.setup import Setup
from recorder.analysis.study import Study, study
from recorder.cli._drive import _STALE_S
from recorder.limits import resolve
from recorder.model import Header, Recording, Rows
from recorder.session.views import Views
from recorder.units import parse_marking

RATE_HZ = 50
SETUP = Setup("system", parse_marking("16 psi"), resolve("system"))


def trace(seconds: float) -> tuple[np.ndarray, np.ndarray]:
    """4 s vented, eight strokes of 15 kPa a second apart, then held without a fall; seeded noise of 0.05 kPa."""
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    p = 15.0 * np.clip(np.floor(t - 4.0) + 1.0, 0, 8)
    return t, np.round(p + np.random.default_rng(7).normal(0, 0.05, len(t)), 4)


class Clock:
    """Goes with the trace, and by ``cost_s`` more whenever the phases are looked at."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, cost_s: float) -> None:
        self.now = 0.0
        self.looks: list[float] = []

        def costly(*args: object, **more: object) -> Study:
            self.looks.append(self.now)
            self.now += cost_s
            return study(*args, **more)  # type: ignore[arg-type]

        monkeypatch.setattr(live, "study", costly)

    def __call__(self) -> float:
        return self.now


@pytest.mark.parametrize(("cost_s", "most_moved", "most_still"), [(0.0, 4.1, 1.1), (0.01, 1.7, 0.9), (0.2, 0.7, 0.25)])
def test_looks_are_as_seldom_as_they_are_dear(
    monkeypatch: pytest.MonkeyPatch, cost_s: float, most_moved: float, most_still: float
) -> None:
    """Looks a second: four and one at most, and 1/60 and 1/120 of the time, or one in 1.5 s while it moves and
    one in 4 s while it stands still."""
    t, p = trace(40.0)
    clock, judged = Clock(monkeypatch, cost_s), Analyser(SETUP)
    views = Views(clock)
    for i in range(0, len(t), 2):
        clock.now = max(clock.now, float(t[i]))
        judged.feed(t[i : i + 2], p[i : i + 2])
        views.stale = True
        view = views.take(judged)
        assert view.time_s == t[i + 1]  # of the latest reading, looked at or not
        assert view.pressure_kpa is not None or t[i] < 1.0
        if view.phase == "pump-up" and view.peak_kpa is not None:
            assert view.pressure_kpa is not None and view.peak_kpa >= view.pressure_kpa
        assert judged.behind_s < _STALE_S  # else the live line would stand still
    moved = [s for s in clock.looks if 4.5 < s < 11.5]
    still = [s for s in clock.looks if 20.0 < s < 40.0]
    assert 0 < len(moved) <= most_moved * 7 + 1
    assert len(still) <= most_still * 20 + 1
    assert view.phase == "hold" and view.strokes == 8


def test_a_face_that_asks_again_gets_the_same_view() -> None:
    t, p = trace(20.0)
    views, judged = Views(lambda: 0.0), Analyser(SETUP)
    judged.feed(t, p)
    first = views.take(judged)
    assert views.take(judged) is first
    views.stale = True
    assert views.take(judged) is first  # nothing new was fed


@settings(max_examples=8, deadline=None)
@given(st.lists(st.integers(1, 400), min_size=1, max_size=12), st.lists(st.booleans(), min_size=12, max_size=12))
def test_looking_or_not_changes_no_judgement(sizes: list[int], looks: list[bool]) -> None:
    t, p = trace(40.0)
    judged, at = Analyser(SETUP), 0
    for n, look in zip(sizes, looks, strict=False):
        judged.feed(t[at : at + n], p[at : at + n])
        at += n
        judged.view(look=look)
    judged.feed(t[at:], p[at:])
    header = Header("system", marked=SETUP.marked, procedure=SETUP.procedure.to_json())
    again = judge(Recording("", header, Rows(t, p)))
    assert json.dumps(judged.judgement().to_json()) == json.dumps(again.to_json())


def test_noise_at_the_end_of_a_short_trace_is_shown_as_no_stroke() -> None:
    t, p = trace(4.0)
    judged = Analyser(SETUP)
    for i in range(len(t)):
        judged.feed(t[i : i + 1], p[i : i + 1])
        view = judged.view()
        assert view.phase in (None, "vented") and view.strokes == 0
