"""What the adapter makes of a test of the second population, the recording of it, and what can be seen in it.

The recording is written from the text of the recording contract, by this file's own writer.
"""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np

from tests.benchmarks.second_physics import AMBIENT_KPA, Run, bound, log_uniform, pick

PSI = 6.894757293168361
ODD = ["never-pumped", "warming", "pinned", "hose-off", "engine"]


def record(r: np.random.Generator, run: Run, truth: dict[str, Any], marked: dict[str, Any]) -> str:
    """The adapter's view and the recording; adds what only the sampling decides to the truth."""
    rate_hz = float(pick(r, [10, 10, 12.5, 20, 25, 50, 50, 80, 100, 100, 125, 200]))
    bits = int(r.integers(10, 16))
    top = max(run.gauges)
    full = float(pick(r, [f for f in (206.8, 344.7, 413.7, 500.0, 689.5) if f > 1.08 * top + 5] or [689.5]))
    white, hum_kpa, slow, slow_s = log_uniform(r, 0.05, 0.4), 0.0, 0.0, 0.0
    if r.random() < 0.25:
        slow, slow_s = white * float(r.uniform(0.2, 0.6)), log_uniform(r, 0.1, 3.0)
    if r.random() < 0.3:
        hum_kpa = float(r.uniform(0.05, 0.3))
    t = np.arange(0.0, run.times[-1], 1 / rate_hz)
    clean = np.interp(t, [0.0, *run.times], [0.0, *run.gauges])
    n = len(t)
    truth["peak_kpa"] = float(clean.max())
    truth["peak_s"] = float(t[clean.argmax()])
    seen = (
        clean
        + r.normal(0, white, n)
        + hum_kpa * np.sin(2 * np.pi * pick(r, [50.0, 60.0]) * 1.0003 * t + r.uniform(0, 6))
    )
    if slow:
        keep = math.exp(-1 / rate_hz / slow_s)
        value, drift = slow * float(r.normal()), np.empty(n)
        for i in range(n):
            value = keep * value + slow * math.sqrt(1 - keep**2) * float(r.normal())
            drift[i] = value
        seen += drift
    truth["knocks"] = []
    if r.random() < 0.2 and truth["holds"]:
        at = float(r.uniform(truth["holds"][-1]["start_s"] + 2, truth["holds"][-1]["end_s"] - 1))
        since = np.clip(t - at, 0, None)
        size = float(r.uniform(0.5, 4.0))
        seen += np.where(
            t > at,
            size
            * np.exp(-since / float(r.uniform(0.1, 0.4)))
            * np.sin(2 * np.pi * float(r.uniform(3, 15)) * since),
            0,
        )
        truth["knocks"].append(round(at, 2))
    zero = float(r.uniform(-0.006, 0.006)) * full
    scale = 2**bits - 1
    ratio = 0.1 + 0.8 * (seen + zero) / full
    with_supply = r.random() < 0.2 and bits >= 12
    supply = (
        np.round(scale * (float(r.uniform(0.96, 0.995)) + r.normal(0, 2e-5, n)))
        if with_supply
        else np.full(n, float(scale))
    )
    counts = np.clip(np.round(ratio * supply), 0, scale).astype(int)
    spiky = r.random() < 0.3
    if spiky:
        for i in np.flatnonzero(r.random(n) < 7e-4).tolist():
            counts[i] = int(np.clip(counts[i] + r.choice([-1, 1]) * r.uniform(0.03, 0.5) * scale, 0, scale))
    if truth["class"] == "pinned":
        from_i = 0 if r.random() < 0.4 else int(n * r.uniform(0.05, 0.6))
        counts[from_i:] = pick(r, [0, scale])
    lost = np.zeros(n, bool)
    if r.random() < 0.4:
        lost |= r.random(n) < r.uniform(0.001, 0.03)
        for _ in range(int(r.integers(0, 3))):
            a = int(r.integers(0, n))
            lost[a : a + int(rate_hz * r.uniform(0.1, 0.8)) + 1] = True
    lost[0] = False
    truth.update(
        rate_hz=rate_hz,
        bits=bits,
        full_scale_kpa=full,
        white_kpa=white,
        correlated_kpa=slow,
        correlated_s=slow_s,
        hum_kpa=hum_kpa,
        count_kpa=full / 0.8 / scale,
        spiky=spiky,
        lost=int(lost.sum()),
        zero_kpa=zero,
        supply=bool(with_supply),
    )
    if truth["strokes"]:
        visible(run, truth, rate_hz, white, slow, hum_kpa)
    ppm = float(r.normal(0, 30)) * 1e-6
    unit, per = ("psi", PSI) if r.random() < 0.08 else ("bar", 100.0) if r.random() < 0.05 else ("kPa", 1.0)
    plain = r.random() < 0.15
    coefficients = [-full / 8, full * 1.25]
    pressure = coefficients[0] + coefficients[1] * counts / supply
    time_s = t * (1 + ppm)
    judge_times(r, truth, time_s[~lost], ppm, math.hypot(white, truth["count_kpa"] / math.sqrt(12)))
    head = ["# recording-format: 1", f'# test: "{truth["test"]}"', f"# marked: {json.dumps(marked)}"]
    procedure: dict[str, Any] = {}
    truth["stroke_volume_given"] = bool("plant" in truth and r.random() < 0.6)
    if truth["stroke_volume_given"]:
        # as measured for this pump: what a stroke moves, less the slip and the dead volume at half the marking
        plant = run.plant
        net = (plant.stroke_ml - plant.dead_ml * truth["marked_kpa"] / 2 / AMBIENT_KPA) * (1 - plant.slip)
        procedure["stroke_volume"] = {"value": round(net, 2), "unit": "mL"}
    if not plain:
        head[1:1] = [
            f'# id: "20260101T000000Z-{truth["seed"] % 65536:04x}"',
            '# started: "2026-01-01T00:00:00.000Z"',
        ]
        head += [
            '# job: ""',
            "# adapter: "
            + json.dumps(
                {
                    "id": "bench-2",
                    "firmware": "0",
                    "wire_version": 1,
                    "full_scale_counts": scale,
                    "nominal_rate_hz": rate_hz,
                }
            ),
            "# calibration: "
            + json.dumps(
                {
                    "coefficients_kPa": coefficients,
                    "standard_uncertainty_kPa": None,
                    "date": None,
                    "reference": None,
                }
            ),
        ]
    if procedure:
        head.append("# procedure: " + json.dumps(procedure))
    head.append(f"time_s,pressure_{unit}" + ("" if plain else ",seq,device_us,host_s,counts,supply,temp_C,flag"))
    seq0, us0 = int(r.integers(65536)), int(r.integers(2**32))
    rows, gap = [], False
    for i in range(n):
        if lost[i]:
            gap = True
            continue
        row = f"{time_s[i]:.6f},{pressure[i] / per:.4f}"
        if not plain:
            sent = str(int(supply[i])) if with_supply else ""
            us = (us0 + round(time_s[i] * 1e6)) % 2**32
            row += f",{(seq0 + i) % 65536},{us},{t[i]:.6f},{counts[i]},{sent},,{'gap' if gap else ''}"
        rows.append(row)
        gap = False
    return "\n".join(head + rows) + "\n"


