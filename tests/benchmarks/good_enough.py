"""What a sensor's step, noise and rate let a test see: the program's own answers on simulated recordings.

    python -m tests.benchmarks.good_enough --n 24 --seed 1

prints the table of docs/adapter.md ("Is mine good enough?"). Each line is one sensor; every seed is a tight system, the
same with two leaks, and a cap, each with gas space, creep, cooling and hand of its own. What ``recorder adapter`` says
is of three minutes of the same sensor open to the air.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from recorder import rig
from recorder.adapter import AdapterReport, Samples, check_adapter
from recorder.model import Announcement, WireCounts
from tests.benchmarks.truth_run import judged

LEAKS_KPA_PER_MIN = (0.7, 1.4)  # at 120 kPa: twice and four times the least that matters in a system
NARROW, WIDE = 206.84, 689.5  # 30 and 100 psi


@dataclass(frozen=True, slots=True)
class Sensor:
    """A line of the table. Pressures kPa; slow_kpa: noise with a correlation time of 0.5 s."""

    name: str
    full_scale_kpa: float = NARROW
    counts: int = 4092
    rate_hz: float = 100.0
    white_kpa: float = 0.07
    slow_kpa: float = 0.03

    @property
    def part(self) -> rig.Transducer:
        return rig.Transducer(full_scale_kpa=self.full_scale_kpa, full_counts=self.counts, rate_hz=self.rate_hz,
                              white_kpa=self.white_kpa, correlated_kpa=self.slow_kpa)

    @property
    def count_kpa(self) -> float:
        """One count, of a sensor that uses 10 to 90 % of its supply."""
        return self.full_scale_kpa / 0.8 / self.counts


SENSORS = (
    Sensor("207 kPa, 12 bits"),
    Sensor("207 kPa, 12 bits", rate_hz=50.0),
    Sensor("207 kPa, 12 bits", rate_hz=20.0),
    Sensor("207 kPa, 12 bits", rate_hz=10.0),
    Sensor("207 kPa, 10 bits", counts=1023),
    Sensor("207 kPa, 10 bits", counts=1023, rate_hz=10.0),
    Sensor("207 kPa, 12 bits, noisy", white_kpa=0.4),
    Sensor("207 kPa, 12 bits, wanders", slow_kpa=0.2),
    Sensor("207 kPa, 12 bits, wanders more", slow_kpa=0.5),
    Sensor("689 kPa, 12 bits", WIDE, white_kpa=0.23, slow_kpa=0.1),
    Sensor("689 kPa, 10 bits", WIDE, counts=1023, white_kpa=0.23, slow_kpa=0.1),
)


@dataclass(frozen=True, slots=True)
class Seen:
    """What the program said of one sensor. kPa, kPa/min; arrays have one entry a test, NaN where not seen.

    smallest: of tight systems, the smallest rate that the trace could show. tight, leaks: outcomes of tight systems,
    and of each leak. opening_2u, opening_error: of caps."""

    report: AdapterReport
    smallest: np.ndarray
    tight: Counter[str]
    leaks: tuple[Counter[str], ...]
    opening_2u: np.ndarray
    opening_error: np.ndarray


def scenes(seed: int, part: rig.Transducer) -> tuple[rig.Scene, rig.Scene]:
    """A tight system, and a cap within its band; all but the sensor changes with ``seed``."""
    by_name = {d.name: d.scene for d in rig.demo()}
    rng = np.random.default_rng([seed, 4])
    creep = ((float(rng.uniform(0.003, 0.012)), float(rng.uniform(10.0, 40.0))),)
    cooling_s = float(rng.uniform(0.7, 3.0))
    tight = replace(by_name["system-repaired"], seed=seed, sensor=part, creep=creep, cooling_s=cooling_s,
                    volume_ml=float(rng.uniform(150.0, 900.0)))
    opens = float(rng.uniform(103.0, 117.0))
    pump = replace(tight.pump, stroke_s=float(rng.uniform(0.25, 0.5)))
    cap = replace(by_name["cap-passes"], seed=seed, sensor=part, pump=pump, volume_ml=float(rng.uniform(120.0, 250.0)),
                  cap=rig.Cap(opens, opens * float(rng.uniform(0.93, 0.98)), float(rng.uniform(10.0, 40.0))))
    return tight, cap


def open_hose(sensor: Sensor, seed: int, seconds: float = 180.0) -> AdapterReport:
    """What ``recorder adapter`` says of it."""
    scene = replace(scenes(seed, sensor.part)[0], fault="never-pumped", vented_s=seconds, hold_s=1.0)
    trace = rig.simulate(scene)
    kept = ~trace.lost & (trace.time_s < seconds)
    supply = np.full(int(kept.sum()), np.nan)
    samples = Samples(trace.seq[kept], trace.device_us[kept], trace.counts[kept], supply, trace.time_s[kept])
    announced = Announcement(1, "hose-7", "1.0", sensor.counts, sensor.rate_hz)
    return check_adapter(samples, WireCounts(), announced, trace.calibration)


def seen(sensor: Sensor, seeds: Iterable[int]) -> Seen:
    """The sensor's tests, one of each kind for every seed."""
    smallest, errors, opening_2u = [], [], []
    tight, leaks = Counter[str](), tuple(Counter[str]() for _ in LEAKS_KPA_PER_MIN)
    for seed in seeds:
        system, cap = scenes(seed, sensor.part)
        own = judged(rig.simulate(system))
        tight[own["outcome"]] += 1
        smallest.append(own["hold"]["smallest_detectable_rate"]["value"] if own["hold"] else np.nan)
        for rate, outcomes in zip(LEAKS_KPA_PER_MIN, leaks, strict=True):
            leaking = replace(system, leaks=(rig.Leak(rate, 120.0),))
            outcomes[judged(rig.simulate(leaking))["outcome"]] += 1
        trace = rig.simulate(cap)
        opening, truth = judged(trace)["opening"], trace.truth.opening_kpa
        assert truth is not None
        errors.append(opening["value"] - truth if opening else np.nan)
        opening_2u.append(2 * opening["standard_uncertainty"] if opening else np.nan)
    return Seen(open_hose(sensor, 7), np.array(smallest), tight, leaks, np.array(opening_2u), np.array(errors))


