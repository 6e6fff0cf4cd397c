"""Draws the plots of physics.md, opening.md and hold.md again: ``python docs/make_plots.py`` from the project's folder.

The traces are simulated, but for the noise of a real transducer (tests/outside/data/SOURCES.md). The plots of a
population are drawn from the rows that the scoreboard leaves:

    python -m tests.benchmarks.truth --n 1200 --seed 2026 --json rows.jsonl
    python docs/make_plots.py --rows rows.jsonl
"""

from __future__ import annotations

import argparse
import itertools
import json
import math
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent), str(HERE)]

from plotting import BLUE, GREY, Panel, svg  # noqa: E402

from recorder import rig  # noqa: E402
from recorder.allan import overlapping_curve  # noqa: E402
from recorder.analysis import Analyser, Setup  # noqa: E402
from recorder.analysis.hold import fit_hold  # noqa: E402
from recorder.analysis.trace.signal import noise_kpa, resolution_kpa  # noqa: E402
from recorder.limits import resolve  # noqa: E402
from recorder.model import Marking  # noqa: E402

OUT = HERE / "pictures"
CHAMBER = HERE.parent / "tests" / "outside" / "data" / "chamber_reference.csv"
DEMO = {part.name: part for part in rig.demo()}
Row = dict[str, Any]


def analysed(scene: rig.Scene, stroke_ml: float | None = None) -> tuple[rig.Trace, Analyser, dict[str, Any]]:
    """The scene played, its analyser, fed with the digits that a recording would have, and the judgement."""
    trace = rig.simulate(scene)
    procedure = resolve(scene.test, {} if stroke_ml is None else {"stroke_volume": stroke_ml})
    analyser = Analyser(Setup(scene.test, Marking(scene.marked_kpa, "kPa", scene.marked_kpa), procedure,
                              trace.calibration))
    kept = ~trace.lost
    analyser.feed(trace.adapter_time_s[kept].round(6), trace.reading_kpa[kept].round(4), trace.flags)
    return trace, analyser, analyser.judgement().to_json()


def save(name: str, rows: list[list[Panel]], title: str) -> None:
    text = svg(rows, title)
    (OUT / f"{name}.svg").write_text(text, encoding="utf-8", newline="\n")
    print(f"{name}.svg: {len(text) / 1000:.0f} kB")


def strokes() -> None:
    """Pumping up, and what each stroke left behind against Boyle's line of the gas space that was found."""
    part = DEMO["system-seeps"]
    trace, analyser, j = analysed(part.scene, part.stroke_volume_ml)
    t, p = analyser.trace()
    start, end = 3.0, j["hold"]["start_s"] + 2.0
    near = (t > start) & (t < end)
    a = Panel("Pumping up", (start, end), (-5.0, 130.0), "seconds",
              "pressure, kPa", 220.0)
    a.line(t[near], p[near], f"readings; {j['strokes']} strokes counted, {trace.truth.strokes} made", colour=BLUE)
    s = part.scene
    volume, u = j["headspace"]["value"], j["headspace"]["standard_uncertainty"]
    gain = s.atmosphere_kpa * s.pump.stroke_ml / volume
    smooth = np.convolve(trace.pressure_kpa, np.ones(5) / 5, "same")
    rising = np.gradient(smooth, trace.time_s) > 0.15 * np.gradient(smooth, trace.time_s).max()
    first = np.flatnonzero(np.diff(rising.astype(int)) > 0)
    first = first[(trace.time_s[first] > 4.0) & (trace.time_s[first] < end)]
    levels = np.interp(trace.time_s[first] - 0.05, t, p)
    number = np.arange(len(levels))
    b = Panel("Pressure before each stroke", (0, len(levels)), (-5.0, 130.0), "strokes made", "pressure, kPa", 220.0)
    b.dots(number, levels, "just before the next stroke")
    middle = len(levels) // 2
    b.line(number, levels[middle] + gain * (number - middle),
           f"Boyle: {s.pump.stroke_ml:g} mL of air into {volume:.0f} ± {2 * u:.0f} mL", dash="6 4")
    b.note(len(levels) - 0.6, 5.0, f"in truth {trace.truth.headspace_ml:.0f} mL at the hold, hoses included", "end")
    save("physics-strokes", [[a, b]], "Strokes and the gas space")


