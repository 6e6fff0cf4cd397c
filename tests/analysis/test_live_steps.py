"""What a live view says to do next, over traces of the simulated tester as they come in."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import groupby

import numpy as np
import pytest

from recorder import calibration, rig
from recorder.analysis import Analyser, Setup
from recorder.limits import resolve
from recorder.model import Judgement, LiveView, Marking, TestKind
from recorder.rig import Scene, simulate

SCENES = {test.name: test.scene for test in rig.demo()}
MARKED = Marking(16.0, "psi", 110.316)
SCALE_KPA = 206.84


def trace(scene: Scene, begin_s: float = 0.0, end_s: float = 1e9) -> tuple[np.ndarray, np.ndarray]:
    made = simulate(scene)
    p = made.reading_kpa
    use = (made.time_s >= begin_s) & (made.time_s <= end_s) & np.isfinite(p)
    return made.time_s[use] - begin_s, p[use]


def after(*parts: tuple[np.ndarray, np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """One trace after the other."""
    times, at = [], 0.0
    for t, _ in parts:
        times.append(t + at)
        at = float(times[-1][-1]) + 0.01
    return np.concatenate(times), np.concatenate([p for _, p in parts])


class Live:
    """An analyser that is asked for a view twice a second."""

    def __init__(
        self, test: TestKind, t: np.ndarray, p: np.ndarray, *, scale_kpa: float = SCALE_KPA,
        marked: Marking | None = MARKED,
    ) -> None:
        self.analyser = Analyser(Setup(test, marked, resolve(test, {}), calibration.nominal(scale_kpa)))
        self.views = list(self._views(t, p))

    def _views(self, t: np.ndarray, p: np.ndarray) -> Iterator[LiveView]:
        for piece in np.split(np.arange(len(t)), np.searchsorted(t, np.arange(0.5, t[-1], 0.5))):
            self.analyser.feed(t[piece], p[piece])
            yield self.analyser.view()

    def steps(self) -> list[str]:
        """The steps, each once where it lasted."""
        return [step for step, _ in groupby(view.next_step for view in self.views)]

    def judgement(self) -> Judgement:
        return self.analyser.judgement()


@pytest.mark.parametrize("test", ["system", "cap"])
def test_begun_under_pressure_says_to_vent_until_it_is_vented_and_is_then_as_any_other(test: TestKind) -> None:
    scene = SCENES["system-repaired"] if test == "system" else SCENES["cap-passes"]
    begin_s = 135.0 if test == "system" else 50.0  # in the hold
    late, whole = trace(scene, begin_s), trace(replace(scene, hold_s=64.0))
    live = Live(test, *after(late, whole))
    vented_s = float(late[0][np.argmax(late[1] < 3.0)])
    before = [v for v in live.views if v.time_s < vented_s]
    assert {v.next_step for v in before} <= {"wait", "vent", "vent-again"}
    assert "vented" not in {v.phase for v in before}
    assert any(v.next_step == "vent" and (v.pressure_kpa or 0.0) > 90.0 for v in before)
    plain = Live(test, *whole)
    rest = [v for v in live.views if v.time_s > vented_s + 5.0]
    assert [s for s, _ in groupby(v.next_step for v in rest)] == plain.steps()[1:]
    assert rest[-1].strokes == plain.views[-1].strokes
    assert abs((rest[-1].pressure_kpa or 0.0) - (plain.views[-1].pressure_kpa or 0.0)) < 0.5
    assert live.judgement().outcome == plain.judgement().outcome == "pass"


@pytest.mark.parametrize("offset_kpa", [-6.0, 4.0, 8.0])
def test_a_gauge_whose_zero_is_a_few_kpa_off_is_vented(offset_kpa: float) -> None:
    t, p = trace(SCENES["system-repaired"], end_s=20.0)
    plain, off = Live("system", t, p), Live("system", t, p + offset_kpa)
    assert off.steps() == plain.steps()
    assert "vent" not in off.steps()


def test_a_test_begun_late_with_its_strokes_is_taken_to_its_end() -> None:
    t, p = trace(replace(SCENES["system-repaired"], hold_s=64.0))
    begin = float(t[np.argmax(p > 40.0)])
    late = t >= begin
    live = Live("system", t[late] - begin, p[late])
    assert live.steps()[-1] == "done"
    assert live.judgement().outcome == "pass"

