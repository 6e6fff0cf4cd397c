"""Examination of the analysis by a second simulator.

    python -m tests.benchmarks.second_truth --n 200 --seed 0 --show

The recordings come from ``second_scenes`` (which knows the contracts, and no line of the analysis or of the
rig), and are read and judged the public way. The table has the rows of the measures to reach.

A case is settled where an ideal observer could clearly decide: the steady fall is at least three Cramer-Rao
bounds (the larger of the two of ``second_physics.bound``) and 2 % from its limit; the opening at least 0.5 kPa,
and three standard deviations of the rise between two samples, from the band's edges, with a relief that stands
out of the noise; the hold is not short unless it proves a leak. Odd traces have to be anything but a pass.

``--folder DIR`` keeps recordings, truths and judgements there, and makes none twice; ``--show`` lists what went
wrong. "flow" compares the leak flow in mL at the hold pressure, "outside" in mL of outside air.
"""

from __future__ import annotations

import argparse
import json
import math
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from tests.benchmarks.second_scenes import ODD, make

Row = dict[str, Any]


def examine(seed: int, folder: str) -> Row:
    """Truth and judgement of one case."""
    from recorder import recording
    from recorder.analysis import judge

    kept = sorted(Path(folder).glob(f"s{seed:05d}-*.csv"))
    if kept:
        path = kept[0]
        truth = json.loads(path.with_suffix(".truth.json").read_text())
    else:
        case = make(seed)
        path = Path(folder, case.name + ".csv")
        truth = json.loads(json.dumps(case.truth))
        path.with_suffix(".truth.json").write_text(json.dumps(truth, indent=1))
        path.write_text(case.text)
    told: Any = {"error": None}
    try:
        told = judge(recording.read(path)).to_json()
    except Exception as err:  # whatever it is, it is a finding
        told = {"error": f"{type(err).__name__}: {err}"}
    path.with_suffix(".judged.json").write_text(json.dumps(told, indent=1))
    return score(path.stem, truth, told)


def ratio(value: float, uncertainty: float | None) -> float:
    return abs(value) / uncertainty if uncertainty else math.inf


def score(name: str, truth: Row, told: Row) -> Row:
    row: Row = {
        "name": name,
        "class": truth["class"],
        "rate_hz": truth["rate_hz"],
        "test": truth["test"],
        "notes": [],
    }
    if "error" in told:
        return row | {"crash": told["error"], "outcome": "error"}
    row |= {
        "outcome": told["outcome"],
        "expect": truth["expect"],
        "settled": truth["settled"],
        "odd": truth["class"] in ODD,
    }
    row["against"] = told["outcome"] in ("pass", "fail") and not row["odd"] and told["outcome"] != true_side(truth)
    row["reasons"] = [x["code"] for x in told["reasons"]]
    opening = told["opening"]
    if truth["test"] == "cap" and not row["odd"]:
        known = truth["opening_kpa"] if truth["class"] != "never-sealing" else None
        row["invented"], row["missed"] = bool(known is None and opening), bool(known is not None and not opening)
        row["relieved_kpa"] = truth["relieved_kpa"]
        row["clear"] = truth["relief_visible"]
        if known is not None and opening:
            row["opening_error"] = opening["value"] - known
            row["opening_u"] = ratio(row["opening_error"], opening["standard_uncertainty"])
    if not row["odd"]:
        row["peak_error"] = told["peak"]["value"] - truth["peak_kpa"] if told["peak"] else math.nan
        row["stroke_error"] = told["strokes"] - truth["strokes"]
        row["stroke_snr"] = truth["stroke_snr"]
    hold = told["hold"]
    row["no_hold"] = bool(truth["holds"]) and not hold and not row["odd"]
    if not hold or not truth["holds"] or row["odd"]:
        return row
    overlap = [min(h["end_s"], hold["end_s"]) - max(h["start_s"], hold["start_s"]) for h in truth["holds"]]
    true = truth["holds"][int(np.argmax(overlap))]
    row["topped"] = len(overlap) > 1
    row["start_error"], row["end_error"] = hold["start_s"] - true["start_s"], hold["end_s"] - true["end_s"]
    if truth["last_stroke_snr"] < 3:
        row["start_error"] = None  # its end is below the noise
    if true["end_kpa"] < 3.0:
        row["end_error"] = None  # it was empty before the release: nobody can tell
    row["rate_error"] = hold["rate"]["value"] - true["rate"]
    row["rate_true"], row["rate_u"] = true["rate"], ratio(row["rate_error"], hold["rate"]["standard_uncertainty"])
    row["bound"] = true["bound"]
    row["rate_bounds"] = abs(row["rate_error"]) / true["bound"]
    row["own_bounds"] = abs(row["rate_error"]) / true["own_bound"]
    if truth["stroke_volume_given"] and told["headspace"]:
        row["headspace_error"] = told["headspace"]["value"] / true["headspace_ml"] - 1
        row["headspace_u"] = ratio(
            told["headspace"]["value"] - true["headspace_ml"], told["headspace"]["standard_uncertainty"]
        )
    row["no_headspace"] = truth["stroke_volume_given"] and not told["headspace"]
    if (
        truth["stroke_volume_given"]
        and told["leak_flow"]
        and true["rate"] > max(10 * true["bound"], 10 * true["own_bound"])
    ):
        flow = told["leak_flow"]["value"]
        row["flow_error"] = flow / true["leak_flow_ml_min"] - 1
        row["outside_error"] = flow / true["leak_flow_outside_ml_min"] - 1
    return row