def valve() -> None:
    """A cap that opens: onset against highest reading, and both against the length of the strokes."""
    part = DEMO["cap-passes"]
    trace, analyser, j = analysed(part.scene)
    t, p = analyser.trace()
    at = j["opening"]["time_s"]
    near = (t > at - 2.5) & (t < at + 4.0)
    opening, ou = j["opening"]["value"], j["opening"]["standard_uncertainty"]
    a = Panel("The strokes that open the cap", (at - 2.5, at + 4.0), (94.0, 124.0), "seconds", "pressure, kPa")
    a.band([at - 2.5, at + 4.0], [opening - 2 * ou] * 2, [opening + 2 * ou] * 2,
           f"onset {opening:.1f} ± {2 * ou:.1f} kPa (judged)")
    a.line(t[near], p[near], "readings", colour=BLUE)
    a.line([at - 2.5, at + 4.0], [trace.truth.opening_kpa] * 2, f"opens in truth at {trace.truth.opening_kpa:.1f} kPa",
           dash="2 3")
    a.dots([j["peak"]["time_s"]], [j["peak"]["value"]], f"highest reading {j['peak']['value']:.1f} kPa", hollow=True,
           size=7.0)
    lengths, onset, u, peak = [], [], [], []
    for i, stroke_s in enumerate(np.linspace(0.15, 0.6, 10)):
        scene = replace(part.scene, seed=400 + i, pump=replace(part.scene.pump, stroke_s=float(stroke_s)))
        one, _, got = analysed(scene)
        if got["opening"] is None or one.truth.opening_kpa is None:
            continue
        lengths.append(float(stroke_s))
        onset.append(got["opening"]["value"] - one.truth.opening_kpa)
        u.append(2 * got["opening"]["standard_uncertainty"])
        peak.append(got["peak"]["value"] - one.truth.opening_kpa)
    lowest = min(o - d for o, d in zip(onset, u, strict=True)) - 0.5
    b = Panel("Quick strokes overshoot", (0.1, 0.65), (lowest, max(peak) + 4.5), "length of a stroke, seconds",
              "above the true opening, kPa")
    b.line([0.1, 0.65], [0.0, 0.0], width=0.8)
    b.dots(lengths, peak, "highest reading", hollow=True, size=6.0)
    b.dots(lengths, onset, "onset, with ± 2u", u=u)
    save("physics-opening", [[a, b]], "Onset and highest reading of a cap")


def settling() -> None:
    """Two holds that fall alike at first: what settles and what leaks."""
    panels = []
    for name, title in (("system-repaired", "Tight: all of the fall is settling"),
                        ("system-seeps", "Seeping: a straight part is left")):
        _, analyser, j = analysed(DEMO[name].scene)
        hold, curve = j["hold"], analyser.hold_curve()
        t, p = analyser.trace()
        near = (t >= hold["start_s"]) & (t <= hold["end_s"])
        rate, u = hold["rate"]["value"], hold["rate"]["standard_uncertainty"]
        top = hold["start"]["value"]
        panel = Panel(title, (0.0, 125.0), (top - 7.5, top + 1.5), "seconds of the hold", "pressure, kPa")
        assert curve is not None
        x = curve.time_s - hold["start_s"]
        panel.line(t[near] - hold["start_s"], p[near], "readings", colour=GREY, width=0.8)
        panel.band(x, curve.pressure_kpa - curve.band_kpa, curve.pressure_kpa + curve.band_kpa, "fit ± 2u")
        panel.parts.append(panel.parts.pop(0))  # over the readings
        panel.line(x, curve.pressure_kpa, dash="8 3 2 3")
        last = float(x[-1])
        panel.line([0.0, last], [curve.pressure_kpa[-1] + rate * last / 60.0, curve.pressure_kpa[-1]],
                   f"leak alone: {rate:.2f} ± {2 * u:.2f} kPa/min", dash="6 4", width=1.8)
        panels.append(panel)
    save("physics-settling", [panels], "Settling and leak")


