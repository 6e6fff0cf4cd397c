"""What relief looks like whatever law the valve follows: strokes that fall back, and strokes that reach one ceiling."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.strokes import Stroke
from recorder.analysis.trace.filters import STEP_TO_SD, median, normal_sd, quantile
from recorder.analysis.trace.signal import Prepared

if TYPE_CHECKING:
    from recorder.model import FloatArray

__all__ = ["LOOK_S", "Top", "ceiling", "fell_back", "never_seals", "shut_at_last", "tops"]

# where no source is named beside a number: common practice, no source
SURE = 4.0  # standard deviations
WAIT_S = 0.5  # after a stroke: what a relieving valve lets out is out
HELD_S = 3.0  # after the last stroke: a cap that never seals has lost most of it; common practice, no source
STILL_S = 2.0  # and after HELD_S for so long: what stays meanwhile is held
LOOK_S = 0.6  # after the top: a valve that closes does so within some tenths of a second
LAG_S = 0.02  # a valve that snaps open takes about so long; common practice, no source
COOLS, COOLS_U = 0.29, 0.1  # of a stroke: what cooling air gives back, 1 - 1/gamma at most, and what hoses do
SLUGGISH = 0.3  # of half of the fall's time, by which a valve may have been late to open; no source
LAST = 5  # strokes: how the pressure falls between them
TAKES = 0.6  # of what a stroke brings: so much a leak takes until the next one where it never seals
FALLEN_TO, GOES_ON = 0.7, 0.6  # of the pressure between strokes, of the rate of that fall; common practice, no source
# what shut at last: so long after the last stroke, at most, the fall is looked at over so long; it is by so much slower
# than that of the steepest leak there is, which goes with the square of the pressure; common practice, no source
LATER_S, OVER_S, SLOWER = 20.0, 3.0, 0.2
LEFT = 0.15  # of the top: less may be what a leak leaves
TOP_BIAS, TOP_SPREAD = 1.2, 0.6  # standard deviations by which the highest of some ten readings is too high; spread


@dataclass(frozen=True, slots=True, eq=False)
class Top:
    """The top of a stroke: its number, pressure with the noise taken out and its standard uncertainty (kPa), when (s);
    how steeply the pressure rose before (kPa/s); the lowest pressure after it (kPa), when it was nearly there (s); how
    long it took to be half way there (s)."""

    stroke: int
    kpa: float
    u: float
    at_s: float
    rate: float
    low_kpa: float
    low_s: float
    half_s: float = 0.0

    def onset(self, dt_s: float) -> tuple[float, float]:
        """Pressure (kPa) at which a valve opened that then let out far more than the pump brought in, and its standard
        uncertainty: the top, less what the valve's lag lets it rise; between two readings it may have been higher."""
        late = self.rate * LAG_S
        # one that takes its time to let out may have taken it to open
        slow = SLUGGISH * self.rate * max(self.half_s - dt_s - LAG_S, 0.0)
        return self.kpa - late / 2, math.hypot(self.u, late, self.rate * dt_s / 2, slow)


def fell_back(x: Prepared, strokes: Sequence[Stroke], level: FloatArray) -> dict[int, float]:
    """Strokes after which more was gone than the cooling of compressed air explains, by what the strokes before show,
    and how much more (kPa).

    level: pressure (kPa) some time after each stroke.
    """
    rise = np.array([s.rise_kpa for s in strokes])
    fell = np.array([s.top_kpa for s in strokes]) - level
    noise = x.sd_kpa / math.sqrt(max(0.1 / x.dt_s, 1.0)) + 0.5 * x.step_kpa
    out: dict[int, float] = {}
    usual = median(rise)
    for j in range(1, len(strokes)):
        before = [i for i in range(max(j - 8, 0), j) if i not in out and rise[i] > 0.3 * usual]
        share, spread = COOLS, COOLS_U
        if len(before) > 1:
            shares = fell[before] / rise[before]
            share = median(shares)
            spread = normal_sd(shares - share) + 0.04
        excess = fell[j] - max(share, 0.0) * max(rise[j], 0.0)
        if excess > SURE * math.hypot(spread * max(rise[j], 0.0), noise) + 0.02 * usual:
            out[j] = float(excess)
    return out


def tops(x: Prepared, strokes: Sequence[Stroke], which: Iterable[int], end_s: float) -> list[Top]:
    """The tops of the strokes ``which``, where readings show them."""
    return [top for j in which if (top := _top(x, strokes, j, end_s)) is not None]


