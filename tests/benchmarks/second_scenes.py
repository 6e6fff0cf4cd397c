"""The second population: who pumps what, how, and what is true of it.

Each case is a recording and its truth as the judgement contract defines it. ``make(seed)`` is a pure function of
its number. See ``second_physics``, ``second_record`` and ``second_truth``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from tests.benchmarks.second_physics import AMBIENT_KPA, Leak, Plant, Run, Valve, log_uniform, pick
from tests.benchmarks.second_record import ODD, PSI, record

CAPS = (
    ["good"] * 6
    + ["low"] * 3
    + ["high"] * 3
    + ["leaking"] * 3
    + ["weeping"] * 2
    + ["stuck"] * 3
    + ["never-sealing"] * 2
)
SYSTEMS = ["tight"] * 6 + ["seeping"] * 5 + ["dripping"] * 4 + ["pouring"] * 3


@dataclass
class Case:
    name: str
    text: str
    truth: dict[str, Any]


def make(seed: int, kind: str | None = None) -> Case:
    """The case of this seed; ``kind`` chooses its class."""
    r = np.random.default_rng([77001, seed])
    u = r.random()
    kind = kind or (pick(r, CAPS) if u < 0.46 else pick(r, SYSTEMS) if u < 0.92 else pick(r, ODD))
    cap = kind in CAPS or (kind in ("never-pumped", "pinned") and r.random() < 0.4)
    marked_psi = float(pick(r, [7, 10, 13, 14, 15, 16, 18, 20, 21]))
    value, unit = marked_psi, "psi"
    if r.random() < 0.4:
        value, unit = float(pick(r, [0.5, 0.7, 0.9, 1.0, 1.1, 1.2, 1.4])), "bar"
    marked: dict[str, Any] = {"value": value, "unit": unit}
    mark = value * (PSI if unit == "psi" else 100.0)
    plant = cap_plant(r, kind, mark) if cap else system_plant(r, kind, mark)
    truth: dict[str, Any] = {"seed": seed, "class": kind, "test": "cap" if cap else "system", "marked_kpa": mark}
    run = Run(plant, seed)
    story = operate(r, run, kind, cap, mark)
    truth.update(story)
    text = record(r, run, truth, marked)
    return Case(f"s{seed:05d}-{kind}", text, truth)


def hose_give(
    r: np.random.Generator, air: float, most: float, slow_most: float
) -> tuple[float, list[tuple[float, float]]]:
    unit = air / (AMBIENT_KPA + 100.0)
    count = int(r.integers(1, 4))
    slow = [(unit * float(r.uniform(0.0, slow_most)), log_uniform(r, 5.0, 90.0)) for _ in range(count)]
    return unit * float(r.uniform(0.0, most)), slow


def pump(r: np.random.Generator, seen_ml: float, top_kpa: float, strokes: float) -> tuple[float, float]:
    """Stroke volume 5..60 mL near the one that needs so many strokes; dead volume."""
    volume = float(np.clip(top_kpa * seen_ml / AMBIENT_KPA / strokes, 5.0, 60.0))
    return volume, volume * float(r.uniform(0.0, 0.02))


def cap_plant(r: np.random.Generator, kind: str, mark: float) -> Plant:
    air = log_uniform(r, 20.0, 200.0)
    give, slow = hose_give(r, air, 0.15, 0.025)
    ratio = {"low": r.uniform(0.55, 0.86), "high": r.uniform(1.14, 1.45)}.get(kind, r.uniform(0.92, 1.08))
    opens = mark * float(ratio)
    law = pick(r, ["soft", "pop", "sharp", "chatter"])
    gap = {
        "soft": r.uniform(0.5, 5.0),
        "pop": r.uniform(2.0, 12.0),
        "sharp": r.uniform(0.1, 1.0),
        "chatter": r.uniform(0.8, 3.0),
    }[law]
    span = r.uniform(2.0, 8.0) + gap if law == "soft" else r.uniform(0.5, 2.0) + gap
    volume, dead = pump(r, air + give * (AMBIENT_KPA + 100), opens, log_uniform(r, 4.0, 50.0))
    flow = volume * AMBIENT_KPA / 0.4 * log_uniform(r, 1.2, 6.0)
    valve: Valve | None = Valve(law, opens, opens - float(gap), float(span), log_uniform(r, 0.004, 0.05), flow)
    if kind == "stuck":
        valve = None
    plant = Plant(air, give, slow, *habits(r, 5.0, volume, dead), valve)
    rates = {
        "leaking": log_uniform(r, 10.0, 80.0),
        "weeping": log_uniform(r, 0.7, 5.0),
        "stuck": log_uniform(r, 0.1, 3.0),
    }
    if kind == "never-sealing":
        plant.leak = Leak(pick(r, ["root", "linear", "squares"]), "air", "always")
        level = float(r.uniform(2.0, 9.0))  # what pumping once a second holds on the mean
        plant.leak.strength = AMBIENT_KPA * volume / plant.leak.drive(level)
    elif kind in rates and (kind != "stuck" or r.random() < 0.3):
        plant.leak = Leak(pick(r, ["root", "linear", "squares"]), "air", pick(r, ["always", "opened"]))
        if kind == "stuck":
            plant.leak.when = "always"
        at = opens * (1.3 if kind == "stuck" else 0.97)
        plant.leak.strength = plant.seen_ml(at) * rates[kind] / 60 / plant.leak.drive(at)
    return plant


def habits(
    r: np.random.Generator, slowest_s: float, volume: float, dead: float
) -> tuple[float, float, float, float, bool, str, float]:
    """How air cools and the pump is worked: cooling, heat, stroke, dead volume, plunger, shape, slip."""
    return (
        log_uniform(r, 0.5, slowest_s),
        float(r.uniform(0.05, 0.4)),
        volume,
        dead,
        bool(r.random() < 0.5),
        pick(r, ["sine", "trapezoid", "exponential"]),
        float(r.uniform(0, 0.03)) if r.random() < 0.4 else 0.0,
    )


def system_plant(r: np.random.Generator, kind: str, mark: float) -> Plant:
    air = log_uniform(r, 100.0, 3000.0)
    give, slow = hose_give(r, air, 0.4, 0.05)
    volume, dead = pump(r, air + give * (AMBIENT_KPA + mark), mark, log_uniform(r, 12.0, 140.0))
    plant = Plant(air, give, slow, *habits(r, 20.0, volume, dead))
    need = mark * plant.seen_ml(mark) / AMBIENT_KPA / volume
    if need > 140:
        shrink = 140 / need
        plant.air_ml, plant.give, plant.slow = air * shrink, give * shrink, [(c * shrink, t) for c, t in slow]
    rate = {
        "tight": log_uniform(r, 0.005, 0.1) if r.random() < 0.5 else 0.0,
        "seeping": log_uniform(r, 0.5, 4.0),
        "dripping": log_uniform(r, 4.0, 25.0),
        "pouring": log_uniform(r, 30.0, 200.0),
    }.get(kind, 0.0)
    if kind == "warming" and r.random() < 0.3:
        rate = log_uniform(r, 0.5, 4.0)
    if rate:
        medium = pick(r, ["air", "coolant"])
        plant.leak = Leak(pick(r, ["root", "linear"] + (["squares"] if medium == "air" else [])), medium, "always")
        at = mark + 10.0
        plant.leak.strength = plant.seen_ml(at) * rate / 60 / plant.leak.drive(at)
    return plant


def operate(r: np.random.Generator, run: Run, kind: str, cap: bool, mark: float) -> dict[str, Any]:
    """Vent, pump, hold, release; what is true of it."""
    plant = run.plant
    out: dict[str, Any] = {}
    run.rest(float(r.uniform(3, 15)))
    if kind == "never-pumped":
        run.rest(float(r.uniform(20, 80)))
        return {"strokes": 0, "opening_kpa": None, "holds": [], "expect": ["void"], "settled": True}
    pace = float(r.uniform(0.6, 1.4))
    part_of = float(r.uniform(0.3, 0.75))
    spread, jitter = float(r.uniform(0.0, 0.02)), float(r.uniform(0.01, 0.08))
    step = AMBIENT_KPA * plant.stroke_ml / plant.seen_ml(mark)
    target = mark * float(r.uniform(1.3, 1.6)) if cap else mark + float(r.uniform(9.5, 13.0))
    target = mark + 10.5 if not cap and step > 8 else target
    if kind == "stuck":
        target = max(target, mark * 1.1 + 15)
    after, most = int(r.integers(1, 7)), int(r.integers(10, 25)) if kind == "never-sealing" else 165
    if kind == "pouring":
        most = int(min(165, 1.6 * (mark + 10) * plant.seen_ml(mark) / AMBIENT_KPA / plant.stroke_ml + 4))
    eased = r.random() < 0.5
    dt = 1e-3 if cap else 2e-3
    starts: list[float] = []
    done = run.t
    while len(starts) < most:
        part = 1.0 + spread * float(r.normal())
        seconds = pace * part_of
        left = target - run.p
        if not cap and left < 1.2 * step and eased:
            part, seconds = float(np.clip(left / step, 0.25, 1.0)), seconds * 1.3
        if cap and eased and 0.85 * mark < run.p < 1.08 * mark:
            part, seconds = part * float(r.uniform(0.4, 0.8)), min(seconds * 1.3, 0.8 * pace)
        starts.append(run.t)
        run.stroke(seconds, part, dt)
        done = run.t
        if cap and run.opened is not None and kind != "never-sealing":
            after -= 1
            if after <= 0:
                break
        elif cap and kind != "never-sealing" and run.p >= max(target, 1.6 * mark):
            break
        if kind == "stuck" and run.p >= target:
            break
        if not cap and run.p >= target - min(0.35 * step, 2.0):
            break
        rest = max(starts[-1] + pace * (1 + jitter * float(r.normal())) - run.t, 0.08)
        if len(starts) > 3 and r.random() < 0.01:
            rest += float(r.uniform(1.5, 4.0))
        run.rest(rest, coarse=4e-3)
    out["pump_end_s"] = done
    full = 45.0 if cap else 120.0
    length = float(r.uniform(1.0, 1.2)) * full if r.random() < 0.85 else float(r.uniform(0.3, 0.95)) * full
    out["hold_short"] = length < full
    segments: list[tuple[Run, float, float]] = []
    if kind == "never-sealing":
        run.rest(float(r.uniform(3, 10)))
    else:
        if cap:
            run.settle_valve(6.0)
        again = run.twin()
        start = run.t
        topped = kind not in ODD and kind != "pouring" and r.random() < 0.08
        if topped:
            run.rest(length * float(r.uniform(0.25, 0.6)))
            segments.append((again, start, run.t))
            starts.append(run.t)
            run.stroke(pace * part_of, float(r.uniform(0.2, 0.6)), dt)
            if cap:
                run.settle_valve(6.0)
            again, start = run.twin(), run.t
        run.rest(length)
        segments.append((again, start, run.t))
        out["topped"] = topped
    end = run.t
    out["strokes"], out["stroke_starts"] = len(starts), [round(s, 3) for s in starts]
    out["opening_kpa"] = plant.valve.open_kpa if plant.valve and run.opened is not None else None
    out["opening_s"], out["reseat_kpa"] = run.opened, plant.valve.close_kpa if out["opening_kpa"] else None
    out["valve"] = plant.valve.law if plant.valve else None
    out["step_kpa"], out["pace_s"] = step, pace
    out["relieved_kpa"] = run.relieved / plant.seen_ml(mark)
    out["holds"] = [held(run, twin, a, b) for twin, a, b in segments]
    out["plant"] = {k: v for k, v in vars(plant).items() if k not in ("valve", "leak")}
    out["leak"] = vars(plant.leak) if plant.leak else None
    out["released"] = bool(r.random() < 0.85)
    if kind in ("warming", "engine", "hose-off"):
        odd(r, run, kind, segments[-1][1], end)
    if out["released"]:
        t, p = run.t, run.p
        tau = log_uniform(r, 0.1, 1.5)
        for d in np.arange(0.005, 8 * tau + float(r.uniform(1, 7)), 0.005):
            run.times.append(t + float(d))
            run.gauges.append(p * math.exp(-float(d) / tau))
    return out


def odd(r: np.random.Generator, run: Run, kind: str, start: float, end: float) -> None:
    """Warming, an engine's rhythm or a hose that comes off, laid over the hold."""
    t, p = np.array(run.times), np.array(run.gauges)
    since = np.clip(t - start, 0, None)
    if kind == "warming":
        p = p + since * float(r.uniform(1.5, 10.0)) / 60
    elif kind == "engine":
        f, a = float(r.uniform(0.4, 12.0)), float(r.uniform(0.6, 3.0))
        p = (
            p
            + since * float(r.uniform(0.5, 8.0)) / 60
            + np.where(t > start, a * np.maximum(np.sin(2 * np.pi * f * t), -0.3), 0.0)
        )
    else:
        off = start + (end - start) * float(r.uniform(0.15, 0.8))
        p = np.where(t > off, p * np.exp(-np.clip(t - off, 0, None) / 0.03), p)
    run.gauges = [float(v) for v in p]
    run.p = run.gauges[-1]