def true_side(truth: Row) -> str:
    """Pass or fail by the true values alone, however close to the limits."""
    mark, opening = truth["marked_kpa"], truth["opening_kpa"]
    if truth["test"] == "system":
        return "fail" if any(h["rate"] > 0.35 for h in truth["holds"]) else "pass"
    good = opening is not None and abs(opening / mark - 1) <= 0.1 and truth["class"] != "never-sealing"
    return "pass" if good and all(h["rate"] <= 7.0 for h in truth["holds"]) else "fail"


def values(rows: Iterable[Row], key: str) -> np.ndarray:
    return np.array([r[key] for r in rows if r.get(key) is not None], float)


def of(rows: Iterable[Row], test: str) -> list[Row]:
    return [r for r in rows if r["test"] == test]


def share(flags: np.ndarray) -> str:
    return f"{100 * flags.mean():.1f} % of {len(flags)}" if len(flags) else "none"


def spread(x: np.ndarray, form: str = ".2f") -> str:
    x = np.abs(x)
    return f"median {np.median(x):{form}}, 95th {np.percentile(x, 95):{form}}, n {len(x)}" if len(x) else "none"


def wide(rows: list[Row], error: str, form: str = ".2f", u: str | None = None) -> str:
    """Spread of an error, and the share within two of its standard uncertainties."""
    words = spread(values(rows, error), form)
    return words + (f"; within 2 u {share(values(rows, u) <= 2)}" if u else "")


def exact(rows: list[Row]) -> str:
    return share(values(rows, "stroke_error") == 0)


def bounds(rows: list[Row], key: str) -> str:
    """Median, and root mean square of the lower 95 %, of errors in Cramer-Rao bounds."""
    x = np.sort(values(rows, key))
    if not len(x):
        return "none"
    return f"median {np.median(x):.2f}, rms {math.sqrt(np.mean(x[: max(int(0.95 * len(x)), 1)] ** 2)):.2f}"


