"""The simulated tester: physics of pump, hose, cap and system, the transducer, and the truth of each trace."""

from recorder.rig.demo import DemoTest, blanked_hose, demo
from recorder.rig.lines import wire_bytes
from recorder.rig.population import population, scene_of
from recorder.rig.scene import Cap, Leak, Pump, Scene, Transducer
from recorder.rig.tester import SimulatedTester, can_play
from recorder.rig.trace import Trace, simulate
from recorder.rig.truth import Truth

__all__ = [
    "Cap", "DemoTest", "Leak", "Pump", "Scene", "SimulatedTester", "Trace", "Transducer", "Truth",
    "blanked_hose", "can_play", "demo", "population", "scene_of", "simulate", "wire_bytes",
]
