"""Holds that no test gives, made by chance: each is fitted, to finite numbers.

    python -m tests.benchmarks.faults_holds [--n 2000] [--seed 0]

Each hold is a level with a few of these, of any size and speed: decays, a slope, a beat, a step, a walk, noise; read
by a gauge of any resolution, with its zero off, 6 to 2500 readings at 0.3 to 200 a second, evenly or not, after strokes
of any number and size. Most of them no pump makes, so what is right to say of them nobody knows: only that the fit
neither raises nor warns, and that its numbers are numbers and no uncertainty is below zero.
"""

from __future__ import annotations

import argparse
import math
import sys
import warnings
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from recorder.analysis.hold import Before, fit_hold

_STEPS_KPA = (0.0, 0.05, 0.25, 0.6, 2.0, 10.0)
_NUMBERS = ("rate_kpa_per_s", "start_kpa", "end_kpa", "amplitude_kpa")
_UNCERTAINTIES = ("rate_u", "start_u", "end_u", "drop_u", "amplitude_u", "tau_s", "tau_u")
Floats = NDArray[np.float64]


def _times(r: np.random.Generator) -> Floats:
    n, rate_hz = int(10.0 ** r.uniform(0.9, 3.4)), 10.0 ** r.uniform(-0.5, 2.3)
    if r.random() < 0.2:
        return np.unique(np.append(0.0, np.sort(r.random(n)) * n / rate_hz))
    return np.arange(n) / rate_hz


def made(seed: int) -> tuple[Floats, Floats, Mapping[str, Any]]:
    """Times (s), readings (kPa) and what else ``fit_hold`` is told of them."""
    r = np.random.default_rng(seed)
    t = _times(r)
    length, n = float(t[-1]), len(t)
    p = np.full(n, r.uniform(-2.0, 140.0) * (r.random() < 0.8))
    for _ in range(r.integers(0, 4)):
        p += r.normal(0.0, 10.0 ** r.uniform(-1.0, 1.5)) * np.exp(-t / (length * 10.0 ** r.uniform(-3.0, 0.7)))
    if r.random() < 0.5:
        p -= 10.0 ** r.uniform(-2.0, 1.5) * t / length
    if r.random() < 0.2:
        p += 10.0 ** r.uniform(-2.0, 1.0) * np.sin(2.0 * np.pi * t / length * 10.0 ** r.uniform(-0.5, 2.0))
    if r.random() < 0.15:
        p[t > r.random() * length] += r.normal(0.0, 5.0)
    if r.random() < 0.1:
        p += np.cumsum(r.normal(0.0, 0.05, n))
    noise = 10.0 ** r.uniform(-3.0, 0.3) * (r.random() < 0.85)
    p += noise * r.standard_normal(n)
    step = float(r.choice(_STEPS_KPA))
    if step:
        p = np.round(p / step) * step
    p -= r.uniform(-1.0, 1.0) * (r.random() < 0.5)
    many = int(r.integers(0, 30))
    before = Before(np.sort(r.random(many))[::-1] * 40.0, r.uniform(0.0, 12.0, many),
                    float(r.uniform(0.0, 30.0) * (r.random() < 0.2)))
    told = {"step_kpa": step, "noise_kpa": noise if noise > step / 2.0 else 0.0,
            "last_rise_kpa": float(r.uniform(0.0, 12.0)), "before": before if r.random() < 0.7 else None}
    return t, p, {**told, "coolant": bool(r.random() < 0.5), "quick": bool(r.random() < 0.2)}


def one(seed: int) -> str:
    """What is wrong with the fit of this hold, or ""."""
    t, p, told = made(seed)
    if len(t) < 6:
        return ""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            fit = fit_hold(t, p, **told)
    except Exception as err:  # any at all is what is looked for
        return f"{type(err).__name__}: {err}"
    numbers, uncertainties = ([getattr(fit, name) for name in names] for names in (_NUMBERS, _UNCERTAINTIES))
    if not all(map(math.isfinite, (*numbers, *uncertainties))):
        return "not a number"
    return "an uncertainty below zero" if min(uncertainties) < 0.0 else ""


def run(n: int, seed: int = 0) -> dict[str, list[int]]:
    """Seeds by what is wrong with them, of the ``n`` from ``seed`` on."""
    wrong: dict[str, list[int]] = {}
    for k in range(seed, seed + n):
        if what := one(k):
            wrong.setdefault(what, []).append(k)
    return wrong


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--n", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=0)
    given = parser.parse_args()
    wrong = run(given.n, given.seed)
    print(f"{given.n} holds, {sum(map(len, wrong.values()))} wrong")
    for what, seeds in wrong.items():
        print(f"   {what}: {len(seeds)}, such as {seeds[:5]}")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
