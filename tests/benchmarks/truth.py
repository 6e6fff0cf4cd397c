"""The scoreboard: a simulated population with known truth against what the analysis says of it.

    python -m tests.benchmarks.truth --n 200 --seed 1 --jobs 2 [--worst K] [--category cap] [--way two]
    python -m tests.benchmarks.truth --replay 1000017
"""

from __future__ import annotations

import argparse
import json
import time
from collections import Counter
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict
from functools import partial
from typing import Any

import numpy as np

from recorder import rig
from recorder.rig.truth import CAP_FALL, SHORTEST_HOLD_S, SYSTEM_FALL
from tests.benchmarks.truth_run import judged, score

Row = dict[str, Any]


def _of(rows: Iterable[Row], key: str) -> np.ndarray:
    return np.array([r[key] for r in rows if r.get(key) is not None], dtype=float)


def _spread(values: np.ndarray, unit: str = "", factor: float = 1.0) -> str:
    if not len(values):
        return "none"
    a = np.abs(values) * factor
    return (f"median {np.median(a):.4g}{unit}, 95th pct {np.percentile(a, 95):.4g}{unit}, "
            f"worst {a.max():.4g}{unit}, bias {np.median(values) * factor:+.3g}{unit} (n {len(a)})")


def _share(hits: int, of: int) -> str:
    return f"{hits}/{of} = {100 * hits / of:.1f} %" if of else "none"


def outcomes(rows: list[Row]) -> None:
    """Right, undecided and confidently wrong, overall and by class."""
    settled = [r for r in rows if r["settled"]]
    right = [r for r in settled if r["outcome"] in r["accept"]]
    print(f"outcome right (settled)     {_share(len(right), len(settled))}; "
          f"not settled {len(rows) - len(settled)}")
    wanted = [r for r in settled if "undecided" not in r["accept"]]
    print("undecided where decidable   "
          + _share(sum(r["outcome"] == "undecided" for r in wanted), len(wanted)))
    by_class: dict[str, list[Row]] = {}
    for r in settled:
        by_class.setdefault(r["category"], []).append(r)
    for name in sorted(by_class):
        group = by_class[name]
        said = Counter(str(r["outcome"]) for r in group)
        good = sum(r["outcome"] in r["accept"] for r in group)
        print(f"    {name:18s} right {_share(good, len(group)):18s} said {dict(said)}")
    wrong = [r for r in settled if r["outcome"] in ("pass", "fail", "void")
             and r["outcome"] not in r["accept"]]
    print(f"confident wrong             {len(wrong)}")
    for r in wrong:
        print(f"    {r['seed']} {r['category']:16s} expected {r['expected']} said {r['outcome']} "
              f"{r['reasons']} rate {r['truth_rate']:.3f}/{_short(r.get('rate'))} "
              f"opening {_short(r['truth_opening'])}/{_short(r.get('opening'))}")


def _short(x: float | None) -> str:
    return "-" if x is None else f"{x:.4g}"


def pressures(rows: list[Row]) -> None:
    """Opening, peak, strokes, hold limits."""
    pumped = [r for r in rows if r["category"] != "odd-never-pumped"]
    opened = [r for r in rows if r["truth_opening"] is not None and r.get("opening") is not None]
    for r in opened:
        r["opening_error"] = r["opening"] - r["truth_opening"]
    fast = [r for r in opened if r["rate_hz"] >= 50]
    slow = [r for r in opened if r["rate_hz"] == 10]
    print(f"opening, 50 Hz and more     {_spread(_of(fast, 'opening_error'), ' kPa')}")
    print(f"opening, 10 Hz              {_spread(_of(slow, 'opening_error'), ' kPa')}")
    for name, group in (("10 Hz", slow), ("50 Hz+", fast)):
        inside = sum(abs(r["opening_error"]) <= 2 * r["opening_u"] for r in group if r["opening_u"])
        print(f"opening inside 2u, {name:6s}   {_share(inside, len(group))}")
    never = [r for r in rows if r["test"] == "cap" and r["truth_opening"] is None and not r["error"]]
    made_up = [r for r in never if r.get("opening") is not None]
    print(f"openings invented           {_share(len(made_up), len(never))} {[r['seed'] for r in made_up]}")
    truly = [r for r in rows if r["truth_opening"] is not None and not r["error"]
             and r["category"] != "odd-pinned"]  # opens above what the gauge reads
    missed = [r for r in truly if r.get("opening") is None]
    print(f"openings missed             {_share(len(missed), len(truly))} {[r['seed'] for r in missed[:12]]}")
    sound = [r for r in pumped if r["category"] not in ("odd-pinned", "odd-wire")]
    print(f"peak                        {_spread(_of(sound, 'peak_error'), ' kPa')}")
    strokes = _of(sound, "strokes_error")
    print(f"strokes exact               {_share(int((strokes == 0).sum()), len(strokes))}; "
          f"within 1 {_share(int((abs(strokes) <= 1).sum()), len(strokes))}")
    plain = [r for r in rows if r["steady"] and not r["top_up"] and r["category"] != "cap-open"]
    print(f"hold start                  {_spread(_of(plain, 'start_error'), ' s')}")
    print(f"hold end                    {_spread(_of(plain, 'end_error'), ' s')}")
    lost = [r["seed"] for r in plain if not r["error"] and r.get("rate") is None]
    print(f"hold not found              {len(lost)} of {len(plain)} {lost[:12]}")


