"""Strokes that come unevenly, that nothing holds, or that noise hides.

Made here: stairs (Boyle), and a leak that takes a share of the pressure a second."""

from __future__ import annotations

import numpy as np
import pytest

from recorder.analysis import Analyser, Setup
from recorder.analysis.space import _uncounted
from recorder.analysis.strokes import Stroke, find_strokes, level_noise
from recorder.analysis.strokes.eased import with_eased
from recorder.analysis.trace.signal import prepare
from recorder.analysis.trace.zero import find_zero
from recorder.limits import resolve
from recorder.model import Judgement, Marking, TestKind

STEP_S = 0.002


def pumped(
    starts_s: np.ndarray, each_kpa: float, *, until_s: float, leak_per_s: float = 0.0, length_s: float = 0.3,
    rate_hz: float = 100.0, noise_kpa: float = 0.1, seed: int = 1,
) -> tuple[np.ndarray, np.ndarray]:
    """Time (s) and pressure (kPa) of strokes of ``each_kpa`` that begin at ``starts_s``."""
    fine = np.arange(0.0, until_s, STEP_S)
    done = np.clip((fine[:, None] - starts_s) / length_s, 0.0, 1.0)
    inflow = np.diff((done - np.sin(2.0 * np.pi * done) / (2.0 * np.pi)).sum(axis=1), prepend=0.0) * each_kpa
    p, now = np.empty(len(fine)), 0.0
    for i, more in enumerate(inflow):
        now += more - leak_per_s * now * STEP_S
        p[i] = now
    t = np.arange(0.0, until_s - 0.01, 1.0 / rate_hz)
    return t, np.interp(t, fine, p) + np.random.default_rng(seed).normal(0.0, noise_kpa, len(t))


def judged(test: str, t: np.ndarray, p: np.ndarray) -> Judgement:
    kind: TestKind = "cap" if test == "cap" else "system"
    analyser = Analyser(Setup(kind, Marking(98.0, "kPa", 98.0), resolve(kind, {})))
    analyser.feed(t.round(6), p.round(4))
    return analyser.judgement()


def test_plain_strokes_that_come_unevenly_are_all_seen() -> None:
    """A dozen uneven steps can seem to repeat themselves at twice their time."""
    missed = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        starts = 5.0 + np.cumsum(np.append(0.0, 0.85 * np.exp(0.22 * rng.standard_normal(12)).clip(0.65, 1.7)))
        t, p = pumped(starts, 9.0, until_s=40.0, noise_kpa=0.3, rate_hz=25.0, seed=seed)
        found = find_strokes(prepare(t, p, 0.0), 4.5, 40.0, may_open=False)
        missed.append(len(found) - 13)
    assert missed == [0] * 40


@pytest.mark.parametrize("leak_per_s", [6.0, 15.0])
def test_strokes_that_are_gone_at_once_are_counted(leak_per_s: float) -> None:
    starts = 4.0 + 1.1 * np.arange(12.0)
    t, p = pumped(starts, 12.0, until_s=30.0, leak_per_s=leak_per_s)
    _, _, vented_end = find_zero(t, p + 0.5)
    assert 3.0 < vented_end < 4.2
    told = judged("cap", t, p + 0.5)
    assert (told.strokes, told.outcome) == (12, "fail")
    assert told.headspace is None


def test_a_few_knocks_do_not_end_the_vented_start() -> None:
    t = np.arange(0.0, 20.0, 0.01)
    p = np.random.default_rng(3).normal(0.4, 0.1, len(t))
    for at in (3.0, 8.0, 13.0):
        p += np.where(t > at, 6.0 * np.exp(-(t - at) / 0.08), 0.0)
    assert find_zero(t, p)[2] > 19.0


def test_a_cap_that_loses_each_stroke_before_the_next_never_seals() -> None:
    """However soon after the last stroke the recording ends."""
    starts = 4.0 + 1.25 * np.arange(16.0)
    t, p = pumped(starts, 22.0, until_s=float(starts[-1]) + 3.3, leak_per_s=0.75)
    told = judged("cap", t, p)
    assert (told.strokes, told.outcome) == (16, "fail")


