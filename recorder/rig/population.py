"""A mixed population of tests. Ranges and their reasons: docs/rig.md."""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import replace

from recorder.rig.scene import ATMOSPHERE_KPA, Cap, Fault, Leak, LeakKind, Pump, Scene, Transducer

MARKINGS_KPA = (48.3, 62.1, 75.0, 88.3, 89.6, 103.4, 107.9, 110.3, 120.0, 124.1, 137.9, 140.0)
CAP_CLASSES = ("cap-good", "cap-low", "cap-high", "cap-leaking", "cap-stuck", "cap-open")
SYSTEM_CLASSES = ("system-tight", "system-near", "system-seeping", "system-dripping", "system-pouring")
ODD_CLASSES = ("odd-hose-off", "odd-never-pumped", "odd-wire", "odd-pinned", "odd-warming",
               "odd-cooling", "odd-rhythm")
_RATES = {"system-tight": (0.0, 0.0), "system-near": (0.2, 0.6), "system-seeping": (0.6, 2.0),
          "system-dripping": (2.0, 10.0), "system-pouring": (10.0, 60.0)}


def _log(r: random.Random, low: float, high: float) -> float:
    return float(low * (high / low) ** r.random())


def _sensor(r: random.Random, top_kpa: float) -> Transducer:
    full = r.choice([f for f in (206.84, 300.0, 344.7, 500.0, 689.5) if f > top_kpa * 1.15])
    rate = r.choice([10.0, 10.0, 20.0, 50.0, 50.0, 100.0, 100.0, 200.0])
    noise = _log(r, 0.05, 0.4)
    share = r.choice([0.0, 0.1, 0.3, 0.5])
    clean = r.random() < 0.5
    return Transducer(
        full_scale_kpa=full, rate_hz=rate, full_counts=r.choice([1023, 4095, 4095, 16383, 32767]),
        offset_kpa=full * 0.01 * r.uniform(-1, 1), span=1 + 0.002 * r.gauss(0, 1),
        white_kpa=noise * (1 - share), correlated_kpa=noise * share,
        correlated_s=_log(r, 0.1, 3.0), hum_kpa=0.0 if clean else r.uniform(0, 0.15),
        hum_hz=r.choice([50.0, 60.0]) + r.uniform(-0.05, 0.05),
        spikes=0 if clean else r.randrange(4), knocks=0 if clean else r.randrange(3),
        lost=0.0 if clean else r.choice([0.0, 0.001, 0.01]),
        burst_lost=0 if clean or r.random() < 0.7 else 1, ppm=r.uniform(-60, 60),
        supply_sent=r.random() < 0.3, temperature_sent=r.random() < 0.3,
        first_seq=r.randrange(65536), boot_us=r.choice([2_000_000, 4_294_000_000 - 20_000_000]),
    )


def _pump(r: random.Random, volume_ml: float, at_kpa: float, low: float, high: float) -> Pump:
    """A pump of 6 to 60 mL whose stroke raises this volume by low to high kPa."""
    space = volume_ml / ATMOSPHERE_KPA
    stroke = min(max(space * _log(r, low, high), 6.0, at_kpa * space / 130), 60.0)
    return Pump(stroke_ml=stroke, stroke_s=r.uniform(0.15, 0.5), interval_s=r.uniform(0.6, 1.4),
                jitter=r.uniform(0.03, 0.15), ease=r.random() < 0.8,
                extra_strokes=r.choice([0, 1, 1, 2, 3, 4]))


def _creep(r: random.Random) -> tuple[tuple[float, float], ...]:
    return tuple((r.uniform(0.0, 0.015), _log(r, 5.0, 60.0)) for _ in range(r.choice([1, 1, 2])))


def cap_scene(seed: int, category: str) -> Scene:
    """One cap test of a class of CAP_CLASSES."""
    r = random.Random(f"{category} {seed}")
    marked = r.choice(MARKINGS_KPA)
    share = {"cap-low": r.uniform(0.55, 0.85), "cap-high": r.uniform(1.15, 1.40)}.get(
        category, r.gauss(1.0, 0.035))
    if category in ("cap-good", "cap-leaking"):
        share = min(max(share, 0.91), 1.09)
    cracking = marked * share
    volume = r.uniform(70.0, 270.0)
    leaks: list[Leak] = []
    if r.random() < 0.4:
        leaks.append(Leak(_log(r, 0.05, 1.5), cracking, "gas"))
    cap: Cap | None = Cap(cracking, cracking * (1 - r.uniform(0.0, 0.08)), _log(r, 6.0, 60.0),
                          chatter=r.random() < 0.08)
    target, at_most = marked * 2.0, 60
    if category == "cap-leaking":
        leaks.append(Leak(_log(r, 9.0, 60.0), cracking, "gas"))
    elif category == "cap-stuck":
        cap, target = None, marked * r.uniform(1.3, 1.6)
    elif category == "cap-open":
        cap, target, at_most = None, marked, r.randint(8, 25)
        leaks = [Leak(100.0 / _log(r, 0.1, 0.4) * 60.0, 100.0, "gas")]
    # a hole of 1 mL/s would beat a small slow pump: the hand has to win, or the test ends by itself
    pump = replace(_pump(r, volume, marked, 5.0, 22.0), strokes_at_most=at_most)
    top = marked * (1.7 if category in ("cap-stuck", "cap-high") else 1.3)
    hold = r.uniform(45.0, 60.0) if r.random() < 0.85 else r.uniform(6.0, 40.0)
    return Scene(
        "cap", marked, seed, category, volume, r.uniform(0.0, 0.08), _creep(r), _log(r, 0.3, 3.0), target,
        cap, tuple(leaks), pump, _sensor(r, top), r.uniform(3.0, 10.0), hold, r.uniform(0.3, 2.0) / 3,
        r.uniform(2.0, 5.0), top_up_s=r.uniform(10, 25) if r.random() < 0.05 else 0.0,
        stroke_volume_known=r.random() < 0.5,
    )