def noise() -> None:
    """Allan deviation of a real transducer's open record and of the noise that the fit takes it for."""
    table = np.loadtxt(CHAMBER, delimiter=",", skiprows=1)[:1400]
    t, p = table[:, 0] - table[0, 0], table[:, 1] * 100.0
    step = resolution_kpa(p)
    fit = fit_hold(t, p, step_kpa=step, noise_kpa=noise_kpa(p, step), last_rise_kpa=0.0)
    rest = p - np.interp(t, fit.time_s - fit.time_s[0], fit.curve_kpa)
    dt = float(np.median(np.diff(t)))
    even = np.interp(np.arange(0.0, t[-1], dt), t, rest)
    tau, seen = overlapping_curve(even, dt)
    n = fit.noise
    # Allan variance of white readings and of an Ornstein-Uhlenbeck process of standard deviation s, time constant T
    x = tau / n.wander_s
    wander = n.wander_kpa**2 * (2 * x - 3 + 4 * np.exp(-x) - np.exp(-2 * x)) / x**2
    white = n.white_kpa**2 * dt / tau
    a = Panel("A real transducer on an air chamber", (dt, 100.0), (5e-3, 2.0),
              "averaged over, seconds", "Allan deviation, kPa", 280.0, log="xy")
    a.dots(tau, seen, "record, what the fit leaves", size=5.0)
    a.line(tau, np.sqrt(white), f"white part alone: {n.white_kpa:.3f} kPa a reading", dash="2 3")
    if n.wander_kpa > 0:
        a.line(tau, np.sqrt(white + wander), f"with the wandering part: {n.wander_kpa:.3f} kPa, {n.wander_s:g} s",
               dash="6 4")
    b = Panel("Rate of each quarter of the record, ± 2u", (0.5, 4.5), (-1.0, 5.5), "quarter", "falling, kPa/min", 280.0)
    rates, stated, narrow = [], [], []
    for ta, pa in zip(np.array_split(t, 4), np.array_split(p, 4), strict=True):
        one = fit_hold(ta, pa, step_kpa=step, noise_kpa=noise_kpa(pa, step), last_rise_kpa=0.0)
        slope = np.polyfit(ta, pa, 1, cov=True)
        rates.append((60.0 * one.rate_kpa_per_s, -60.0 * slope[0][0]))
        stated.append(120.0 * one.rate_u)
        narrow.append(120.0 * math.sqrt(slope[1][0][0]))
    at = np.arange(1.0, 5.0)
    b.dots(at - 0.1, [r[1] for r in rates], "straight line, noise taken for white", u=narrow, hollow=True, size=6.0)
    b.dots(at + 0.1, [r[0] for r in rates], "as stated", u=stated, size=6.0)
    save("physics-noise", [[a, b]], "Noise is not white")


def plain(rows: list[Row]) -> list[Row]:
    return [r for r in rows if r["steady"] and not r["top_up"] and not r["error"] and r.get("rate_u")
            and r["category"] != "cap-open" and r["hold_s"] >= 10]


