"""What one simulated test is made of: every parameter of the physics, and a seed for its chances."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from recorder.model import TestKind

LeakKind = Literal["liquid-turbulent", "liquid-laminar", "gas"]
Fault = Literal["", "hose-off", "never-pumped", "wire", "pinned"]

ATMOSPHERE_KPA = 101.325  # ISO 2533, sea level


@dataclass(frozen=True, slots=True)
class Leak:
    """A hole. It would make the pressure fall by ``rate_kpa_per_min`` at ``at_kpa`` gauge.

    Below ``opens_above_kpa`` it is shut (a crack that opens under load).
    """

    rate_kpa_per_min: float
    at_kpa: float
    kind: LeakKind = "liquid-turbulent"
    opens_above_kpa: float = 0.0


@dataclass(frozen=True, slots=True)
class Cap:
    """A spring-loaded relief valve. Pressures kPa gauge, gain mL/s (at its own pressure) per kPa.

    It begins to pass at ``cracking_kpa``; on the way down it follows a line that ends at
    ``reseat_kpa``. With ``chatter`` it pops wide open and snaps shut instead.
    """

    cracking_kpa: float
    reseat_kpa: float
    gain_ml_per_s_kpa: float = 20.0
    chatter: bool = False


@dataclass(frozen=True, slots=True)
class Pump:
    """A hand pump and the hand. Volumes mL of outside air, times s."""

    stroke_ml: float = 24.0
    stroke_s: float = 0.3
    interval_s: float = 0.9
    jitter: float = 0.1
    ease: bool = True
    extra_strokes: int = 2  # after the cap has opened
    strokes_at_most: int = 160


@dataclass(frozen=True, slots=True)
class Transducer:
    """A ratiometric sensor and its converter. kPa, s, Hz, counts; ``ppm`` of the adapter's clock."""

    full_scale_kpa: float = 206.84
    rate_hz: float = 100.0
    full_counts: int = 4095
    offset_kpa: float = 0.5
    span: float = 1.0
    white_kpa: float = 0.08
    correlated_kpa: float = 0.02
    correlated_s: float = 0.5
    hum_kpa: float = 0.0
    hum_hz: float = 50.0
    spikes: int = 0
    knocks: int = 0
    lost: float = 0.0
    burst_lost: int = 0
    ppm: float = 20.0
    supply_sent: bool = False
    temperature_sent: bool = False
    first_seq: int = 0
    boot_us: int = 0


@dataclass(frozen=True, slots=True)
class Scene:
    """One test. Pressures kPa gauge, volumes mL, times s, rates kPa/min.

    volume_ml: gas space at zero pressure, hose included. compliance_ml_per_kpa: what the hoses give.
    creep: (share of the gauge pressure that is lost in the end, time constant s) of each
    Kelvin-Voigt element. cooling_s: the time in which the gas takes the temperature of the wall.
    target_kpa: where the hand stops. drift_kpa_per_min: rise by warming coolant, negative when it cools.
    pulse_kpa, pulse_hz: rhythm of an idling engine. fault_s: seconds after the start of the hold.
    top_up_s: seconds into the hold of one more stroke, 0 for none.
    stroke_volume_known: whether the procedure of the recording names the stroke volume.
    """

    test: TestKind
    marked_kpa: float
    seed: int
    category: str = ""
    volume_ml: float = 200.0
    compliance_ml_per_kpa: float = 0.02
    creep: tuple[tuple[float, float], ...] = ((0.005, 20.0),)
    cooling_s: float = 1.0
    target_kpa: float = 110.0
    cap: Cap | None = None
    leaks: tuple[Leak, ...] = ()
    pump: Pump = field(default_factory=Pump)
    sensor: Transducer = field(default_factory=Transducer)
    vented_s: float = 5.0
    hold_s: float = 50.0
    release_s: float = 0.6
    vented_after_s: float = 3.0
    drift_kpa_per_min: float = 0.0
    pulse_kpa: float = 0.0
    pulse_hz: float = 0.0
    top_up_s: float = 0.0
    fault: Fault = ""
    fault_s: float = 10.0
    atmosphere_kpa: float = ATMOSPHERE_KPA
    stroke_volume_known: bool = False
