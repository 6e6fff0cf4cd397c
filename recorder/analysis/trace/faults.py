"""Readings that cannot be trusted: the adapter says so, or they sit at an end of the range, or stand still."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.trace.filters import median, normal_sd, quantile, running_median
from recorder.model import SAME_FAULT_S, FaultRun

if TYPE_CHECKING:
    from recorder.analysis.trace.signal import Sampling
    from recorder.model import BoolArray, Calibration, FloatArray

__all__ = [
    "AT_UPPER_END", "BEFORE_S", "NOTHING_REPORTED", "NO_PRESSURE", "Cut", "Reported", "at_scale_end", "often_reported",
    "rails_kpa", "rests_on_top", "sensor_fault", "stands_still", "usable",
]

PINNED_S = 1.0  # shorter runs of one reading are left alone
FALSE_ALARM = 1e-6  # that a sound sensor gives such a run in one recording
NEAR = 0.002  # of the range of the converter: the last count or two of ten bits
NEAR_END = 0.8  # of the converter's range: a ratiometric sensor ends at 0.9; common practice
# A 10 to 90 % sensor gives no more at the end of its scale; noise of wires and converter comes after that. So near to
# it or above, in shares of the scale, averaged over so long, for so long and so many readings, and as flat as this but
# for the noise; common practice, no source
TO_END, OVER_S, ENDS_S, ENDS_LEAST, FLAT, AS_NOISY = 0.015, 0.3, 3.0, 9, 0.001, 1.5
# A converter or a line that is held up gives one value again and again. Seconds and readings of it, at least; of the
# vented start: readings, their spread in steps of the resolution, and how many may be like the one before; under more
# than so much pressure (kPa); no source
STILL_S, STILL_LEAST, KNOWN_LEAST, MOVES, ALIKE, STILL_UNDER_KPA = 5.0, 50, 20, 1.0, 0.5, 5.0
LOW_SHARE, LOW_LEAST = 0.02, 5  # of the readings at one value far below the vented one: a wire is off
# where the converter's ends are not known: from so much on a start is no vented one, and so near to nought is what was
# let go, kPa
UNDER_PRESSURE_KPA, NOUGHT_KPA = 10.0, 2.0
# Before and after a fault's line nothing is believed: it may come half a second late, and what is smoothed comes back
# slowly. Common practice, no source.
BEFORE_S, AFTER_S = 0.5, 1.0
# A blink of a second and less is told twice a second, so over a second at most; a quarter for what is late.
LASTING_S = 1.25
MOST_TOLD = 3  # times that an adapter reports one, in one recording: then it is no blink
AT_UPPER_END = "it sits at its upper end (range exceeded or short circuit?)"
TWO_STEPS, SURELY = 1.5, 1.5  # steps that only noise jumps by; standard deviations, 3, of the root of a Poisson count
NO_PRESSURE = "fault-ratio"  # the recorder's own word: counts over supply are what no sensor gives
_OWN = {NO_PRESSURE: "the counts are above what the supply allows (sense wire or supply off?)"}


@dataclass(frozen=True, slots=True, eq=False)
class Reported:
    """What is known of faults: rows with a flag (when, s; its words), and what the adapter reported."""

    flags: tuple[tuple[float, str], ...] = ()
    runs: tuple[FaultRun, ...] = ()


NOTHING_REPORTED = Reported()


@dataclass(frozen=True, slots=True, eq=False)
class Cut:
    """A fault that lasted, or from which no reading came back: what was read from then on is not believed."""

    from_s: float
    word: str

    def __str__(self) -> str:
        what = _OWN.get(self.word, f"the adapter reports '{self.word}'")
        return f"{what} from {self.from_s:.1f} s on"


def _stretches(told: Reported) -> list[tuple[float, float, str]]:
    """From when to when (s) there was a fault, and which came first."""
    seen = [(at, at, next(w for w in words.split("+") if "fault" in w)) for at, words in told.flags if "fault" in words]
    over = {(r.time_s, r.word) for r in told.runs if r.until_s is not None}
    for r in told.runs:
        if r.until_s is not None:
            seen.append((r.time_s, max(r.until_s, r.time_s), f"fault-{r.word}"))
        elif (r.time_s, r.word) not in over:  # it lasts
            seen.append((r.time_s, math.inf, f"fault-{r.word}"))
    out: list[tuple[float, float, str]] = []
    for start, end, word in sorted(seen):
        if out and start <= out[-1][1] + SAME_FAULT_S:
            out[-1] = (out[-1][0], max(out[-1][1], end), out[-1][2])
        else:
            out.append((start, end, word))
    return out


def usable(t: FloatArray, told: Reported) -> tuple[BoolArray, Cut | None]:
    """Which readings at ``t`` (s, increasing) no fault touches, and the first fault that did not pass."""
    good = np.ones(len(t), bool)
    last = float(t[-1]) if len(t) else 0.0
    for start, end, word in _stretches(told):
        first = int(np.searchsorted(t, start - BEFORE_S))
        if end - start > LASTING_S or end + AFTER_S >= last:
            good[first:] = False
            return good, Cut(start, word)
        good[first : int(np.searchsorted(t, end + AFTER_S, "right"))] = False
    return good, None


def often_reported(told: Reported) -> str | None:
    """What is wrong where faults come again and again; None where not. Of one that lasts ``usable`` says when."""
    words = [word for _, _, word in _stretches(told) if word != NO_PRESSURE]
    return f"the adapter reports '{words[0]}'" if len(words) > MOST_TOLD else None


def rails_kpa(calibration: Calibration | None) -> tuple[float, float] | None:
    """What the ends of the converter read (kPa): nothing and full scale."""
    if calibration is None or calibration.bare or len(calibration.coefficients_kpa) < 2:
        return None
    ends = float(calibration.coefficients_kpa[0]), float(sum(calibration.coefficients_kpa))
    return ends if ends[0] != ends[1] else None


def sensor_fault(
    p: FloatArray, dt_s: float, rails: tuple[float, float] | None = None, *, vented: FloatArray | None = None,
    step_kpa: float = 0.0,
) -> str | None:
    """What is wrong with readings ``p`` (kPa) taken every ``dt_s`` s; None where nothing is seen. rails: what the ends
    of the converter read (kPa). vented, step_kpa: readings of the vented start and their resolution, which tell a
    gauge that is too coarse for its noise to be seen."""
    if rails is not None and len(p) > 20:
        away = (p - rails[0]) / (rails[1] - rails[0])  # beyond 1 where the supply is measured as well
        if float(np.mean(away < NEAR)) > 0.5:
            return "it sits at its lower end (wire broken?)"
        if _longest(away > 1.0 - NEAR) >= max(20, PINNED_S / dt_s):
            return AT_UPPER_END
    if len(p) < 21 or float(np.ptp(p)) < 5.0:
        return None
    low, high = float(np.min(p)), float(np.max(p))
    begins = median(p[: max(len(p) // 50, 3)])
    # a recording that was begun under pressure falls far below its start as well, but not to the converter's end
    if rails is None:
        at_end = begins <= UNDER_PRESSURE_KPA or low < -NOUGHT_KPA
    else:
        at_end = abs(low - rails[0]) < NEAR * abs(rails[1] - rails[0])
    lowest = int(np.count_nonzero(p < low + 1e-3))
    if at_end and low < begins - 5.0 and lowest > max(LOW_SHARE * len(p), LOW_LEAST):
        return "it sits at its lower end (wire broken?)"
    # coarse readings stand still in any quiet hold: only near the end of a sensor's range does that say anything, or
    # where its noise would have moved them
    near_end = rails is None or (high - rails[0]) / (rails[1] - rails[0]) > NEAR_END
    many = _stays_on_top(p, dt_s) if near_end else 0
    if many and (rails is not None or vented is None or len(vented) < KNOWN_LEAST
                 or _too_still(many, len(p), _stillest(vented, step_kpa))):
        return AT_UPPER_END
    rises = float(np.max(np.diff(p))) > 0.5 * (high - low) or p[0] > high - 1e-3
    if near_end and rises and float(np.mean(p > high - 1e-3)) > 0.10:
        return "it sits at its upper end (short circuit?)"
    return None


def rests_on_top(p: FloatArray, dt_s: float, rails: tuple[float, float] | None) -> bool:
    """Whether ``p`` (kPa) stays at the very same highest reading where nothing tells that from the end of the sensor's
    range: of what ends it has (``rails``, kPa) nothing is known."""
    return rails is None and len(p) > 20 and _stays_on_top(p, dt_s) > 0


def at_scale_end(
    t: FloatArray, p: FloatArray, dt_s: float, vented_end_s: float, calibration: Calibration | None
) -> str | None:
    """What is wrong with readings ``p`` (kPa, not zero-corrected) at ``t`` (s) that rest at the end of the sensor's
    scale, or beyond: what the pressure was there nobody knows, be it what a cap opened at or what was held. None where
    they do not, or the end is not known."""
    if calibration is None or calibration.scale_end_kpa is None or calibration.full_scale_kpa is None:
        return None
    scale, from_kpa = calibration.full_scale_kpa, calibration.scale_end_kpa - TO_END * calibration.full_scale_kpa
    if float(np.max(p)) < from_kpa:
        return None
    first, last = _longest_run(running_median(p, 2 * round(0.5 * OVER_S / dt_s) + 1, "reflect") > from_kpa)
    many = last - first
    if many * dt_s < ENDS_S or many < ENDS_LEAST:
        return None
    vented, rests = p[t < vented_end_s], p[first:last]
    noise = normal_sd(vented - median(vented)) if len(vented) >= 3 else 0.0
    moved = abs(float(np.mean(rests[: many // 3]) - np.mean(rests[-(many // 3) :])))
    if normal_sd(rests - median(rests)) > AS_NOISY * noise + FLAT * scale or moved > noise + FLAT * scale:
        return None
    return "it sits at its upper end (the sensor's scale ends there)"


def stands_still(
    t: FloatArray, p: FloatArray, counts: FloatArray, taken: Sampling, vented_end_s: float
) -> str | None:
    """What is wrong with readings ``p`` (kPa) at ``t`` (s) that stay one and the same under pressure for far longer
    than the noise of the vented start lets them; None where they do not, or where that noise is less than a step, as of
    a coarse gauge. counts: of the converter (NaN where not known), for the supply may move what stands still."""
    values, step = (counts, 1.0) if bool(np.isfinite(counts).all()) else (p, taken.step_kpa)
    vented = values[t < vented_end_s]
    if len(vented) < KNOWN_LEAST or step <= 0.0:
        return None
    spread = (quantile(vented, 0.84) - quantile(vented, 0.16)) / 2.0
    alike = (np.count_nonzero(np.diff(vented) == 0.0) + 1.0) / (len(vented) + 1.0)
    if spread < MOVES * step or alike > ALIKE:
        return None
    under = p[1:] > median(p[t < vented_end_s]) + STILL_UNDER_KPA
    first, last = _longest_run(under & (np.diff(values) == 0.0))
    many = last - first
    by_chance = many * math.log(alike) + math.log(len(p)) > math.log(FALSE_ALARM)
    if by_chance or many < max(STILL_LEAST, STILL_S / taken.dt_s):
        return None
    return f"it stands still from {t[first]:.1f} s on (converter or line held up?)"


def _longest(there: BoolArray) -> int:
    """Length of the longest run."""
    first, last = _longest_run(there)
    return last - first


def _longest_run(there: BoolArray) -> tuple[int, int]:
    """Where the longest run begins, and where it is over."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], there, [False]]).astype(np.int8)))
    if not len(edges):
        return 0, 0
    k = int(np.argmax(edges[1::2] - edges[::2]))
    return int(edges[2 * k]), int(edges[2 * k + 1])


