"""Fit, marginal or unfit: the bounds of what an adapter may be, and every reason in words. Pure."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from recorder.digits import significant
from recorder.errors import RunError
from recorder.limit_table import MATTERS_KPA_PER_MIN

if TYPE_CHECKING:
    from recorder.model import FloatArray, IntArray

__all__ = [
    "FEWEST", "HOLD_S", "MATTERS_KPA_PER_MIN", "Verdict", "changed_kpa", "enough", "graded", "lost_hint", "scale_hint",
    "supply_hint",
]

Verdict = Literal["fit", "marginal", "unfit"]

HOLD_S = 120.0
FEWEST = 100
_DRIFTS_KPA_PER_MIN = 0.1  # clear of its uncertainty; common practice, no source
# Of the fall that matters: with so much more and more of the leaks of twice that are undecided (docs/adapter.md).
_WANDERS_SHARE = 0.3
_FULL_SCALES = (255, 1023, 4095, 16383, 65535)  # of 8, 10, 12, 14 and 16 bits
_ZERO_RATIOS = (0.09, 0.11)  # where a 10 to 90 % sensor stands open to the air, give or take its maker's limits
# The same, so far off that another supply or a divider is likelier than the sensor; and what no such slip of 5 V and
# 3.3 V makes of it. Common practice, no source.
_ZERO_NOTED, _ZERO_SLIPS = (0.08, 0.12), (0.03, 0.20)
_MOVED_KPA = 5.0  # within minutes: no sensor that warms up does so much; common practice, no source
_STRETCHES = 20  # of the time it is listened to: enough for a pump stroke to show, and some samples in each
_AIR_KPA = (80.0, 106.0)  # from 2000 m up to a high at sea level; standard atmosphere, ISO 2533 (from memory)
# Of a reading with the hose open, clear of its uncertainty: so much more is no sensor's offset, but another sensor's
# calibration, an absolute sensor, or pressure that was left on. Common practice, no source.
_ZERO_KPA = 10.0


def _times(n: float) -> str:
    return "once" if n == 1 else f"{n:.0f} times"


def enough(samples: int, seconds: float, restarts: int = 0) -> None:
    """RunError with fewer samples in a row than can be judged. seconds: how long they took, or all that came."""
    if samples >= FEWEST:
        return
    what = f"{samples} samples in a row are too few to judge an adapter, {FEWEST} are needed"
    if restarts:
        raise RunError(what, do=f"see why it restarts: it did so {_times(restarts)} in {seconds:.0f} s")
    if samples < 2 or seconds <= 0:
        raise RunError(what, do="let it run longer")
    more = math.ceil((FEWEST - samples) * seconds / (samples - 1)) + 1
    raise RunError(what, do=f"let it run about {more} s more, {math.ceil(seconds) + more} s in all")


def lost_hint(steps: IntArray) -> str:
    """What to add where the sequence goes up by the same number nearly every time, and not by one."""
    values, times = np.unique(steps, return_counts=True)
    most = int(values[np.argmax(times)])
    if most < 2 or times.max() < 0.9 * len(steps):
        return ""
    return f": its sequence goes up by {most} each time, so it counts something else than samples, or sends few of them"


def changed_kpa(p: FloatArray, white_kpa: float) -> float:
    """By how much pressures ``p`` (kPa, 100 or more) changed from one twentieth of their time to another; 0 where it is
    no more than a sensor may by itself, or white noise of ``white_kpa`` by chance."""
    parts = np.array_split(p, _STRETCHES)
    change = float(np.ptp([np.median(part) for part in parts]))
    # a median scatters by sqrt(pi / 2) of what a mean does; twenty of normal noise span 8 standard deviations never
    chance = 8.0 * math.sqrt(math.pi / 2 / (len(p) // _STRETCHES)) * white_kpa
    return change if change > max(_MOVED_KPA, chance) else 0.0


def scale_hint(counts: float, scale: int) -> str:
    """Which full scale would make a reading (mean counts, hose open) right where the one announced, ``scale``, does
    not; empty where none of a usual converter does."""
    for other in _FULL_SCALES:
        if other != scale and _ZERO_RATIOS[0] < counts / other < _ZERO_RATIOS[1]:
            return (f"{counts:.0f} counts would be right for a full scale of {other}, and it announces {scale}: "
                    "announce the largest count of the converter as it is set up")
    return ""


def supply_hint(ratio: float) -> str:
    """What else may be wrong where a 10 to 90 % sensor at its maker's word stands at ``ratio`` of full scale with the
    hose open; empty where nothing need be. Its zero is taken out of a test, and what its pressures are wrong by is
    not."""
    if _ZERO_NOTED[0] <= ratio <= _ZERO_NOTED[1] or not _ZERO_SLIPS[0] <= ratio <= _ZERO_SLIPS[1]:
        return ""
    wrong = ratio / 0.1 - 1
    first = "is the hose open? " if wrong > 0 else ""
    return (f"{first}its counts are {ratio:.1%} of full scale with the hose open, and a 10 to 90 % sensor gives 10 %; "
            "with a divider before one pin only, or another supply for the sensor than for the converter (5 V and "
            f"3.3 V), every pressure reads {abs(wrong):.0%} too {'high' if wrong > 0 else 'low'}: hold one pressure "
            "against the pump's own gauge, then calibrate")


def zero_hint(zero_kpa: float, within_kpa: float = 0.0) -> str:
    """Why a reading may be off with the hose open, as far as it can be recognised. within_kpa: by how much it may be
    off anyhow."""
    within_kpa = min(within_kpa, _ZERO_KPA)
    if _AIR_KPA[0] - within_kpa < zero_kpa < _AIR_KPA[1] + within_kpa:
        return "so much is the air's own pressure, as an absolute sensor reads it; a gauge (vented) one is needed"
    return "is the hose open, is the calibration this sensor's?"


def graded(r: Mapping[str, Any], nominal_hz: float) -> tuple[Verdict, tuple[str, ...]]:
    """Fit, marginal or unfit, with every reason that is not 'fit'. Bounds: common practice, no source.

    r: a report's fields, and what only the reasons tell; one that is not there is not known and gives no reason."""
    worst, reasons = 0, []
    for value, marginal, unfit, text in _rules(defaultdict(float, r), nominal_hz):
        grade = 2 if value > unfit else 1 if value > marginal else 0
        worst = max(worst, grade)
        if grade:
            reasons.append(text)
    names: tuple[Verdict, Verdict, Verdict] = ("fit", "marginal", "unfit")
    return names[worst], tuple(reasons)