def test_noise_that_wanders_keeps_no_pressure_up() -> None:
    """Nothing but strokes keeps a pressure up; noise of which each reading is like the one before may seem to."""
    invented = 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        t, p = pumped(4.0 + 1.1 * np.arange(20.0), 2.0, until_s=90.0, rate_hz=10.0, noise_kpa=0.15, seed=seed)
        wander = np.zeros(len(t))
        for i in range(1, len(t)):
            wander[i] = 0.8 * wander[i - 1] + 0.08 * rng.standard_normal()
        x = prepare(t, p - np.where(t > 25.0, 1.2 * -np.expm1(-(t - 25.0) / 25.0), 0.0) + wander, 0.0)
        found = find_strokes(x, 3.5, 90.0, may_open=False)
        invented += len(with_eased(x, found, level_noise(x, 3.5), 90.0)) > len(found)
    assert invented <= 6  # of 60; ten where each reading counts as one


@pytest.mark.parametrize(("wander_s", "wander_kpa"), [(1.0, 0.15), (0.4, 0.2)])
def test_a_level_that_wanders_after_the_strokes_is_no_more_of_them(wander_s: float, wander_kpa: float) -> None:
    """First-order autoregression, as slow as a stroke; the hold tells how far it wanders, and how long."""
    more = 0
    for seed in range(40):
        rng = np.random.default_rng(seed)
        t, p = pumped(4.0 + 1.2 * np.arange(12.0), 3.0, until_s=80.0, rate_hz=50.0, noise_kpa=0.1, seed=seed)
        keep, wander, now = np.exp(-0.02 / wander_s), np.empty(len(t)), 0.0
        for i, push in enumerate(rng.standard_normal(len(t))):
            now = keep * now + wander_kpa * np.sqrt(1.0 - keep**2) * push
            wander[i] = now
        x = prepare(t, p + wander - 0.02 * np.maximum(t - 18.0, 0.0), 0.0)
        found = find_strokes(x, 3.5, 80.0, may_open=False)
        more += len(with_eased(x, found, level_noise(x, 3.5), 80.0)) > len(found)
    assert more <= 1  # of 40


def test_a_pressure_that_rises_beside_its_strokes_had_others() -> None:
    starts = 4.0 + 0.8 * np.arange(40.0)
    t, p = pumped(starts, 0.8, until_s=60.0, noise_kpa=0.1)
    x = prepare(t, p, 0.0)
    level = x.noise_kpa / np.sqrt(15.0)

    def more(every: int) -> float:
        some = starts[::every]
        base = np.interp(some, x.t, x.smooth)
        strokes = [Stroke(float(a), float(a) + 0.3, float(b), float(b) + 0.8) for a, b in zip(some, base, strict=True)]
        return _uncounted(x, strokes, [*base, float(base[-1]) + 0.8], level)

    assert more(1) == 0.0
    assert more(2) == pytest.approx(1.0, abs=0.15)
    assert more(3) == pytest.approx(2.0, abs=0.3)


@pytest.mark.parametrize("gone_s", [40.0, 900.0, 7200.0, 27000.0])
def test_a_hole_after_pumping_is_a_broken_trace_and_no_fault(gone_s: float) -> None:
    """The readings of a system after which most of the trace is missing."""
    t, p = pumped(np.arange(5.0, 27.0, 0.9), 5.0, until_s=165.0, rate_hz=50.0)
    t = np.where(t > 30.0, t + gone_s, t)
    analyser = Analyser(Setup("system", Marking(105.0, "kPa", 105.0), resolve("system", {})))
    analyser.feed(t.round(6), p.round(4))
    got = analyser.judgement()
    assert (got.outcome == "void") == (gone_s > 0.4 * float(t[-1] - t[0])), got.reasons