def _words(outcomes: Counter[str]) -> str:
    return ", ".join(f"{outcomes[word]} {word}" for word in ("pass", "undecided", "fail", "void") if outcomes[word])


def main() -> None:
    """Prints the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--n", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    head = ("sensor", "one count", "noise: white, slower", "samples a second", "`recorder adapter` says",
            "told in a hold", "tight", *(f"leak of {2 * rate:g} kPa" for rate in LEAKS_KPA_PER_MIN), "opening",
            "off by")
    print("| " + " | ".join(head) + " |\n" + "|---" * len(head) + "|")
    for sensor in SENSORS:
        s = seen(sensor, range(given.seed, given.seed + given.n))
        off = np.abs(s.opening_error[np.isfinite(s.opening_error)])
        print("| " + " | ".join((
            sensor.name, f"{sensor.count_kpa:.2g}", f"{sensor.white_kpa:g}, {sensor.slow_kpa:g}", f"{sensor.rate_hz:g}",
            f"{s.report.verdict.upper()}, {s.report.smallest_fall_kpa:.2f}",
            f"{2 * np.nanmedian(s.smallest):.2f} to {2 * np.nanpercentile(s.smallest, 90):.2f}",
            _words(s.tight), *map(_words, s.leaks), f"± {np.nanmedian(s.opening_2u):.1f}",
            f"{np.median(off):.1f}, {np.percentile(off, 95):.1f}",
        )) + " |", flush=True)


if __name__ == "__main__":
    main()
