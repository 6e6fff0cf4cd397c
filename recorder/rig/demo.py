"""The demo: an invented workshop and two invented vehicles. All of it is simulated."""

from __future__ import annotations

from dataclasses import dataclass

from recorder.model import Marking, TestKind
from recorder.rig.scene import Cap, Leak, Pump, Scene, Transducer

_MARKED = Marking(16.0, "psi", 110.31611669069378)  # 16 psi, NIST SP 811
_SENSOR = Transducer(full_scale_kpa=206.84, rate_hz=100.0, full_counts=4095, offset_kpa=0.6,
                     white_kpa=0.07, correlated_kpa=0.03, correlated_s=0.4, ppm=35.0)
_PUMP = Pump(stroke_ml=24.0, stroke_s=0.3, interval_s=1.0, extra_strokes=2)
SHOP = "Corner Lane Garage (invented)"


@dataclass(frozen=True, slots=True)
class DemoTest:
    """One test of the demo: its name, its scene, and what its recording's header says.

    repair: what was done since the last test of the same job; empty where nothing was.
    """

    name: str
    scene: Scene
    test: TestKind
    marked: Marking | None
    job: str
    repair: str = ""
    stroke_volume_ml: float = _PUMP.stroke_ml


def _cap(seed: int, cracking: float) -> Scene:
    return Scene("cap", _MARKED.kpa, seed, "demo", volume_ml=190.0, compliance_ml_per_kpa=0.03,
                 creep=((0.004, 15.0),), cooling_s=0.7, target_kpa=200.0,
                 cap=Cap(cracking, cracking * 0.965, 25.0), pump=_PUMP, sensor=_SENSOR,
                 vented_s=5.0, hold_s=47.0, leaks=(Leak(0.15, 110.0, "gas"),))


def _system(seed: int, leak: float) -> Scene:
    return Scene("system", _MARKED.kpa, seed, "demo", volume_ml=420.0, compliance_ml_per_kpa=0.15,
                 creep=((0.008, 22.0),), cooling_s=1.5, target_kpa=_MARKED.kpa + 10.0,
                 leaks=(Leak(leak, 120.0),) if leak else (), pump=_PUMP, sensor=_SENSOR,
                 vented_s=5.0, hold_s=122.0)


def demo() -> list[DemoTest]:
    """Four tests of two jobs: a car whose cap passes; a van whose cap opens low and whose system seeps, and its
    system again after the repair. The van's cap is still to be replaced."""
    car, van = f"{SHOP}: the grey hatchback", f"{SHOP}: the blue delivery van"
    return [
        DemoTest("cap-passes", _cap(11, 110.3), "cap", _MARKED, car),
        DemoTest("cap-opens-low", _cap(12, 81.0), "cap", _MARKED, van),
        DemoTest("system-seeps", _system(13, 2.4), "system", _MARKED, van),
        DemoTest("system-repaired", _system(14, 0.0), "system", _MARKED, van, "lower hose clamp renewed"),
    ]


def blanked_hose(seed: int = 15, leak_kpa_per_min: float = 0.12) -> Scene:
    """A tester recording: the hose is blanked off, pumped up and held; what falls is the tester's own leak."""
    return Scene("tester", _MARKED.kpa, seed, "demo", volume_ml=120.0, compliance_ml_per_kpa=0.03,
                 creep=((0.004, 15.0),), cooling_s=0.7, target_kpa=_MARKED.kpa,
                 leaks=(Leak(leak_kpa_per_min, 110.0, "gas"),),
                 pump=Pump(stroke_ml=12.0, interval_s=1.0), sensor=_SENSOR, vented_s=5.0, hold_s=122.0)
