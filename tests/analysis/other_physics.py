"""A second, small simulator for tests, with other physics than the project's rig, so that estimators are not
only right about their own picture of the world.

Gas: polytropic compression (exponent 1.25 at once), cooling with two time constants. Pump: half-sine
flow that comes late in the stroke; log-normal cadence. Valve: flow goes with the square root of the
pressure times an opening that follows its target with a lag; it pops or lifts. Sensor: white noise, a
slow random walk, whole counts. All values kPa, s.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

STEP_S = 0.001


@dataclass(frozen=True)
class Made:
    """A trace and its truth."""

    time_s: np.ndarray
    pressure_kpa: np.ndarray
    opening_kpa: float | None
    closing_kpa: float | None
    peak_kpa: float
    strokes: int
    hold_start_s: float
    release_s: float


@dataclass(frozen=True)
class Valve:
    """pops: once open it follows the pressure above closing; else above opening, and closing as it falls. sticks_kpa:
    by so much more the seat that has rested opens the first time."""

    open_kpa: float
    close_kpa: float
    per_s: float
    pops: bool
    lag_s: float = 0.008
    sticks_kpa: float = 0.0


def make(
    seed: int,
    *,
    rate_hz: float,
    stroke_kpa: float,
    target_kpa: float = 200.0,
    most: int = 160,
    valve: Valve | None = None,
    extra: int = 2,
    ease: bool = False,
    leak_per_s: float = 0.0,
    hold_s: float = 40.0,
    noise_kpa: float = 0.12,
    count_kpa: float = 0.1,
    beat: tuple[float, float] = (0.0, 1.0),
    release_s: float = 0.25,
    soft: float = 1.0,
) -> Made:
    """One test. leak_per_s: share of the pressure lost a second; beat: amplitude (kPa) and frequency (Hz); soft: what
    of a full stroke each is once the valve is near."""
    rng = np.random.default_rng(seed)
    cadence, length = rng.uniform(0.7, 1.3), rng.uniform(0.18, 0.4)
    fast, slow = rng.uniform(0.2, 0.6), rng.uniform(1.5, 4.0)
    warm = np.array([0.15, 0.10])  # share of a rise that cools away, fast and slow
    taus = np.array([fast, slow])
    p, heat, lift, was_open = 0.0, np.zeros(2), 0.0, False
    now, out = 0.0, []
    opened = False

    def go(seconds: float, flow: np.ndarray | None = None, vent: float = 0.0) -> None:
        nonlocal p, heat, lift, was_open, now, opened
        for i in range(max(round(seconds / STEP_S), 1)):
            gauge = p + float(heat.sum())
            rate = 0.0 if flow is None else float(flow[i])
            rate -= leak_per_s * max(gauge, 0.0)
            if valve is not None:
                if gauge > valve.open_kpa + (0.0 if opened else valve.sticks_kpa):
                    was_open = opened = True
                elif gauge < valve.close_kpa:
                    was_open = False
                want = 0.0
                if was_open:
                    low = valve.close_kpa if valve.pops else valve.open_kpa
                    rising = max(gauge - low, 0.0)
                    want = rising if valve.pops else max(rising, min(lift, gauge - valve.close_kpa))
                lift += (want - lift) * STEP_S / valve.lag_s
                rate -= valve.per_s * lift * np.sqrt(max(gauge, 0.0) / 100.0)
            if vent:
                rate -= gauge / vent
            p += rate * STEP_S
            heat = heat + (warm * rate - heat / taus) * STEP_S
            now += STEP_S
            out.append(p + float(heat.sum()))

    go(4.0)
    count, left = 0, extra
    while count < most:
        share = 1.0
        gauge = p + float(heat.sum())
        if ease and not opened and target_kpa - gauge < 1.3 * stroke_kpa:
            share = max(min((target_kpa - gauge) / stroke_kpa, 1.0), 0.4)
        if valve is not None and gauge > 0.9 * valve.open_kpa:
            share = soft
        long = length * np.exp(0.12 * rng.standard_normal()) / share**0.5
        n = round(long / STEP_S)
        x = np.arange(n) / n
        flow = np.sin(np.pi * np.clip((x - 0.25) / 0.75, 0.0, 1.0))
        flow *= stroke_kpa * share * (1.0 + 0.015 * rng.standard_normal()) / (flow.sum() * STEP_S)
        go(long, flow)
        count += 1
        if opened:
            if left == 0:
                break
            left -= 1
        elif p + float(heat.sum()) > target_kpa - 0.2 * stroke_kpa:
            break
        go(max(cadence * (1.3 if share < 1 else 1.0) * np.exp(0.1 * rng.standard_normal()) - long, 0.15))
    hold_start = now
    go(hold_s)
    let_go = now
    go(6.0 * release_s, vent=release_s)
    go(3.0, vent=0.02)
    fine = np.array(out)
    t = np.arange(0.0, now - 0.01, 1.0 / rate_hz)
    true = np.interp(t, STEP_S * (1 + np.arange(len(fine))), fine)
    true += beat[0] * np.clip(true / 20.0, 0.0, 1.0) * np.sin(2 * np.pi * beat[1] * t + 1.0)
    seen = true + noise_kpa * rng.standard_normal(len(t))
    seen += np.cumsum(rng.standard_normal(len(t))) * 0.01 / np.sqrt(rate_hz) + 0.7
    return Made(
        t,
        np.round(seen / count_kpa) * count_kpa,
        valve.open_kpa if valve is not None and opened else None,
        valve.close_kpa if valve is not None and opened else None,
        float(fine.max()),
        count,
        hold_start,
        let_go,
    )