def coverage(rows: list[Row]) -> None:
    """How often the truth lies within k stated uncertainties, against a normal law; and by class."""
    used = plain(rows)
    k = np.linspace(0.0, 4.0, 81)
    a = Panel(f"Truth within k·u: {len(used)} simulated holds", (0.0, 4.0), (0.0, 1.0), "k", "share of holds", 280.0,
              legend=(0.34, 0.7))
    normal = np.array([math.erf(v / math.sqrt(2.0)) for v in k])
    a.line(k, normal, "normal law", dash="2 3")
    for test, dash, colour in (("system", "", "#000000"), ("cap", "6 4", BLUE)):
        off = np.array([abs(r["rate_error"]) / r["rate_u"] for r in used if r["test"] == test])
        inside = np.array([(off <= v).mean() for v in k])
        at_two = (off <= 2.0).mean()
        a.line(k, inside, f"{test} tests: {100 * at_two:.0f} % within 2u ({len(off)})", dash=dash, colour=colour)
    a.keys.reverse()
    names = sorted({r["category"] for r in used})
    b = Panel("Within 2u, by class (bars: ± 2 standard errors)", (0.6, 1.0), (0.0, len(names) + 1.0),
              "share of holds", "", 280.0, names={"y": []})
    b.line([0.954, 0.954], [0.0, len(names) + 0.4], dash="2 3")
    for i, name in enumerate(names):
        off = np.array([abs(r["rate_error"]) / r["rate_u"] <= 2.0 for r in used if r["category"] == name])
        share, y = float(off.mean()), len(names) - i - 0.2
        half = 2.0 * math.sqrt(max(share * (1 - share), 0.25 / len(off)) / len(off))
        b.line([max(share - half, 0.6), min(share + half, 1.0)], [y, y], width=1.0)
        b.dots([share], [y], size=6.0)
        b.note(0.607, y - 0.1, f"{name} ({len(off)})")
    save("physics-coverage", [[a, b]], "Coverage of the stated uncertainty of the rate")


def early(rows: list[Row]) -> None:
    """What the early answer says of systems by their true leak, and when."""
    matters = 0.35
    used = [r for r in plain(rows) if r["test"] == "system" and r["hold_s"] >= 60]
    edges = [0.0, 1e-3, 0.5, 1.0, 2.0, 4.0, 1e9]
    names = ["0", "< 0.5", "0.5–1", "1–2", "2–4", "> 4"]
    shares: dict[str, list[float]] = {"leak": [], "tight": []}
    counts = []
    for low, high in itertools.pairwise(edges):
        group = [r for r in used if low <= r["truth_rate"] / matters < high]
        counts.append(len(group))
        for word, into in shares.items():
            into.append(sum(r.get("early") == word for r in group) / max(len(group), 1))
    ticks = [(float(i), f"{name} ({n})") for i, (name, n) in enumerate(zip(names, counts, strict=True))]
    at = np.flatnonzero(counts)  # of no test no share is said
    panel = Panel(f"Early answer in {len(used)} simulated systems", (-0.5, 5.5), (-0.05, 1.25),
                  "true leak in units of the smallest that matters (tests)", "share of tests", 280.0,
                  names={"x": ticks})
    panel.dots(at, np.array(shares["leak"])[at], "said: leak", size=8.0)
    panel.dots(at, np.array(shares["tight"])[at], "said: tight", size=8.0, hollow=True)
    said = [r for r in used if r.get("early") is not None and r.get("early_s") is not None]
    when = Panel("When it was said", (0.0, 125.0), (0.0, 1.0), "seconds into the hold", "share of all tests", 280.0)
    for word, dash in (("leak", ""), ("tight", "6 4")):
        times = np.sort([r["early_s"] for r in said if r["early"] == word])
        count = np.arange(len(times) + 1) / len(used)
        when.line(np.repeat([0.0, *times, 125.0], 2)[1:-1], np.repeat(count, 2), f"{word}: {len(times)}", dash=dash)
    save("physics-early", [[panel, when]], "The early answer")


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    ask.add_argument("--rows", type=Path, help="rows of the scoreboard, for the plots of a population")
    given = ask.parse_args()
    OUT.mkdir(exist_ok=True)
    for draw in (strokes, valve, settling, noise):
        draw()
    if given.rows is not None:
        rows = [json.loads(line) for line in given.rows.read_text("utf-8").splitlines()]
        coverage(rows)
        early(rows)


if __name__ == "__main__":
    main()