def rates(rows: list[Row]) -> None:
    """Rate error against the bound, and whether the stated interval covers."""
    plain = [r for r in rows if r["steady"] and not r["top_up"] and r.get("rate") is not None
             and r["category"] != "cap-open" and r["hold_s"] >= 10]
    groups: list[tuple[str, Callable[[Row], bool]]] = [
        ("all", lambda r: True), ("cap", lambda r: r["test"] == "cap"),
        ("system", lambda r: r["test"] == "system"), ("10 Hz", lambda r: r["rate_hz"] == 10),
        ("50 Hz+", lambda r: r["rate_hz"] >= 50), ("step > noise", lambda r: r["step_over_noise"] > 1),
        ("white noise", lambda r: not (r["correlated"] or r["hum"] or r["spikes"])),
        ("correlated", lambda r: bool(r["correlated"])), ("hum", lambda r: bool(r["hum"])),
        ("spikes, knocks", lambda r: bool(r["spikes"])), ("hold < 60 s", lambda r: r["hold_s"] < 60),
    ]
    groups += [(c, lambda r, c=c: r["category"] == c)  # type: ignore[misc]
               for c in sorted({r["category"] for r in plain})]
    print("rate, kPa/min          n   |err|med   95th   |err|/bound med   rms  u/bound med  inside 2u")
    for name, wanted in groups:
        group = [r for r in plain if wanted(r)]
        if not group:
            continue
        error, crb, u = (_of(group, k) for k in ("rate_error", "crb", "rate_u"))
        ratio = np.abs(error) / crb
        cover = ratio * crb <= 2 * u if len(u) == len(error) else np.array([np.nan])
        print(f"  {name:18s} {len(group):4d} {np.median(abs(error)):9.4f} {np.percentile(abs(error), 95):8.3f}"
              f" {np.median(ratio):12.2f} {np.sqrt(np.mean(ratio**2)):11.2f} {np.median(u / crb):9.2f}"
              f" {100 * np.mean(cover):11.1f} %")
    big = [r for r in plain if r["test"] == "system" and r["truth_rate"] >= 0.35 and r["hold_s"] >= 60]
    for name, low, high in (("0.35 to 0.7", 0.35, 0.7), ("above 0.7", 0.7, 1e9)):
        group = [r for r in big if low <= r["truth_rate"] < high]
        seen = sum(r["rate"] - 2 * (r["rate_u"] or 0) > 0 for r in group)
        print(f"leak of {name:12s} seen above nothing {_share(seen, len(group))}")
    tight = [r for r in plain if r["truth_rate"] < 1e-3 and r["test"] == "system"]
    false = [r["seed"] for r in tight if r["rate"] - 2 * (r["rate_u"] or 0) > 0]
    print(f"tight systems said to fall  {_share(len(false), len(tight))} {false[:12]}")


def early(rows: list[Row]) -> None:
    """The early answer: how often, when, and how often wrong (Wald's design: 1 % each way)."""
    for test, allowed in (("system", SYSTEM_FALL), ("cap", CAP_FALL)):
        plain = [r for r in rows if r["steady"] and not r["top_up"] and r["test"] == test and not r["error"]
                 and r["category"] != "cap-open" and r["hold_s"] >= SHORTEST_HOLD_S[test]]
        said = [r for r in plain if r.get("early")]
        when = _of(said, "early_s")
        print(f"early answer, {test:6s}        {_share(len(said), len(plain))}; "
              f"median at {np.median(when) if len(when) else 0:.0f} s of the hold")
        sound = [r for r in said if r["truth_rate"] <= 1e-3]
        alarms = [r["seed"] for r in sound if r["early"] == "leak"]
        leaks = [r for r in said if r["truth_rate"] >= 2 * allowed]
        missed = [r["seed"] for r in leaks if r["early"] == "tight"]
        print(f"    tight, called leaking   {_share(len(alarms), len(sound))} {alarms[:12]}")
        print(f"    twice what matters or more, called tight {_share(len(missed), len(leaks))} {missed[:12]}")