def _stays_on_top(p: FloatArray, dt_s: float) -> int:
    """Length of a run of the very same highest reading longer than chance allows, by how still the other quiet readings
    are; 0 where there is none."""
    change = np.abs(np.diff(p))
    still = change < 1e-9
    top = (p[1:] > float(np.max(p)) - 1e-9) & still
    longest = _longest(top)
    if longest < max(20, PINNED_S / dt_s):
        return 0
    moved = change[~still]
    step = quantile(moved, 0.2) if len(moved) else 0.0  # the resolution, or noise
    quiet = ~top & (change < 4.0 * step + 1e-9)
    same = (np.count_nonzero(still & quiet) + 1.0) / (np.count_nonzero(quiet) + 2.0)
    return longest if _too_still(longest, len(p), same) else 0


def _too_still(many: int, of: int, alike: float) -> bool:
    """Whether ``many`` readings one after the other, among ``of``, are one and the same more often than chance lets
    them, of which a share ``alike`` is like the one before."""
    return many * math.log(alike) + math.log(of) < math.log(FALSE_ALARM)


def _stillest(vented: FloatArray, step_kpa: float) -> float:
    """The greatest share of readings that are like the one before, wherever between two steps the pressure is, by the
    noise of ``vented`` ones (kPa).

    A pressure near the middle between two steps is read there and there by any noise, however small. Jumps of two steps
    take noise that goes half a step to both sides of a reading's middle: each with a share a of the readings, they come
    with 2 a^2 at most, and there readings are alike with (1 - 2 a)^2 + 2 a^2. Of the jumps seen, three standard
    deviations are taken off (the root of a Poisson count has 1/2; Anscombe 1948).
    """
    jumps = np.count_nonzero(np.abs(np.diff(vented)) > TWO_STEPS * step_kpa)
    least = max(math.sqrt(jumps) - SURELY, 0.0) ** 2 / max(len(vented) - 1, 1)
    a = min(math.sqrt(least / 2.0), 1.0 / 3.0)  # a third each is the least alike that three steps are
    return (1.0 - 2.0 * a) ** 2 + 2.0 * a * a
