"""One scene simulated, judged, and set against its truth."""

from __future__ import annotations

import json
import tempfile
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from recorder import rig
from recorder.analysis import Analyser, Setup, judge
from recorder.limits import resolve
from recorder.model import Marking

BLOCK = 5000


def procedure_json(scene: rig.Scene) -> dict[str, Any]:
    """The part of the procedure that a recording of this scene names."""
    if not scene.stroke_volume_known:
        return {}
    return {"stroke_volume": {"value": scene.pump.stroke_ml, "unit": "mL"}}


def recording_text(trace: rig.Trace, *, full: bool = False) -> str:
    """A recording of the trace, unsealed: two columns, or all of them."""
    scene = trace.scene
    head = {
        "recording-format": 1, "test": scene.test,
        "marked": {"value": round(scene.marked_kpa, 6), "unit": "kPa"},
        "procedure": procedure_json(scene), "calibration": trace.calibration.to_json(),
    }
    lines = [f"# {k}: {json.dumps(v)}" for k, v in head.items()]
    kept = ~trace.lost
    t, p = trace.adapter_time_s[kept].tolist(), trace.reading_kpa[kept].tolist()
    if not full:
        lines.append("time_s,pressure_kPa")
        lines += [f"{a:.6f},{b:.4f}" for a, b in zip(t, p, strict=True)]
        return "\n".join(lines) + "\n"
    lines.append("time_s,pressure_kPa,seq,device_us,host_s,counts,supply,temp_C,flag")
    columns = (trace.seq[kept].tolist(), trace.device_us[kept].tolist(), trace.counts[kept].tolist(),
               trace.supply[kept].tolist(), trace.temp_c[kept].tolist())
    for i, flag in enumerate(trace.flags):
        seq, clock, counts, supply, temp = (c[i] for c in columns)
        lines.append(f"{t[i]:.6f},{p[i]:.4f},{seq},{clock},{t[i]:.6f},{counts},"
                     f"{'' if supply != supply else f'{supply:.0f}'},"
                     f"{'' if temp != temp else f'{temp:.1f}'},{flag}")
    return "\n".join(lines) + "\n"


def judged(trace: rig.Trace) -> dict[str, Any]:
    """The judgement of the trace, fed to the analyser as written to a file."""
    scene = trace.scene
    setup = Setup(scene.test, Marking(scene.marked_kpa, "kPa", scene.marked_kpa),
                  resolve(scene.test, procedure_json(scene)), trace.calibration)
    analyser = Analyser(setup)
    kept = ~trace.lost
    t = np.round(trace.adapter_time_s[kept], 6)
    p = np.round(trace.reading_kpa[kept], 4)
    flags = trace.flags
    plain = not any(flags)
    counts = trace.counts[kept]
    for i in range(0, len(t), BLOCK):
        part = slice(i, i + BLOCK)
        analyser.feed(t[part], p[part], None if plain else flags[part], counts[part])
    return analyser.judgement().to_json()


def judged_from_file(trace: rig.Trace, *, full: bool) -> dict[str, Any]:
    """The judgement by way of a recording on disk."""
    from recorder.recording import read

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "trace.csv"
        path.write_text(recording_text(trace, full=full), encoding="utf-8", newline="\n")
        return judge(read(path)).to_json()


def _value(quantity: Mapping[str, Any] | None) -> tuple[float | None, float | None]:
    if quantity is None:
        return None, None
    return quantity["value"], quantity["standard_uncertainty"]


def score(scene: rig.Scene, way: str = "feed") -> dict[str, Any]:
    """One row of the scoreboard. way: feed, two or full (columns of a recording)."""
    trace = rig.simulate(scene)
    t = trace.truth
    began = time.perf_counter()
    error = ""
    got: dict[str, Any] = {}
    try:
        got = judged(trace) if way == "feed" else judged_from_file(trace, full=way == "full")
    except Exception as err:  # the table has to show it, whatever it is
        error = f"{type(err).__name__}: {err}"
    s = scene.sensor
    row: dict[str, Any] = {
        "seed": scene.seed, "category": scene.category, "test": scene.test, "rate_hz": s.rate_hz,
        "error": error, "wall_s": time.perf_counter() - began, "samples": len(trace.time_s),
        "expected": t.outcome, "accept": t.accept, "settled": t.settled,
        "outcome": got.get("outcome"), "reasons": [r["code"] for r in got.get("reasons", [])],
        "truth_rate": t.rate_kpa_per_min, "crb": t.crb, "truth_opening": t.opening_kpa,
        "steady": not (scene.fault or scene.pulse_kpa or scene.drift_kpa_per_min),
        "hold_s": t.hold_end_s - t.hold_start_s,
        "step_over_noise": s.full_scale_kpa / 0.8 / s.full_counts / np.hypot(s.white_kpa, s.correlated_kpa),
        "correlated": s.correlated_kpa > 0, "hum": s.hum_kpa > 0, "spikes": s.spikes + s.knocks > 0,
        "top_up": scene.top_up_s > 0,
    }
    if error:
        return row
    row["opening"], row["opening_u"] = _value(got["opening"])
    peak, _ = _value(got["peak"])
    if peak is not None:
        row["peak_error"] = peak - t.peak_kpa
    row["strokes_error"] = got["strokes"] - t.strokes
    early = got.get("early")
    if early is not None:
        row["early"], row["early_s"] = early["answer"], early["time_s"] - t.hold_start_s
    hold = got["hold"]
    if hold is not None and t.strokes:
        row["start_error"] = hold["start_s"] - t.hold_start_s
        row["end_error"] = hold["end_s"] - t.hold_end_s
        row["rate"], row["rate_u"] = _value(hold["rate"])
        row["rate_error"] = row["rate"] - t.rate_kpa_per_min
        row["detectable"], _ = _value(hold["smallest_detectable_rate"])
    space, space_u = _value(got["headspace"])
    if space is not None:
        row["space_error"] = space / t.headspace_ml - 1
        row["space_u"] = None if space_u is None else space_u / t.headspace_ml
    flow, _ = _value(got["leak_flow"])
    if flow is not None and t.leak_flow_ml_per_min > 0.2:
        row["flow_error"] = flow / t.leak_flow_ml_per_min - 1
    return row