def _top(x: Prepared, strokes: Sequence[Stroke], j: int, end_s: float) -> Top | None:
    s = strokes[j]
    until = min(strokes[j + 1].start_s if j + 1 < len(strokes) else end_s, s.end_s + LOOK_S)
    a, b = np.searchsorted(x.t, [s.start_s - 0.5 * x.dt_s, until])
    if b - a < 4:
        return None
    t, p = x.t[a:b], x.p[a:b]
    k = int(np.argmax(p))
    if k < 1 or k > len(p) - 2:
        return None
    top = float(p[k]) - TOP_BIAS * x.sd_kpa
    low = min(float(np.min(p[k:])) + TOP_BIAS * x.sd_kpa, top)
    rate = max(float(np.max(x.slope[a : a + k + 1])), 0.0)
    shut = k + int(np.argmax(p[k:] <= low + 0.1 * (top - low)))
    u = math.hypot(TOP_SPREAD * x.sd_kpa, x.step_kpa / STEP_TO_SD, 0.05)
    half = k + int(np.argmax(p[k:] <= low + 0.5 * (top - low)))
    return Top(j, top, u, float(t[k]), rate, low, float(t[shut]), float(t[half] - t[k]))


def ceiling(found: Sequence[Top], rises_kpa: Sequence[float], usual_kpa: float) -> float:
    """Log likelihood ratio of strokes that all reach one pressure against such as bring anything up to twice
    their rise or a usual one, whichever is more.

    rises_kpa: of the same strokes. Only the run of strokes at the ceiling is looked at.
    """
    if len(found) < 2:
        return 0.0
    height = median([top.kpa for top in found])
    out, first = 0.0, True
    for top, rise in zip(found, rises_kpa, strict=True):
        sd = math.sqrt(2.0) * top.u
        if abs(top.kpa - height) > SURE * sd or rise < 2.0 * sd:
            continue
        if not first:  # the first one makes the ceiling
            off = (top.kpa - height) / sd
            might = max(2.0 * rise, usual_kpa)
            out += max(math.log(might / (math.sqrt(2.0 * math.pi) * sd)) - 0.5 * off**2, -1.0)
        first = False
    return out


def never_seals(x: Prepared, strokes: Sequence[Stroke], end_s: float) -> bool:
    """Whether the pressure went on falling after the last stroke as it fell before each of the last ones.

    What leaks as fast as the pump brings makes a ceiling as a valve does. But a valve shuts, and with it the fall ends;
    a leak only slows down, as a power of the pressure.
    """
    if len(strokes) < LAST:
        return False
    last = strokes[-LAST:]
    rates, lows = [], []
    for a, b in pairwise(last):
        long = 0.5 * (b.start_s - a.end_s)
        if long < 2.0 * x.dt_s:
            continue
        p = np.interp([b.start_s - long, b.start_s], x.t, x.smooth)
        rates.append(float(p[0] - p[1]) / long)
        lows.append(float(p[1]))
    if len(rates) < 2:
        return False
    rate, low = median(rates), median(lows)
    pace = median(np.diff([s.start_s for s in last]))
    # what it takes until the next one, of what strokes bring where no valve cuts them short
    if rate * pace < TAKES * quantile([s.rise_kpa for s in strokes], 0.75):
        return False
    lo, hi = np.searchsorted(x.t, [strokes[-1].end_s, end_s])
    t, p = x.t[lo:hi], x.smooth[lo:hi]
    above, still = np.flatnonzero(p > low), np.flatnonzero(p > FALLEN_TO * low)
    if not len(above) or not len(still) or len(still) == len(p):
        return False  # where nothing is left at once it was let go, or came off
    took = float(t[still[-1]] - t[above[-1]])
    # the mean over the fall of (p / low)^2, the steepest law there is, is about that of its middle
    return (1.0 - FALLEN_TO) * low > GOES_ON * rate * (0.5 + 0.5 * FALLEN_TO) ** 2 * took


def shut_at_last(x: Prepared, last: Stroke, end_s: float) -> bool:
    """Whether what fell after the last stroke later stands, as no leak would that only gets slower with the pressure:
    a valve so slow that it took seconds to let out what the strokes had brought in."""
    later_s = min(last.end_s + LATER_S, end_s - WAIT_S)
    if later_s - OVER_S < last.end_s + HELD_S + WAIT_S:
        return False
    at = [last.end_s, last.end_s + HELD_S, later_s - OVER_S, later_s]
    top, soon, before, left = (float(p) for p in np.interp(at, x.t, x.smooth))
    slowest = (top - soon) / HELD_S * (left / top) ** 2
    return left > LEFT * last.top_kpa and (before - left) / OVER_S < SLOWER * slowest
