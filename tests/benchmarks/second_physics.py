"""A second, independent model of hand-pump pressure tests: the gas, the hoses, the pump and the cap's valve.

Written from the contracts and textbook physics alone; it shares no code, constant or equation with ``recorder.rig`` and
none with ``recorder.analysis``, so that a mistake of the one cannot be hidden by the same mistake of the other.

Gas: N = p V at ambient temperature and E = p V as it is (kPa mL), first law with a lumped wall time constant.
Hoses: an instant give and one to three Kelvin-Voigt elements. Pump: a plunger with dead volume behind a check
valve, or a plain flow; the check valve may slip back. Valve: quasi-static with hysteresis, popping, sharp, or
chattering, with a lag. Leaks: air or coolant, by sqrt(p), p, or p_abs^2 - p_atm^2.
"""

from __future__ import annotations

import copy
import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

AMBIENT_KPA = 101.325


def log_uniform(r: np.random.Generator, low: float, high: float) -> float:
    return float(math.exp(r.uniform(math.log(low), math.log(high))))


def pick(r: np.random.Generator, items: list[Any]) -> Any:
    return items[int(r.integers(len(items)))]


@dataclass
class Valve:
    """A cap's pressure valve: ``law`` is soft, pop, sharp or chatter; flow is in kPa mL/s at full lift, 100 kPa."""

    law: str
    open_kpa: float
    close_kpa: float
    span_kpa: float
    lag_s: float
    flow: float


@dataclass
class Leak:
    """``law`` root, linear or squares; ``medium`` air or coolant; ``when`` always or opened (from the first relief)."""

    law: str
    medium: str
    when: str
    strength: float = 0.0

    def drive(self, gauge: float) -> float:
        if gauge <= 0:
            return 0.0
        if self.law == "root":
            return math.sqrt(gauge)
        return gauge if self.law == "linear" else gauge * (gauge + 2 * AMBIENT_KPA)


@dataclass
class Plant:
    """One tester on one cap or system. Volumes mL, gives mL/kPa."""

    air_ml: float
    give: float
    slow: list[tuple[float, float]]  # give mL/kPa, time constant s
    cooling_s: float
    heat: float  # gamma - 1 that the air shows, 0..0.4
    stroke_ml: float
    dead_ml: float
    plunger: bool
    shape: str
    slip: float
    valve: Valve | None = None
    leak: Leak | None = None

    def seen_ml(self, gauge: float, stretched: float = 0.0) -> float:
        """Gas space as a stroke sees it: what N rises by for one kPa, isothermal, instant give only."""
        return self.air_ml + self.give * gauge + stretched + (gauge + AMBIENT_KPA) * self.give


def piston(shape: str, u: float) -> float:
    """Part of the stroke done at the part u of its duration."""
    if shape == "sine":
        return 0.5 - 0.5 * math.cos(math.pi * u)
    if shape == "exponential":
        return (1 - math.exp(-4 * u)) / (1 - math.exp(-4))
    ramp = 0.2  # trapezoid of speed
    top = 1 / (1 - ramp)
    if u < ramp:
        return 0.5 * top * u * u / ramp
    if u > 1 - ramp:
        return 1 - 0.5 * top * (1 - u) ** 2 / ramp
    return top * (u - 0.5 * ramp)