def spaces(rows: list[Row]) -> None:
    """Headspace and leak flow where the stroke volume is known."""
    plain = [r for r in rows if r["steady"] and r["category"] != "cap-open"]
    for test in ("system", "cap"):
        group = [r for r in plain if r["test"] == test]
        print(f"headspace, {test:6s}           {_spread(_of(group, 'space_error'), ' %', 100)}")
        print(f"leak flow, {test:6s}           {_spread(_of(group, 'flow_error'), ' %', 100)}")
    known = [r for r in plain if r.get("space_u")]
    print("headspace inside 2u         "
          + _share(sum(abs(r["space_error"]) <= 2 * r["space_u"] for r in known), len(known)))


def worst(rows: list[Row], k: int) -> None:
    """The k worst scenes of each measure, with a seed each to replay them."""
    plain = [r for r in rows if r["steady"] and not r["top_up"] and r["category"] != "cap-open"]
    for r in plain:
        if r.get("rate_error") is not None:
            r["rate_over_bound"] = r["rate_error"] / r["crb"]
            r["rate_over_u"] = r["rate_error"] / r["rate_u"] if r["rate_u"] else None
    for key in ("opening_error", "peak_error", "strokes_error", "start_error", "end_error", "rate_error",
                "rate_over_bound", "rate_over_u", "space_error", "wall_s"):
        group = sorted((r for r in plain if r.get(key) is not None), key=lambda r: -abs(r[key]))[:k]
        print(f"worst {key}: " + ", ".join(
            f"{r['seed']} ({r['category']}, {r['rate_hz']:g} Hz) {r[key]:+.4g}" for r in group))


def replay(seed: int) -> None:
    """The scene, its truth, and the judgement."""
    scene = rig.scene_of(seed)
    trace = rig.simulate(scene)
    print(scene)
    truth = asdict(trace.truth)
    for name, value in truth.items():
        print(f"  {name:24s} {value}")
    print(json.dumps(judged(trace), indent=1, default=str))


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    ask.add_argument("--n", type=int, default=200)
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument("--jobs", type=int, default=2)
    ask.add_argument("--category", default="", help="only classes whose name contains this")
    ask.add_argument("--way", choices=("feed", "two", "full"), default="feed",
                     help="feed the analyser, or go by a recording of two or of all columns")
    ask.add_argument("--worst", type=int, default=0, metavar="K")
    ask.add_argument("--json", default="", metavar="FILE", help="keep the rows, one JSON object a line")
    ask.add_argument("--replay", type=int, metavar="SEED")
    given = ask.parse_args()
    if given.replay is not None:
        replay(given.replay)
        return
    scenes = [s for s in rig.population(given.n, given.seed) if given.category in s.category]
    began = time.perf_counter()
    one = partial(score, way=given.way)
    if given.jobs > 1:
        with ProcessPoolExecutor(given.jobs) as pool:
            rows = list(pool.map(one, scenes, chunksize=4))
    else:
        rows = [one(s) for s in scenes]
    print(f"{len(rows)} scenes, population seed {given.seed}, {time.perf_counter() - began:.1f} s")
    broken = [r for r in rows if r["error"]]
    print(f"errors                      {len(broken)}")
    for r in broken[:10]:
        print(f"    {r['seed']} {r['category']}: {r['error']}")
    outcomes(rows)
    pressures(rows)
    rates(rows)
    early(rows)
    spaces(rows)
    wall = _of(rows, "wall_s")
    print(f"wall time per judgement     median {np.median(wall):.3f} s, worst {wall.max():.3f} s; "
          f"{_of(rows, 'samples').sum() / wall.sum():.3g} samples/s")
    if given.worst:
        worst(rows, given.worst)
    if given.json:
        with open(given.json, "w", encoding="utf-8") as file:  # noqa: PTH123
            file.writelines(json.dumps(r) + "\n" for r in rows)


if __name__ == "__main__":
    main()
