"""A converter that hangs, or a line that gives its last value again and again, looks like the tightest of systems. By
chance: readings of which one in ``k`` is like the one before stay alike ``n`` times with k**-n."""

from __future__ import annotations

import numpy as np
import pytest

from recorder.analysis import Analyser, Setup
from recorder.limits import resolve
from recorder.model import Calibration, Judgement, Marking
from tests.analysis.other_physics import make

STEP_KPA, FULL = 258.55 / 4095, 4095


def read(noise_kpa: float, *, from_s: float, until_s: float = 1e9, supply: bool = False, rate_hz: float = 50.0,
         step_kpa: float = STEP_KPA, counted: bool = True) -> Judgement:
    """A system that leaks 3 kPa a minute; the converter stands still between these times (s of the hold)."""
    made = make(7, rate_hz=rate_hz, stroke_kpa=9.0, target_kpa=107.0, leak_per_s=0.0005, hold_s=125.0, noise_kpa=0.0)
    rng = np.random.default_rng(11)
    t, full = made.time_s, FULL * STEP_KPA / step_kpa
    counts = np.round((made.pressure_kpa + 25.855 + rng.normal(0.0, noise_kpa, len(t))) / step_kpa)
    since = t - made.hold_start_s
    still = np.flatnonzero((since > from_s) & (since < until_s))
    if len(still):
        counts[still] = counts[still[0]]
    of = full * (1.0 + rng.normal(0.0, 3e-4, len(t))) if supply else full
    analyser = Analyser(Setup("system", Marking(98.0, "kPa", 98.0), resolve("system", {}),
                              Calibration((-25.855, 258.55), 0.2, "2026-01-02", "gauge 3")))
    analyser.feed(t.round(6), (-25.855 + 258.55 * counts / of).round(4), None, counts.astype(int) if counted else None)
    return analyser.judgement()


@pytest.mark.parametrize(("supply", "counted"), [(False, True), (False, False), (True, True)])
def test_a_reading_that_hangs_in_the_hold_is_no_tight_system(supply: bool, counted: bool) -> None:
    told = read(0.15, from_s=-1.0, supply=supply, counted=counted)
    assert told.outcome == "void"
    assert told.reasons[0].code == "sensor-fault" and "it stands still from " in told.reasons[0].text
    assert read(0.15, from_s=1e6, supply=supply, counted=counted).outcome == "fail"


def test_what_hangs_for_a_moment_only_is_read_on() -> None:
    assert read(0.15, from_s=40.0, until_s=43.0).outcome == "fail"


@pytest.mark.parametrize("rate_hz", [10.0, 50.0])
def test_a_coarse_gauge_stands_still_by_itself(rate_hz: float) -> None:
    """Ten bits of 689 kPa: 0.84 kPa a count, noise of a tenth of one."""
    told = read(0.08, from_s=1e6, rate_hz=rate_hz, step_kpa=0.84)
    assert told.outcome == "fail"
    assert [r.code for r in told.reasons] == ["fall-too-fast"]
