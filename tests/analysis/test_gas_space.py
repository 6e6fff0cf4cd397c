"""Where a gas space is not stated. Its values are checked in tests/outside."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from recorder import rig
from recorder.analysis import Analyser, Setup
from recorder.analysis.headspace import Leak, Settles, Space, headspace
from recorder.limits import resolve
from recorder.model import Marking

AIR_KPA = 101.325


def pumped(leak_per_s: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Boyle, stepped through: 30 strokes of 20 mL into 400 mL, one a second, from which ``leak_per_s`` of the gauge
    pressure leaks. Pressures (kPa) before each stroke and after the last, and the trace between (s, kPa)."""
    pressure, levels, trace = 0.0, [], []
    for _ in range(30):
        levels.append(pressure)
        pressure += AIR_KPA * 20.0 / 400.0
        for _ in range(1000):
            trace.append(pressure)
            pressure -= leak_per_s * pressure * 1e-3
    return np.array([*levels, pressure]), np.arange(30_000) * 1e-3, np.array(trace)


def told(leak_per_s: float, u_kpa: float) -> Space | None:
    levels, t, p = pumped(leak_per_s)
    starts = np.arange(30.0)
    return headspace(starts, starts + 0.001, levels, 30.0, 20.0, AIR_KPA, at_kpa=levels[-1],
                     settles=Settles(0.05, 0.0), leak=Leak(leak_per_s * levels[-1], 1.0, 0.0), trace=(t, p),
                     level_u_kpa=u_kpa)


def test_a_leak_as_quick_as_the_strokes() -> None:
    """It is the pressure between the strokes that drives it, not the one before them."""
    got = told(0.5, 0.0)
    levels, _, _ = pumped(0.5)
    assert levels[-1] - levels[-4] < 0.1  # no stroke brings anything any more
    assert got is not None and got.volume_ml == pytest.approx(400.0, rel=0.03)


def test_none_where_strokes_drown_in_noise() -> None:
    assert told(0.0, 0.5) is not None
    assert told(0.0, 5.0) is None


def test_none_where_the_gauge_is_at_fault() -> None:
    scene = dataclasses.replace(rig.demo()[2].scene, stroke_volume_known=True)
    told = {}
    for fault in ("", "wire"):
        trace = rig.simulate(dataclasses.replace(scene, fault=fault))
        procedure = resolve("system", {"stroke_volume": {"value": scene.pump.stroke_ml, "unit": "mL"}})
        analyser = Analyser(Setup("system", Marking(scene.marked_kpa, "kPa", scene.marked_kpa), procedure,
                                  trace.calibration))
        kept = ~trace.lost
        analyser.feed(trace.adapter_time_s[kept], trace.reading_kpa[kept], np.array(trace.flags)[kept].tolist())
        told[fault] = analyser.judgement()
    assert told[""].headspace is not None
    assert told["wire"].outcome == "void" and told["wire"].headspace is None