def system_scene(seed: int, category: str) -> Scene:
    """One system test of a class of SYSTEM_CLASSES."""
    r = random.Random(f"{category} {seed}")
    marked = r.choice(MARKINGS_KPA)
    aim = r.random()
    over = r.uniform(8.0, 12.5) if aim < 0.88 else r.uniform(16, 25) if aim < 0.94 else r.uniform(-15, 3)
    volume = _log(r, 50.0, 3000.0)
    low, high = _RATES[category]
    kind: LeakKind = r.choice(["liquid-turbulent", "liquid-turbulent", "liquid-laminar", "gas"])
    leaks: list[Leak] = []
    if high > 0:
        above = marked * r.uniform(0.5, 0.9) if r.random() < 0.1 else 0.0
        leaks.append(Leak(_log(r, low, high), marked + 10.0, kind, above))
    pump = _pump(r, volume + 0.05 * 210.0, marked, 2.0, 14.0)
    hold = r.uniform(120.0, 150.0) if r.random() < 0.88 else r.uniform(20.0, 100.0)
    return Scene(
        "system", marked, seed, category, volume, r.uniform(0.0, 0.0008) * volume, _creep(r),
        _log(r, 0.5, 6.0), marked + over, None, tuple(leaks), pump, _sensor(r, marked + 25.0),
        r.uniform(3.0, 10.0), hold, r.uniform(0.3, 2.0) / 2, r.uniform(2.0, 5.0),
        top_up_s=r.uniform(15, 40) if r.random() < 0.05 else 0.0, stroke_volume_known=r.random() < 0.5,
    )


def odd_scene(seed: int, category: str) -> Scene:
    """One test that went wrong, or whose pressure has a life of its own; ODD_CLASSES."""
    r = random.Random(f"{category} {seed}")
    test = "system" if category in ("odd-warming", "odd-cooling", "odd-rhythm") or r.random() < 0.6 else "cap"
    base = system_scene(seed, "system-tight") if test == "system" else cap_scene(seed, "cap-good")
    base = replace(base, category=category, top_up_s=0.0)
    if category == "odd-warming":
        return replace(base, drift_kpa_per_min=_log(r, 1.0, 8.0))
    if category == "odd-cooling":
        return replace(base, drift_kpa_per_min=-_log(r, 1.0, 8.0))
    if category == "odd-rhythm":
        return replace(base, drift_kpa_per_min=r.uniform(0.5, 4.0), pulse_kpa=_log(r, 0.4, 3.0),
                       pulse_hz=r.uniform(0.6, 4.0))
    fault: Fault = "hose-off"
    if category == "odd-never-pumped":
        fault = "never-pumped"
    elif category == "odd-wire":
        fault = "wire"
    elif category == "odd-pinned":  # a sensor too small for the job: it ends at 112.5 % of its scale
        sensor = replace(base.sensor, full_scale_kpa=base.marked_kpa * r.uniform(0.55, 0.75), offset_kpa=0.2)
        return replace(base, fault="pinned", sensor=sensor)
    return replace(base, fault=fault, fault_s=r.uniform(4.0, 35.0))


def scene_of(seed: int) -> Scene:
    """The scene of one seed: its class and everything else follow from that number alone."""
    r = random.Random(f"class {seed}")
    x = r.random()
    if x < 0.42:
        return cap_scene(seed, r.choices(CAP_CLASSES, (45, 15, 13, 13, 7, 7))[0])
    if x < 0.88:
        return system_scene(seed, r.choices(SYSTEM_CLASSES, (35, 15, 20, 18, 12))[0])
    return odd_scene(seed, r.choice(ODD_CLASSES))


def population(n: int, seed: int) -> Iterator[Scene]:
    """n scenes; scene i of a population is ``scene_of(seed * 1000000 + i)``."""
    for i in range(n):
        yield scene_of(seed * 1_000_000 + i)