@dataclass
class Run:
    """The state of a test, and what has happened so far. All pressures are true gauge pressures, kPa."""

    plant: Plant
    seed: int
    t: float = 0.0
    n: float = 0.0
    e: float = 0.0
    x: list[float] = field(default_factory=list)
    lost_ml: float = 0.0
    p: float = 0.0
    moved: float = 0.0
    lift: float = 0.0
    is_open: bool = False
    opened: float | None = None
    reopen: float = 0.0
    leaking: bool = True
    leaked: float = 0.0
    relieved: float = 0.0
    times: list[float] = field(default_factory=list)
    gauges: list[float] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.n = self.e = AMBIENT_KPA * self.plant.air_ml
        self.x = [0.0 for _ in self.plant.slow]
        self.random = np.random.default_rng(self.seed)
        if self.plant.valve:
            self.reopen = self.plant.valve.open_kpa

    def note(self) -> None:
        self.times.append(self.t)
        self.gauges.append(self.p)

    def rest(self, seconds: float, fine: float = 1e-3, coarse: float = 1e-2) -> None:
        """Nothing is pumped for so long."""
        end = self.t + seconds
        while self.t < end - 1e-9:
            dt = min(fine if self.is_open else coarse, end - self.t)
            self.step(dt, 0.0)

    def settle_valve(self, limit_s: float) -> None:
        """Wait until the valve is shut, at most so long."""
        end = self.t + limit_s
        while self.is_open and self.t < end:
            self.step(1e-3, 0.0)

    def stroke(self, seconds: float, part: float, dt: float) -> float:
        """One stroke of ``part`` of the stroke volume; returns the air delivered, kPa mL."""
        plant = self.plant
        swept = plant.stroke_ml * part
        start, given = self.t, 0.0
        while self.t < start + seconds - 1e-9:
            s = piston(plant.shape, min((self.t + dt - start) / seconds, 1.0))
            if plant.plunger:
                left = swept * (1 - s) + plant.dead_ml
                want = AMBIENT_KPA * (swept + plant.dead_ml) - (self.p + AMBIENT_KPA) * left
            else:
                want = AMBIENT_KPA * swept * s
            more = max(want - given, 0.0)
            given += more
            self.step(dt, more)
        if plant.slip:
            back = plant.slip * given
            for _ in range(20):
                self.step(2e-3, -back / 20)
            given -= back
        return given

    def step(self, dt: float, pumped: float) -> None:
        plant, absolute = self.plant, self.p + AMBIENT_KPA
        theta = self.e / self.n
        out = self.valve(dt) * dt
        gone_ml = 0.0
        leak = plant.leak
        self.leaked = 0.0
        if leak and self.leaking and (leak.when == "always" or self.opened is not None):
            flow = leak.strength * leak.drive(self.p)
            if leak.medium == "coolant":
                gone_ml = flow / absolute * dt
            else:
                out += flow * dt
            self.leaked = flow
        gamma = 1 + plant.heat
        grew = self.moved + gone_ml
        stretched = 0.0
        for i, (give, tau) in enumerate(plant.slow):
            dx = (self.p - self.x[i]) / tau * dt
            self.x[i] += dx
            grew += give * dx
            stretched += give * self.x[i]
        back = min(pumped, 0.0)
        self.e += gamma * (pumped - back) - gamma * theta * (out - back)
        self.e += -plant.heat * absolute * grew - (self.e - self.n) / plant.cooling_s * dt
        self.n += pumped - out
        self.lost_ml += gone_ml
        space = plant.air_ml + self.lost_ml + stretched
        b = space - plant.give * AMBIENT_KPA
        now = self.e / space
        if plant.give > 0:  # the hose gives way at once: p (b + give p) = E
            now = 2 * self.e / (b + math.sqrt(b * b + 4 * plant.give * self.e))
        self.moved = plant.give * (now - absolute)
        self.p = now - AMBIENT_KPA
        self.t += dt
        self.note()

    def valve(self, dt: float) -> float:
        """Relief flow, kPa mL/s."""
        v = self.plant.valve
        if v is None:
            return 0.0
        if not self.is_open:
            if self.p < self.reopen:
                return 0.0
            self.is_open = True
            if self.opened is None:
                self.opened = self.t
            if v.law == "chatter":
                self.reopen = v.open_kpa + float(self.random.normal(0, 0.15))
        aim = min(max((self.p - v.close_kpa) / v.span_kpa, 0.0), 1.0)
        if v.law in ("pop", "chatter"):
            aim = 1.0 if self.p > v.close_kpa else 0.0
        self.lift += (aim - self.lift) * min(dt / v.lag_s, 1.0)
        if aim == 0.0 and self.lift < 0.01:
            self.lift, self.is_open = 0.0, False
            return 0.0
        flow = v.flow * self.lift * math.sqrt(max(self.p, 0.0) / 100.0)
        self.relieved += flow * dt
        return flow

    def twin(self) -> Run:
        """The same test from here on, without its leak."""
        other = copy.copy(self)
        other.x = list(self.x)
        other.times, other.gauges = [], []
        other.leaking = False
        other.random = copy.deepcopy(self.random)
        other.note()
        return other


def bound(
    time_s: np.ndarray, still: np.ndarray, white: float, slow: float, slow_s: float, taus: list[float]
) -> tuple[float, float]:
    """Cramer-Rao bounds of a steady fall, kPa/min: beside one exponential settling, and beside this plant's own.

    ``time_s`` sample times of the hold, ``still`` the noise-free hold without its leak. The noise is white of
    the standard deviation ``white`` (quantisation counted in as uniform) and first-order correlated (``slow``,
    ``slow_s``). The first bound is that of "line + settling": the one exponential that is nearest, its time
    constant known beforehand to a factor of e, its size to 10 kPa (else there is no bound where there is next
    to no settling). The second is that of as many exponentials as the plant has, near ``taus``, each unknown in
    the same way.
    """
    from scipy.optimize import least_squares

    if len(time_s) < 8:
        return math.nan, math.nan
    t = time_s - time_s[0]
    groups = np.array_split(np.arange(len(t)), min(len(t), 400))
    size = np.array([len(g) for g in groups], float)
    t = np.array([t[g].mean() for g in groups])
    y = np.array([still[g].mean() for g in groups])
    length = t[-1]

    def miss(q: np.ndarray) -> np.ndarray:
        return q[0] + q[1] * np.exp(-t / math.exp(q[2])) - y

    best = min(
        (
            least_squares(
                miss,
                [y[-1], y[0] - y[-1], math.log(length * f)],
                bounds=([-1e3, -1e3, math.log(0.1)], [1e3, 1e3, math.log(5 * length)]),
            )
            for f in (0.03, 0.1, 0.4)
        ),
        key=lambda r: r.cost,
    )
    amplitude, tau = best.x[1], math.exp(best.x[2])
    fall = np.exp(-t / tau)
    design = np.stack([np.ones_like(t), -t / 60.0, fall, amplitude * fall * t / tau], axis=1)
    noise = np.diag(white**2 / size) + slow**2 * np.exp(-np.abs(t[:, None] - t[None, :]) / max(slow_s, 1e-3))
    shapes = np.exp(-t[:, None] / np.array(taus))
    sizes = np.linalg.lstsq(
        np.vstack([np.c_[np.ones_like(t), shapes], 1e-3 * np.eye(len(taus) + 1)]),
        np.r_[y, np.zeros(len(taus) + 1)],
        rcond=None,
    )[0][1:]
    own = np.c_[np.ones_like(t), -t / 60.0, shapes, sizes * shapes * t[:, None] / np.array(taus)]
    inner = own.T @ np.linalg.solve(noise, own) + np.diag(
        [0.0, 0.0, *(1 / 25.0 for _ in taus), *(1.0 for _ in taus)]
    )
    info = design.T @ np.linalg.solve(noise, design)
    info[2, 2] += 1 / 10.0**2
    info[3, 3] += 1.0
    return float(math.sqrt(np.linalg.inv(info)[1, 1])), float(math.sqrt(np.linalg.inv(inner)[1, 1]))