def table(rows: list[Row]) -> list[str]:
    good = [r for r in rows if "crash" not in r]
    plain, odd = ([r for r in good if r["odd"] == f] for f in (False, True))
    settled, open_ = ([r for r in plain if r["settled"] == f] for f in (True, False))
    right = np.array([r["outcome"] in r["expect"] for r in settled], bool)
    wrong = [r["outcome"] in ("pass", "fail") and r["outcome"] not in r["expect"] for r in settled]
    quick, slow = ([r for r in plain if (r["rate_hz"] >= 50) == f] for f in (True, False))
    ten = [r for r in plain if r["rate_hz"] <= 12.5]
    caps = of(plain, "cap")
    missed = [r for r in caps if r["missed"]]
    seen = [r for r in plain if r["stroke_snr"] > 5]
    held = [r for r in plain if "rate_error" in r]
    counts = ", ".join(
        f"{o} {sum(r['outcome'] == o for r in open_)}" for o in ("pass", "fail", "undecided", "void")
    )
    lines = {
        "cases": f"{len(rows)}, crashed {len(rows) - len(good)}",
        "settled outcomes": f"right {share(right)}; undecided or void {int((~right).sum()) - sum(wrong)}; "
        f"confident wrong {sum(wrong)}",
        "unsettled": f"{len(open_)}: {counts}; {sum(r['against'] for r in open_)} of these against the true values",
        "odd traces": f"as expected {sum(r['outcome'] in r['expect'] for r in odd)} of {len(odd)}; "
        f"passed {sum(r['outcome'] == 'pass' for r in odd)}",
        "opening >= 50 Hz": wide(quick, "opening_error", u="opening_u"),
        "opening 10, 12.5 Hz": wide(ten, "opening_error", u="opening_u"),
        "opening all < 50 Hz": wide(slow, "opening_error", u="opening_u"),
        "openings": f"invented {sum(r['invented'] for r in caps)}, missed {len(missed)} of {len(caps)} caps "
        f"({sum(r['clear'] for r in missed)} of these where the relief stands out of the noise)",
        "peak": wide(plain, "peak_error"),
        "strokes": f"exact {exact(plain)}; mean error {values(plain, 'stroke_error').mean():+.2f}",
        "   rise > 5 noises": f"exact {exact(seen)}; caps {exact(of(seen, 'cap'))}; "
        f"systems {exact(of(seen, 'system'))}",
        "hold": f"missed {sum(r['no_hold'] for r in plain)}; start {wide(held, 'start_error')}; "
        f"end {wide(held, 'end_error')}",
        "rate error / bound": f"line + settling: {bounds(held, 'rate_bounds')} (a perfect one: 0.67, 0.87); "
        f"as many exponentials as there are: {bounds(held, 'own_bounds')}",
        "rate within 2 u": share(values(held, "rate_u") <= 2),
    }
    for name in sorted({r["class"] for r in held}):
        group = [r for r in held if r["class"] == name]
        lines[f"   {name}"] = (
            f"{share(values(group, 'rate_u') <= 2)}; error {wide(group, 'rate_error', '.3f')} kPa/min; "
            f"/ bound {bounds(group, 'rate_bounds')}"
        )
    for name, limit in (("headspace", 0.05), ("flow", 0.10), ("outside", 0.10)):
        u = "headspace_u" if name == "headspace" else None
        near = share(np.abs(values(held, f"{name}_error")) <= limit)
        lines[f"{name} error"] = f"{wide(held, f'{name}_error', '.3f', u)}; within {100 * limit:.0f} %: {near}"
    lines["headspace missing"] = str(sum(r["no_headspace"] for r in held))
    return [f"{name:<22} {words}" for name, words in lines.items()]


def faults(rows: list[Row]) -> list[str]:
    """What went wrong, case by case."""
    out = []
    for r in rows:
        said = []
        if "crash" in r:
            said.append(f"CRASH {r['crash']}")
        else:
            if (r["settled"] or r["odd"]) and r["outcome"] not in r["expect"]:
                said.append(f"outcome {r['outcome']} ({', '.join(r['reasons'])}), true {'/'.join(r['expect'])}")
            if r["against"] and not r["settled"]:
                said.append(f"outcome {r['outcome']} against the true values ({', '.join(r['reasons'])})")
            said += [w for w in ("invented", "no_hold") if r.get(w)]
            if r.get("missed"):
                said.append(
                    f"opening missed, {r['relieved_kpa']:.1f} kPa relieved"
                    + ("" if r["clear"] else ", below the noise")
                )
            for key, limit in (
                ("opening_error", 1.0),
                ("peak_error", 1.0),
                ("stroke_error", 0),
                ("start_error", 0.6),
                ("end_error", 0.6),
                ("headspace_error", 0.05),
                ("flow_error", 0.10),
            ):
                if abs(r.get(key) or 0) > limit:
                    said.append(f"{key} {r[key]:+.2f}")
            if r.get("stroke_error"):
                said.append(f"(rise {r['stroke_snr']:.1f} noises)")
            for key in ("opening_u", "rate_u"):
                if r.get(key, 0) > 2:
                    said.append(
                        f"{key} {r[key]:.1f}"
                        + (
                            f" (error {r['rate_error']:+.3f}, true {r['rate_true']:.3f})"
                            if key == "rate_u"
                            else ""
                        )
                    )
        if said:
            out.append(f"{r['name']:<24} {r['rate_hz']:>5} Hz  " + "; ".join(said))
    return out


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    ask.add_argument("--n", type=int, default=200, help="0: all that is in the folder")
    ask.add_argument("--seed", type=int, default=0, help="the first case's number")
    ask.add_argument("--jobs", type=int, default=2)
    ask.add_argument("--folder", type=Path)
    ask.add_argument("--show", action="store_true", help="list what went wrong")
    given = ask.parse_args()
    with TemporaryDirectory() as scratch:
        folder = given.folder or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        seeds = (
            range(given.seed, given.seed + given.n)
            if given.n
            else sorted(int(p.name[1:6]) for p in folder.glob("s*.csv"))
        )
        with ProcessPoolExecutor(given.jobs) as pool:
            rows = list(pool.map(partial(examine, folder=str(folder)), seeds, chunksize=2))
    print("\n".join(table(rows)))
    if given.show:
        print("\n".join(["", *faults(rows)]))


if __name__ == "__main__":
    main()
