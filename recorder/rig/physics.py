"""The gas space of a test, integrated in small steps. Equations and sources: docs/rig.md.

State: gauge pressure p, gas amount A (as kPa mL at the temperature of the wall), creep volumes, liquid lost.
With P = p + p_atm, V = V1 + C p, V1 = V0 + creep + liquid lost - warming, and the energy of an ideal gas
E = P V (times 1/(gamma - 1)):

    dE/dt = gamma a_in - gamma (E/A) a_out - (gamma - 1) P dV/dt - (E - A) / tau
    dp/dt = (gamma a_in - gamma (E/A) a_out - (E - A)/tau - gamma P dV1/dt) / (V + gamma P C)
    dA/dt = a_in - a_out
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recorder.rig.scene import Leak, Scene

if TYPE_CHECKING:
    from recorder.model import FloatArray

GAMMA = 1.4  # ratio of specific heats of air
FINE_S = 0.002
COARSE_S = 0.02
_SHUT_SHARE = 0.01  # the relief is over when the valve passes this share of its greatest flow


@dataclass(slots=True)
class _State:
    p: float
    amount: float
    creep: list[float]
    liquid: float
    lift: float
    popped: bool
    gas_lost: float  # mL at its own pressure, through leaks


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """Time s and gauge pressure kPa on the integrator's own grid, and what happened on the way.

    tight_time_s, tight_kpa: the hold again from the same start with every leak shut.
    """

    time_s: FloatArray
    pressure_kpa: FloatArray
    tight_time_s: FloatArray
    tight_kpa: FloatArray
    strokes: tuple[tuple[float, float], ...]
    opened_s: float | None
    pump_end_s: float
    hold_start_s: float
    hold_end_s: float
    end_s: float
    hold_volume_ml: float
    leak_ml: float


class _Gas:
    """One gas space with its leaks and cap; ``step`` moves it on by dt."""

    def __init__(self, scene: Scene) -> None:
        self.scene = scene
        pa = scene.atmosphere_kpa
        at = scene.cap.cracking_kpa if scene.cap else max(scene.target_kpa, 1.0)
        top = pa + at
        # share f of p lost to creep: f p = P/(V + P C) v, so v = f p (V + P C)/P
        give = (scene.volume_ml + 2 * scene.compliance_ml_per_kpa * at
                + scene.compliance_ml_per_kpa * pa) / top
        self.creep = [(share * give, tau) for share, tau in scene.creep]
        self.leaks = [(k, self._coefficient(k)) for k in scene.leaks]
        self.warming = scene.drift_kpa_per_min / 60.0 * give
        self.state = _State(0.0, pa * scene.volume_ml, [0.0] * len(self.creep), 0.0, 0.0, False, 0.0)

    def _coefficient(self, leak: Leak) -> float:
        s = self.scene
        absolute = s.atmosphere_kpa + leak.at_kpa
        space = s.volume_ml + s.compliance_ml_per_kpa * (leak.at_kpa + absolute)
        flow = leak.rate_kpa_per_min / 60.0 * space  # kPa mL/s
        if leak.kind == "gas":
            return flow / (absolute**2 - s.atmosphere_kpa**2)
        head = math.sqrt(leak.at_kpa) if leak.kind == "liquid-turbulent" else leak.at_kpa
        return flow / absolute / head

    def volume(self) -> float:
        s = self.state
        return (self.scene.volume_ml + sum(s.creep) + s.liquid
                + self.scene.compliance_ml_per_kpa * s.p)

    def effective_volume(self) -> float:
        """mL that a slow small stroke sees: V + P C."""
        absolute = self.state.p + self.scene.atmosphere_kpa
        return self.volume() + absolute * self.scene.compliance_ml_per_kpa

    def step(self, dt: float, inflow: float, leaking: bool, vent_s: float) -> float:
        """One step; inflow kPa mL/s; vent_s > 0 opens a relief of that time constant. Returns cap flow mL/s."""
        s, scene = self.state, self.scene
        pa = scene.atmosphere_kpa
        p = s.p
        absolute = p + pa
        compliance = scene.compliance_ml_per_kpa
        volume = self.volume()
        out = 0.0
        grow = -self.warming
        for i, (give, tau) in enumerate(self.creep):
            rate = (give * p - s.creep[i]) / tau
            s.creep[i] += rate * dt
            grow += rate
        if leaking and p > 0.0:
            for leak, k in self.leaks:
                opening = 1.0
                if leak.opens_above_kpa > 0.0:
                    opening = min(max((p - leak.opens_above_kpa) / 2.0, 0.0), 1.0)
                if leak.kind == "gas":
                    flow = k * opening * (absolute * absolute - pa * pa)
                    out += flow
                    s.gas_lost += flow / absolute * dt
                else:
                    q = k * opening * (math.sqrt(p) if leak.kind == "liquid-turbulent" else p)
                    grow += q
                    s.liquid += q * dt
        cap_flow = 0.0
        cap = scene.cap
        if cap is not None:
            if cap.chatter:
                if p > cap.cracking_kpa:
                    s.popped = True
                elif p <= cap.reseat_kpa:
                    s.popped = False
                s.lift = max(p, cap.cracking_kpa) - cap.reseat_kpa if s.popped else 0.0
            else:  # backlash between the opening line and the closing line
                s.lift = max(min(max(s.lift, p - cap.cracking_kpa), p - cap.reseat_kpa), 0.0)
            cap_flow = cap.gain_ml_per_s_kpa * s.lift
            out += cap_flow * absolute
        if vent_s > 0.0:
            out += p * (volume + absolute * compliance) / vent_s
        energy = absolute * volume
        dp = (GAMMA * inflow - GAMMA * out * energy / s.amount - (energy - s.amount) / scene.cooling_s
              - GAMMA * absolute * grow) / (volume + GAMMA * absolute * compliance)
        s.liquid -= self.warming * dt
        s.amount += (inflow - out) * dt
        s.p = p + dp * dt
        return cap_flow


class _Recorder:
    def __init__(self, gas: _Gas) -> None:
        self.gas = gas
        self.now = 0.0
        self.time: list[float] = [0.0]
        self.pressure: list[float] = [gas.state.p]
        self.flow = 0.0
        self.flow_max = 0.0
        self.opened: float | None = None

    def go(self, dt: float, inflow: float = 0.0, leaking: bool = True, vent_s: float = 0.0) -> None:
        self.flow = self.gas.step(dt, inflow, leaking, vent_s)
        self.now += dt
        if self.flow > 0.0 and self.opened is None:
            self.opened = self.now
        self.flow_max = max(self.flow_max, self.flow)
        self.time.append(self.now)
        self.pressure.append(self.gas.state.p)

    def rest(self, seconds: float, vent_s: float = 0.0, leaking: bool = True) -> None:
        end = self.now + seconds
        busy_until = self.now + 0.5
        while self.now < end - 1e-9:
            fine = (self.now < busy_until or self.flow > 0.0
                    or (vent_s > 0.0 and self.gas.state.p > 0.5))
            self.go(min(FINE_S if fine else COARSE_S, end - self.now), 0.0, leaking, vent_s)

    def stroke(self, seconds: float, volume_ml: float) -> None:
        """Raised cosine: volume_ml of outside air within ``seconds``."""
        steps = max(round(seconds / FINE_S), 8)
        amount = self.gas.scene.atmosphere_kpa * volume_ml
        for i in range(steps):
            shape = (1.0 - math.cos(2.0 * math.pi * (i + 0.5) / steps)) / seconds
            self.go(seconds / steps, amount * shape)


def _pump(rec: _Recorder, chance: random.Random) -> list[tuple[float, float]]:
    """Pump as a technician does; returns (start, end) of every stroke."""
    scene, pump, state = rec.gas.scene, rec.gas.scene.pump, rec.gas.state
    strokes: list[tuple[float, float]] = []
    reached: list[float] = []
    share, extra = 1.0, pump.extra_strokes
    while len(strokes) < pump.strokes_at_most:
        before = state.p
        start = rec.now
        length = pump.stroke_s * (1.0 + pump.jitter * chance.uniform(-1, 1)) / math.sqrt(share)
        rec.stroke(length, pump.stroke_ml * share * (1.0 + 0.2 * pump.jitter * chance.uniform(-1, 1)))
        strokes.append((start, rec.now))
        gained = (state.p - before) / share
        if rec.opened is not None:
            if extra <= 0:
                break
            extra -= 1
        else:
            reached.append(state.p)
            if scene.test == "system" and len(reached) > 12 and state.p - reached[-13] < 1.0:
                break  # the hand gives up: the pressure does not build any more
            left = scene.target_kpa - state.p
            if left <= 0.15 * gained or left <= 0.3:
                break
            share = min(max(left / max(gained, 0.1), 0.35), 1.0) if pump.ease else 1.0
        near = 1.4 if share < 1.0 else 1.0
        wait = pump.interval_s * near * (1.0 + pump.jitter * chance.uniform(-1, 1)) - length
        rec.rest(max(wait, 0.12))
    return strokes


def run(scene: Scene) -> Run:
    """The whole test: vented, pumped, held, released, vented again. The same scene gives the same run."""
    chance = random.Random(f"hand {scene.seed}")
    gas = _Gas(scene)
    rec = _Recorder(gas)
    state = gas.state
    rec.rest(scene.vented_s, vent_s=0.3)
    strokes = [] if scene.fault == "never-pumped" else _pump(rec, chance)
    pump_end = rec.now
    limit = rec.now + 5.0  # relief: until the valve passes next to nothing
    while rec.flow > _SHUT_SHARE * rec.flow_max and rec.now < limit:
        rec.go(FINE_S)
    hold_start, hold_end = rec.now, rec.now + scene.hold_s
    if scene.top_up_s > 0.0:
        rec.rest(scene.top_up_s)
        first = (hold_start, rec.now)
        start = rec.now
        rec.stroke(scene.pump.stroke_s, 0.6 * scene.pump.stroke_ml)
        strokes.append((start, rec.now))
        while rec.flow > _SHUT_SHARE * rec.flow_max and rec.now < start + 5.0:
            rec.go(FINE_S)
        hold_start = rec.now
        hold_end = max(hold_end, rec.now + max(scene.hold_s - scene.top_up_s, first[1] - first[0] + 5.0))
    kept = _State(state.p, state.amount, list(state.creep), state.liquid, state.lift, state.popped, 0.0)
    lost_before = state.liquid + state.gas_lost
    effective = gas.effective_volume()
    if scene.fault == "hose-off":
        rec.rest(min(scene.fault_s, hold_end - rec.now))
        hold_end = rec.now
        leaked = state.liquid + state.gas_lost - lost_before
        rec.rest(2.0, vent_s=0.04)
    else:
        rec.rest(hold_end - rec.now)
        leaked = state.liquid + state.gas_lost - lost_before
    rec.rest(4.0 * scene.release_s, vent_s=scene.release_s)
    rec.rest(scene.vented_after_s + 1.0, vent_s=max(scene.release_s / 6.0, 0.05))  # turned wide open
    leaked += gas.warming * (hold_end - hold_start)  # warming was booked on the liquid too

    gas.state = kept
    tight = _Recorder(gas)
    tight.now = hold_start
    tight.time = [hold_start]
    tight.pressure = [kept.p]
    tight.rest(hold_end - hold_start, leaking=False)
    return Run(
        np.array(rec.time), np.array(rec.pressure), np.array(tight.time), np.array(tight.pressure),
        tuple(strokes), rec.opened, pump_end, hold_start, hold_end, rec.now, effective, leaked,
    )
