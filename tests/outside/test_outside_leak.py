"""Leak by pressure change, 40 CFR 1065.644, through text, reader and judge: its worked example as one of our tests."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from recorder.analysis import judge
from recorder.analysis.headspace import KEPT
from recorder.recording import read

GAS_CONSTANT = 8.314472  # J/(mol K), as the regulation has it (CODATA 2006)
AIR_KPA, KELVIN, VOLUME_ML = 101.325, 293.15, 2000.0
STROKE_ML = 200.0


def test_the_worked_leak_through_our_leak_flow(tmp_path: Path) -> None:
    """V 2.0000 L, a change of 25.300 kPa in 70 s at 293.15 K: printed 0.00030 mol/s (from memory), 2.96570e-4
    recomputed. Here the 2 L lose the 25.3 kPa that they gain there. Strokes of 200 mL of outside air tell the volume
    (Boyle), the hold tells the rate, and mL/min at the hold's pressure is mol/s by the ideal gas law."""
    worked = VOLUME_ML * 1e-6 * 25.3e3 / (GAS_CONSTANT * KELVIN * 70.0)
    assert worked == pytest.approx(2.96570e-4, rel=2e-6)
    rise = AIR_KPA * STROKE_ML / VOLUME_ML
    corners, at = [(0.0, 0.0)], 0.0
    for k in range(12):  # it leaks while it is pumped too, with the pressure
        corners.append((4.0 + 0.8 * k, at))
        at += rise
        corners.append((4.3 + 0.8 * k, at))
        at -= 25.3 / 70.0 * 0.8 * at / (12 * rise)
    begin, top = corners[-1]
    corners += [(begin + 70.0, top - 25.3), (begin + 71.0, 0.0), (begin + 76.0, 0.0)]
    t = np.arange(0.0, corners[-1][0], 0.02)
    p = np.interp(t, *np.transpose(corners)) + np.random.default_rng(3).normal(0.0, 0.05, len(t))
    path = tmp_path / "leak.csv"
    path.write_text(
        '# recording-format: 1\n# test: "system"\n# marked: {"value": 110, "unit": "kPa"}\n'
        f'# procedure: {{"stroke_volume": {{"value": {STROKE_ML}, "unit": "mL"}}}}\ntime_s,pressure_kPa\n'
        + "".join(f"{a:.6f},{b:.4f}\n" for a, b in zip(t, p, strict=True)),
        "utf-8",
    )
    got = judge(read(path))
    assert got.outcome == "fail" and got.hold is not None
    assert got.headspace is not None and got.leak_flow is not None
    # what a usual pump keeps before its valve, this one does not
    kept = KEPT * got.hold.start.value / AIR_KPA
    assert got.headspace.value / (1.0 - kept) == pytest.approx(VOLUME_ML, rel=0.01)
    assert got.headspace.standard_uncertainty is not None
    assert got.headspace.value == pytest.approx(VOLUME_ML, abs=2.0 * got.headspace.standard_uncertainty)
    assert got.hold.drop.value == pytest.approx(25.3, abs=0.5)
    middle_pa = 1e3 * (AIR_KPA + (got.hold.start.value + got.hold.end.value) / 2)
    mol_per_s = got.leak_flow.value / 60 * 1e-6 * middle_pa / (GAS_CONSTANT * KELVIN)
    assert got.leak_flow.standard_uncertainty is not None
    u = got.leak_flow.standard_uncertainty / got.leak_flow.value
    assert mol_per_s == pytest.approx(2.96570e-4, rel=max(2 * u, 0.01))
    assert u < 0.1
