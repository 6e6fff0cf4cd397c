"""The converter's step, told from the readings alone: supplies that drift, noise without a step.

A converter of n bits has 2^n - 1 steps to its full scale (IEEE Std 1241, ideal converter; from memory)."""

from __future__ import annotations

import numpy as np
import pytest

from recorder import rig
from recorder.analysis import Analyser, Setup
from recorder.analysis.trace.signal import counted_kpa, resolution_kpa, sampling
from recorder.limits import resolve
from recorder.model import Marking
from tests.benchmarks.truth_run import judged


def readings(*, bits: int, noise: float, supply_drifts: bool, n: int = 3000) -> tuple[np.ndarray, float]:
    """A slow fall from 100 kPa as a ratiometric gauge of 690 kPa (0.1 to 0.9 of its supply) prints it, and its step.

    noise: standard deviation in steps."""
    rng = np.random.default_rng(1)
    full = 2**bits - 1
    noise_kpa = noise * 690.0 / 0.8 / (0.97 * full)
    p = 100.0 - 3.0 * np.linspace(0.0, 1.0, n) + rng.normal(0.0, noise_kpa, n)
    supply = np.full(n, 0.97 * full)
    if supply_drifts:
        supply += 0.004 * full * np.sin(np.linspace(0.0, 25.0, n))
    supply = np.round(supply)
    counts = np.round((0.1 + 0.8 * p / 690.0) * supply)
    return 690.0 / 0.8 * (counts / supply - 0.1), 690.0 / 0.8 / float(np.median(supply))


@pytest.mark.parametrize("supply_drifts", [False, True])
@pytest.mark.parametrize("noise", [0.3, 0.6, 1.0], ids=lambda share: f"noise of {share} of a step")
@pytest.mark.parametrize("bits", [10, 12])
def test_step_of_a_converter(bits: int, noise: float, supply_drifts: bool) -> None:
    p, step = readings(bits=bits, noise=noise, supply_drifts=supply_drifts)
    assert resolution_kpa(p) == pytest.approx(step, rel=0.05)


@pytest.mark.parametrize("low_bits", [0, 2])
@pytest.mark.parametrize("bits", [10, 12])
def test_counts_tell_the_step_where_the_supply_is_converted_too(bits: int, low_bits: int) -> None:
    """A supply that reads a count more or less every now and then moves the pressures of each count about; a converter
    whose lowest bits are not sent jumps by several counts; single wild readings and rows without counts do not count.
    """
    rng = np.random.default_rng(3)
    full = 2**bits - 1
    p = np.concatenate([np.linspace(0.0, 100.0, 2000), 100.0 - 3.0 * np.linspace(0.0, 1.0, 4000)])
    p[::500] += 30.0
    supply = np.round(0.97 * full + rng.normal(0.0, 0.5, len(p)))
    counts = (np.round((0.1 + 0.8 * p / 690.0) * supply).astype(np.int64) >> low_bits) << low_bits
    read = 690.0 / 0.8 * (counts / supply - 0.1)
    step = 690.0 / 0.8 / (0.97 * full) * 2**low_bits
    known = np.where(np.arange(len(p)) % 7 == 0, np.nan, counts)
    assert counted_kpa(read, known) == pytest.approx(step, rel=0.02)
    assert sampling(np.arange(len(p), dtype=float) * 0.01, read, known).step_kpa == pytest.approx(step, rel=0.02)


def test_counts_that_do_not_go_with_the_pressures_tell_nothing() -> None:
    rng = np.random.default_rng(4)
    p = np.linspace(0.0, 100.0, 1000)
    assert counted_kpa(p, rng.integers(0, 1023, len(p)).astype(float)) == 0.0
    assert counted_kpa(p, np.full(len(p), 7.0)) == 0.0
    assert counted_kpa(p, np.full(len(p), np.nan)) == 0.0


def test_coarse_readings_beside_a_supply_that_is_converted_too_make_no_strokes() -> None:
    """Ten bits over 690 kPa: steps of 0.87 kPa in a hold that falls by two of them."""
    rng = np.random.default_rng(5)
    t = np.arange(0.0, 160.0, 0.02)
    strokes = 5.0 + 1.1 * np.arange(24.0)
    p = 5.0 * np.clip((t[:, None] - strokes) / 0.4, 0.0, 1.0).sum(axis=1)
    p -= 1.7 * np.clip((t - strokes[-1] - 0.4) / 125.0, 0.0, 1.0)
    supply = np.round(1002.0 + rng.normal(0.0, 0.4, len(t)))
    counts = np.round((0.1 + 0.8 * (p + rng.normal(0.0, 0.13, len(t))) / 690.0) * supply).astype(np.int64)
    read = 690.0 / 0.8 * (counts / supply - 0.1)
    analyser = Analyser(Setup("system", Marking(103.0, "kPa", 103.0), resolve("system", {})))
    analyser.feed(t.round(6), read.round(4), None, counts)
    found = analyser.judgement()
    assert found.strokes == 24
    assert found.hold is not None and found.hold.end_s - found.hold.start_s > 120.0


@pytest.mark.parametrize("seed", range(5))
def test_noise_without_a_step_has_none(seed: int) -> None:
    """Gaussian, and with heavier tails; what is said stays far below the noise, so that it changes nothing."""
    rng = np.random.default_rng(seed)
    for noise in (rng.normal(0.0, 0.2, 3000), 0.1 * rng.standard_t(3, 3000)):
        assert resolution_kpa(np.round(100.0 + noise, 3)) < 0.05 * np.std(noise)


@pytest.mark.parametrize("seed", [2026000305, 2026000513])
def test_a_reading_that_jumps_between_two_steps_is_no_stroke(seed: int) -> None:
    """10 bits over 689 kPa beside a supply that drifts: jumps of 0.87 kPa all through the hold."""
    trace = rig.simulate(rig.scene_of(seed))
    got = judged(trace)
    assert got["strokes"] == trace.truth.strokes
    assert got["hold"]["start_s"] == pytest.approx(trace.truth.hold_start_s, abs=0.3)
    assert got["outcome"] == trace.truth.outcome


def test_a_coarse_reading_that_stands_still_in_the_middle_of_its_range_is_no_fault() -> None:
    """Ten bits over 689 kPa: a tight hold reads one and the same value for a minute. The same near the end of what a
    ratiometric sensor gives (0.9 of the supply, common practice) is a fault, and a reading that jumps there."""
    from recorder.analysis.trace.faults import sensor_fault

    scale = 689.0
    rails = (-0.125 * scale, 1.125 * scale)
    step = (rails[1] - rails[0]) / 1023
    t = np.arange(0.0, 100.0, 0.02)
    rng = np.random.default_rng(7)

    def read(top_kpa: float, up_s: float) -> np.ndarray:
        true = np.interp(t, [5.0, 5.0 + up_s, 95.0, 96.0], [0.3, top_kpa, top_kpa, 0.3]) + rng.normal(0.0, 0.05, len(t))
        return np.round(true / step) * step

    middle, end = round(110.0 / step) * step, round(690.0 / step) * step
    assert sensor_fault(read(middle, 20.0), 0.02, rails) is None
    assert sensor_fault(read(middle, 0.01), 0.02, rails) is None
    assert sensor_fault(read(end, 20.0), 0.02, rails) == "it sits at its upper end (range exceeded or short circuit?)"
    assert sensor_fault(read(end, 0.01), 0.02, rails) is not None
