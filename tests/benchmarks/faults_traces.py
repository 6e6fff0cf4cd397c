"""Traces that no test gives, made by chance: the analyser answers each, and the same however it is fed.

    python -m tests.benchmarks.faults_traces [--n 5000] [--seed 0]

Each trace is a sum of a few of these, of any size: steps, bumps, a walk, noise, strokes of any cadence, decays, a
pressure that is gone, one that a range ends, coarse steps; 1 to 6000 readings, 0.05 to 300 a second, evenly or not.
Nothing may raise or warn, and no answer may take more than ten seconds of the processor. What is right to say of such
a trace nobody knows: only that nothing but numbers is said, and that neither blocks (two; and up to 30, of one reading
among them) nor looks in between make a difference.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
import warnings
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from recorder.analysis import Analyser, Setup
from recorder.limits import resolve
from recorder.model import Marking, TestKind

LONGEST_S = 10.0
Trace = tuple[NDArray[np.float64], NDArray[np.float64]]


@dataclass
class Seen:
    """traces: how many. slowest_s: processor time of the slowest. wrong: seeds by cause."""

    traces: int = 0
    slowest_s: float = 0.0
    wrong: dict[str, list[int]] = field(default_factory=dict)


def _part(r: np.random.Generator, t: NDArray[np.float64], p: NDArray[np.float64]) -> NDArray[np.float64]:
    n, size = len(t), float(np.exp(r.uniform(-3.0, 6.0)))
    i = int(r.integers(0, n))
    j = int(r.integers(i, n + 1))
    kind = r.integers(0, 9)
    p = p.copy()
    if kind == 0:
        p[i:] += size
    elif kind == 1:
        p[i:j] += size
    elif kind == 2:
        p += np.cumsum(r.standard_normal(n)) * size / np.sqrt(n)
    elif kind == 3:
        p += 0.05 * size * r.standard_normal(n)
    elif kind == 4:
        cadence, many = max(float(r.uniform(0.3, 3.0)), 3.0 * float(t[-1]) / n), int(r.integers(1, 60))
        begin = t[i] + np.cumsum(cadence * np.clip(1.0 + 0.1 * r.standard_normal(many), 0.1, None))
        p += size / many * np.clip((t[:, None] - begin) / (cadence * r.uniform(0.1, 0.6)), 0.0, 1.0).sum(axis=1)
    elif kind == 5:
        p[i:] *= np.exp(-(t[i:] - t[i]) / (1.0 + r.exponential(60.0)))
    elif kind == 6:
        p[i:] = 0.0
    elif kind == 7:
        p = np.minimum(p, size)
    else:
        p = np.round(p / size) * size
    return p


def made(seed: int) -> Trace:
    """Times (s, rising) and pressures (kPa) of a trace."""
    r = np.random.default_rng(seed)
    rate_hz, n = float(np.exp(r.uniform(np.log(0.05), np.log(300.0)))), int(np.exp(r.uniform(0.0, np.log(6000.0))))
    steps = np.where(r.random(n) < 0.1, r.exponential(3.0, n), 1.0)
    if r.random() < 0.5:
        steps *= np.clip(1.0 + 0.1 * r.standard_normal(n), 0.01, None)
    t, p = np.cumsum(steps / rate_hz).round(6), np.zeros(n)
    for _ in range(r.integers(1, 6)):
        p = _part(r, t, p)
    if r.random() < 0.5:
        p = p + 0.1 * r.standard_normal(n)
    keep = np.append(True, np.diff(t) > 0.0)
    return t[keep], np.clip(p, -1e5, 1e5).round(4)[keep]


def _setup(seed: int) -> Setup:
    kinds: tuple[TestKind, ...] = ("cap", "system", "tester")
    test = kinds[seed % 3]
    given: dict[str, Any] = {"stroke_volume": {"value": 24, "unit": "mL"}} if seed % 2 else {}
    return Setup(test, Marking(98.0, "kPa", 98.0) if test != "tester" and seed % 5 else None, resolve(test, given))


def _judged(setup: Setup, trace: Trace, cuts: Sequence[int], looks: Sequence[int] = ()) -> str:
    """The judgement of the trace fed in the blocks that end at ``cuts``; behind those of ``looks`` a face looks."""
    analyser = Analyser(setup)
    for i, (a, b) in enumerate(pairwise((0, *cuts, len(trace[0])))):
        analyser.feed(trace[0][a:b], trace[1][a:b])
        if i in looks:
            analyser.view()
    return json.dumps(analyser.judgement().to_json(), allow_nan=False)


def _cuts(seed: int, n: int) -> list[int]:
    """Where a trace of ``n`` readings is cut: anywhere, and twice into single readings."""
    r = np.random.default_rng(seed)
    cuts = r.integers(0, n + 1, r.integers(1, 20)).tolist()
    for at in r.integers(0, n + 1, 2).tolist():
        cuts += range(at, min(at + 6, n + 1))
    return sorted(cuts)


def one(seed: int) -> tuple[str, float]:
    """What is wrong with the answer to this trace, or "", and the processor time of one answer (s)."""
    setup, trace = _setup(seed), made(seed)
    begin = time.process_time()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            whole = _judged(setup, trace, ())
            took = time.process_time() - begin
            parts = _judged(setup, trace, [seed % (len(trace[0]) + 1)])
            cuts = _cuts(seed, len(trace[0]))
            many = _judged(setup, trace, cuts, (2, len(cuts) // 2, len(cuts) - 1))
    except Exception as err:  # any at all is what is looked for
        return f"{type(err).__name__}: {err}", time.process_time() - begin
    if took > LONGEST_S:
        return "too slow", took
    return "" if whole == parts == many else "blocks or looks made a difference", took


def run(n: int, seed: int = 0) -> Seen:
    """The traces of ``n`` seeds from ``seed`` on."""
    seen = Seen()
    for k in range(seed, seed + n):
        wrong, took = one(k)
        seen.traces += 1
        seen.slowest_s = max(seen.slowest_s, took)
        if wrong:
            seen.wrong.setdefault(wrong, []).append(k)
    return seen


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--n", type=int, default=5000)
    parser.add_argument("--seed", type=int, default=0)
    given = parser.parse_args()
    seen = run(given.n, given.seed)
    print(f"{seen.traces} traces, {sum(map(len, seen.wrong.values()))} wrong; slowest {seen.slowest_s:.2f} s")
    for what, seeds in seen.wrong.items():
        print(f"   {what}: {len(seeds)}, such as {seeds[:5]}")
    return 1 if seen.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