def visible(run: Run, truth: dict[str, Any], rate_hz: float, white: float, slow: float, hum_kpa: float) -> None:
    """How far strokes, and the cap's relief, stand out of the noise of the levels around them."""
    t, p = np.array(run.times), np.array(run.gauges)
    starts = np.array(truth["stroke_starts"])
    length = 0.6 * truth["pace_s"]
    samples = max(0.3 * truth["pace_s"] * rate_hz, 1.0)
    one = white**2 + truth["count_kpa"] ** 2 / 12 + hum_kpa**2 / 2
    noise = math.sqrt(2 * (one / samples + slow**2))
    ups = np.array([p[(t >= s) & (t <= s + length)].max() - p[np.searchsorted(t, s)] for s in starts])
    truth["stroke_snr"], truth["last_stroke_snr"] = float(ups.min() / noise), float(ups[-1] / noise)
    truth["relief_visible"] = False
    if truth["opening_kpa"] is not None:
        again = ups[starts >= truth["opening_s"]]  # strokes on a cap that relieves
        after = p[(t >= truth["opening_s"]) & (t <= truth["opening_s"] + 0.5)]
        drop = float(np.max(np.maximum.accumulate(after) - after))  # it pops
        truth["relief_visible"] = bool((len(again) and again.max() > 5 * noise) or drop > 2.0 + 5 * noise)