def held(run: Run, twin: Run, start: float, end: float) -> dict[str, Any]:
    """A hold's truth; the twin is the same test from its start without the leak."""
    twin.rest(end - start)
    t, p = np.array(run.times), np.array(run.gauges)
    inside = (t >= start - 1e-9) & (t <= end + 1e-9)
    minutes = (end - start) / 60
    first, last = float(p[inside][0]), float(p[inside][-1])
    lost = 0.0
    there = 0.0
    leak = run.plant.leak
    if leak and (leak.when == "always" or run.opened is not None):
        flow = np.array([leak.strength * leak.drive(v) for v in p[inside]])
        dt = np.diff(t[inside], append=t[inside][-1])
        lost = float(np.sum(flow * dt)) / AMBIENT_KPA / minutes
        there = float(np.sum(flow / (p[inside] + AMBIENT_KPA) * dt)) / minutes
    mean = float(np.average(p[inside][:-1], weights=np.diff(t[inside])))
    stretched = sum(c * x for (c, _), x in zip(run.plant.slow, run.x, strict=True))
    return {
        "start_s": start,
        "end_s": end,
        "start_kpa": first,
        "end_kpa": last,
        "rate": (twin.p - last) / minutes,
        "settled_kpa": first - twin.p,
        # with the room that coolant left before the hold
        "headspace_ml": run.plant.seen_ml(mean, stretched) + twin.lost_ml,
        "leak_flow_outside_ml_min": lost,
        "leak_flow_ml_min": there,
        "_still": (twin.times, twin.gauges),
    }