def _rules(r: Mapping[str, Any], nominal_hz: float) -> Sequence[tuple[float, float, float, str]]:
    """Each a value, above what it is marginal and above what unfit, and the reason that it is then."""
    lines = r["samples"] + r["failed_checks"]
    moved = r["changed_kpa"] > 0 and not r["pinned"]
    still = float(not moved)  # what was moved by hand says nothing of the sensor
    may_be_off = 2 * (r["zero_u_kpa"] or 1.0) + 1.0
    zero_off = max(abs(r["zero_kpa"]) - may_be_off, 0.0)
    drift = abs(r["drift_kpa_per_min"]) - 2 * r["drift_u_kpa_per_min"]
    wanders = r["wander_fall_kpa"] * float(drift <= _DRIFTS_KPA_PER_MIN)  # one that drifts is to warm up first
    matters_kpa = MATTERS_KPA_PER_MIN * HOLD_S / 60.0
    frozen = r["frozen"] and not r["pinned"]
    return (
        (3.0 * moved, 0.5, 2.0,
         f"the pressure changed by {significant(r['changed_kpa'], 2)} kPa while it was listened to: leave the hose "
         "open and still"),
        (still * r["smallest_fall_kpa_per_min"], MATTERS_KPA_PER_MIN, 2 * MATTERS_KPA_PER_MIN,
         f"the smallest fall it can tell in two minutes is {significant(r['smallest_fall_kpa'], 2)} kPa, "
         f"and {matters_kpa:g} kPa matters"),
        (still * wanders, _WANDERS_SHARE * matters_kpa, math.inf,
         f"its reading wanders by {significant(r['wander_kpa'], 2)} kPa from one {r['wander_s']:.0f} s to the next "
         f"(white noise alone: {significant(r['wander_white_kpa'], 1)} kPa): of leaks of {2 * matters_kpa:g} kPa in "
         f"two minutes many will be undecided ({matters_kpa:g} kPa matters); look at plugs, sense wire and supply, "
         "let it warm up"),
        (1.0 / r["rate_hz"], 1 / 8.0, 1 / 2.0,
         f"its rate is only {significant(r['rate_hz'], 3)} a second, 8 or more are wanted"),
        (r["lost_fraction"], 0.01, 0.10,
         f"{r['lost_fraction']:.1%} of the samples were lost on the way" + (r["lost_hint"] or "")),
        (r["failed_checks"] / max(lines, 1), 0.01, 0.05, f"{r['failed_checks']} lines failed their check"),
        (float(r["faults"] > 0), 0.5, 0.5,
         f"the adapter reported a fault {_times(r['faults'])}: check the sensor's wires"),
        (r["over"] / r["samples"], 0.0, 0.01,
         f"its counts go up to {r['highest']:.0f}, and it announces {r['scale']:.0f} as full scale: announce the "
         "largest count that can be sent"),
        (r["supply_over"] / r["samples"], 0.0, math.inf,
         f"its supply counts are above the {r['scale']:.0f} that it announces as full scale: they are counts of the "
         "same converter, not millivolts"),
        ((r["pinned"] - r["over"]) / r["samples"], 0.0, 0.01,
         f"{r['pinned'] - r['over']:.0f} readings stood at an end of the range: check wires"),
        (float(frozen), 0.5, math.inf,
         "the reading never moved by a single count: pump once to see whether it follows; where it does, its noise is "
         "hidden by the size of a count"),
        (float(r["restarts"]), 0.5, 2.5, f"it restarted {_times(r['restarts'])}: check its supply"),
        (float(r["turned_over"]), 0.5, 2.5, str(r["told"])),
        (still * zero_off * (math.inf if r["scale_hint"] and zero_off else 1.0), 0.0, _ZERO_KPA,
         f"open to air it reads {r['zero_kpa']:.1f} kPa: "
         f"{r['scale_hint'] or r['zero_hint'] or zero_hint(r['zero_kpa'], may_be_off)}"),
        (still * drift, _DRIFTS_KPA_PER_MIN, MATTERS_KPA_PER_MIN,
         f"open to air it drifts {significant(r['drift_kpa_per_min'], 2, sign=True)} kPa/min: let it warm up"),
        (abs(r["rate_hz"] / nominal_hz - 1) if nominal_hz > 0 else 0.0, 0.05, math.inf,
         f"it sends {significant(r['rate_hz'], 4)} samples a second and announces {nominal_hz:g}"),
        (abs(r["clock_error_ppm"] or 0.0) - 2 * (r["clock_error_u_ppm"] or 0.0), 1000.0, 20000.0,
         f"its clock is {_off(r['clock_error_ppm'] or 0.0)}"),
        (float(r["nameless"]), 0.5, math.inf,
         "it never announced itself: its full scale was given, its name and its rate are not known"),
    )


def _off(ppm: float) -> str:
    """How far a clock is off; positive where it is slow."""
    if abs(ppm) < 10_000:
        return f"{ppm:+.0f} ppm off"
    return f"{abs(ppm) / 1e4:.1f} % too {'slow' if ppm > 0 else 'fast'}"
