"""What looks like a stroke and is none, and strokes that lost readings hide. Made here and by ``other_physics``."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import sawtooth

from recorder.analysis.strokes import that_bring
from recorder.analysis.strokes.knocks import without_trifles
from recorder.analysis.strokes.stroke import Stroke
from recorder.analysis.trace.rhythm import find_beat, without_beat
from recorder.analysis.trace.signal import prepare
from recorder.model import Judgement
from tests.analysis.judging import held_beside_a_beat, judged
from tests.analysis.other_physics import Made, make


def with_wave(made: Made, hz: float, kpa: float, since_s: float) -> Judgement:
    """Judged with a wave that is up for a third of its time and down for the rest: its harmonics are half of it and
    less. Smoothed a little, as a hose does."""
    wave = kpa * sawtooth(2.0 * np.pi * hz * made.time_s, width=0.33) * (made.time_s > since_s)
    held = np.clip(made.pressure_kpa / 20.0, 0.0, 1.0)
    return judged("system", made.time_s, made.pressure_kpa + held * np.convolve(wave, np.ones(5) / 5, mode="same"))


@pytest.mark.parametrize(
    ("hz", "kpa", "from_the_start"), [(0.7, 3.0, False), (1.6, 4.0, False), (2.3, 4.0, False), (2.3, 4.0, True)]
)
def test_a_beat_that_is_no_sine_wave_makes_no_strokes(hz: float, kpa: float, from_the_start: bool) -> None:
    made = make(7, rate_hz=50.0, stroke_kpa=6.0, target_kpa=108.0, hold_s=124.0)
    told = with_wave(made, hz, kpa, 0.0 if from_the_start else made.hold_start_s + 1.0)
    held_beside_a_beat(told, made.strokes)


def test_a_beat_is_taken_out_with_its_harmonics() -> None:
    t = np.arange(0.0, 90.0, 0.02)
    level = 100.0 * np.clip((t - 5.0) / 10.0, 0.0, 1.0)
    wave = 3.0 * sum(np.cos(2.0 * np.pi * k * 1.3 * t + k) / k for k in (1, 2, 3)) * (t > 20.0)
    x = prepare(t, level + wave + np.random.default_rng(1).normal(0.0, 0.1, len(t)), 0.0)
    beat = find_beat(x, 90.0, may_open=False)
    assert beat is not None
    assert beat.hz == pytest.approx(1.3, abs=1e-3)
    assert beat.since_s == pytest.approx(20.0, abs=0.3)
    late = without_beat(x, beat).p[t > 25.0]
    assert np.std(late) < 0.12


def stairs(rises: list[float], every_s: float = 1.0) -> tuple[np.ndarray, list[Stroke]]:
    """Pressures 50 a second of strokes that take 0.3 s each, and the strokes."""
    t = np.arange(0.0, every_s * len(rises) + 30.0, 0.02)
    starts = 5.0 + every_s * np.arange(len(rises))
    p = np.clip((t[:, None] - starts) / 0.3, 0.0, 1.0) @ np.array(rises)
    base = np.concatenate([[0.0], np.cumsum(rises)[:-1]])
    return p, [Stroke(float(a), float(a) + 0.3, float(b), float(b + r))
               for a, b, r in zip(starts, base, rises, strict=True)]  # fmt: skip


def test_what_brings_nothing_after_the_build_up_is_dropped_and_what_brings_little_is_not() -> None:
    rises = [8.0] * 12 + [0.8, 0.6] + [0.0] * 9 + [3.0] + [0.0] * 4
    p, strokes = stairs(rises)
    x = prepare(np.arange(len(p), dtype=float) * 0.02, p + np.random.default_rng(2).normal(0.0, 0.05, len(p)), 0.0)
    left = that_bring(x, strokes, 0.5)
    assert [s.start_s for s in left] == [strokes[i].start_s for i in [*range(14), 23]]


def test_trifles_beside_full_strokes_are_none_unless_noise_may_hide_the_rest() -> None:
    _, strokes = stairs([8.0, 8.0, 8.0, 8.0, 0.2, 8.0, 8.0, 8.0, 0.5, 0.4, 0.4])
    assert len(without_trifles(strokes, 0.05)) == 10
    assert len(without_trifles(strokes, 0.2)) == 11


@pytest.mark.parametrize(("seed", "stroke_kpa"), [(31, 12.0), (32, 12.0), (34, 12.0), (31, 25.0), (33, 25.0)])
def test_the_first_stroke_in_a_hole_is_one(seed: int, stroke_kpa: float) -> None:
    made = make(seed, rate_hz=50.0, stroke_kpa=stroke_kpa, target_kpa=108.0, hold_s=40.0)
    t, p = made.time_s, made.pressure_kpa
    first_s = float(t[p > 0.3 * stroke_kpa][0])
    for before_s, after_s in ((1.0, 0.35), (0.5, 1.0), (1.2, 0.2)):
        left = (t < first_s - before_s) | (t > first_s + after_s)
        assert judged("system", t[left], p[left]).strokes == made.strokes


@pytest.mark.parametrize("into_s", [0.12, 0.2])
def test_a_stroke_that_a_hole_cuts_and_the_one_in_it_are_two(into_s: float) -> None:
    made = make(31, rate_hz=50.0, stroke_kpa=6.0, target_kpa=108.0, hold_s=124.0)
    t, p = made.time_s, made.pressure_kpa
    steep = np.flatnonzero((np.diff(p) > 0.4) & (t[1:] > 12.0))
    begins = t[steep[0]] + into_s
    left = (t < begins) | (t > begins + 1.1)
    assert judged("system", t[left], p[left]).strokes == made.strokes


@pytest.mark.parametrize("seed", [1, 3, 7])
def test_a_reading_too_coarse_to_show_a_fall_keeps_no_pressure_up(seed: int) -> None:
    """The pressure falls by itself, by less than a step: rounded, it stays and then is gone at once."""
    rng = np.random.default_rng(seed)
    t, step = np.arange(0.0, 110.0, 0.0125), 0.84
    starts = 3.0 + np.arange(60)
    since = np.maximum(t[:, None] - starts, 0.0)
    each = np.clip(since / 0.3, 0.0, 1.0) * (1.2 + (0.02 if seed < 4 else 0.05) * np.exp(-since / 15.0))
    p = each.sum(axis=1) + rng.uniform(0.0, step)
    told = judged("system", t, step * np.round((p + rng.normal(0.0, 0.17, len(t))) / step))
    assert told.strokes == 60