def judge_times(
    r: np.random.Generator, truth: dict[str, Any], time_s: np.ndarray, ppm: float, white: float
) -> None:
    """Holds on the adapter's clock with their Cramer-Rao bounds; the expected outcome, and whether it is settled."""
    for hold in truth["holds"]:
        times, gauges = hold.pop("_still")
        inside = time_s[(time_s >= hold["start_s"]) & (time_s <= hold["end_s"])]
        hold["bound"], hold["own_bound"] = bound(
            inside,
            np.interp(inside, times, gauges),
            white,
            truth["correlated_kpa"],
            truth["correlated_s"],
            [truth["plant"]["cooling_s"], *(tau for _, tau in truth["plant"]["slow"])],
        )
        hold["start_s"] *= 1 + ppm
        hold["end_s"] *= 1 + ppm
    if truth["opening_kpa"] is not None:
        truth["opening_s"] *= 1 + ppm
    if "expect" not in truth:
        truth["expect"], truth["settled"], truth["why"] = expected(truth)


def expected(truth: dict[str, Any]) -> tuple[list[str], bool, str]:
    """Outcomes that are right, and whether an ideal observer could clearly tell."""
    kind, holds, mark = truth["class"], truth["holds"], truth["marked_kpa"]
    if kind == "pinned":
        return ["void"], True, "pinned"
    if kind in ODD:
        return ["undecided", "void"] + (["fail"] if kind == "hose-off" else []), True, "odd: never a pass"
    limit = 7.0 if truth["test"] == "cap" else 0.35
    slack = [3 * max(h["bound"], h["own_bound"]) + 0.02 * h["rate"] for h in holds]
    fast = any(h["rate"] - s > limit for h, s in zip(holds, slack, strict=True))
    still = all(h["rate"] + s < limit for h, s in zip(holds, slack, strict=True))
    if truth["test"] == "system":
        if fast:
            return ["fail"], True, "falls"
        # the pressure asked for is marking + 7..14 kPa; a start clearly inside is a test of what was asked
        right = holds and mark + 7.5 < holds[-1]["start_kpa"] < mark + 13.5
        if still and right and not truth["hold_short"]:
            return ["pass"], True, "tight"
        return ["pass", "fail", "undecided"], False, "rate near its limit, short, or beside the target"
    if kind == "never-sealing":
        return ["fail"], True, "no pressure builds"
    if truth["opening_kpa"] is None:
        if kind == "stuck" or truth["peak_kpa"] > 1.1 * mark + 5:
            return ["fail"], True, "does not open"
        return ["pass", "fail", "undecided"], False, "not pumped far enough"
    if not truth["relief_visible"] and not fast:
        return ["pass", "fail", "undecided"], False, "the relief cannot be told from an eased stroke"
    # between two samples a stroke goes so far; within that and 0.5 kPa of the band's edge nobody can tell
    blur = truth["step_kpa"] / max(0.3 * truth["pace_s"] * truth["rate_hz"], 1.0)
    margin = max(0.5, 3 * blur / math.sqrt(12))
    low, high = 0.9 * mark + margin, 1.1 * mark - margin
    opening = truth["opening_kpa"]
    if opening < 0.9 * mark - margin or opening > 1.1 * mark + margin or fast:
        return ["fail"], True, "opens outside, or falls"
    if low < opening < high and still and not truth["hold_short"]:
        return ["pass"], True, "opens inside and holds"
    return ["pass", "fail", "undecided"], False, "near a limit, or short"
