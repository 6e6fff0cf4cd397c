"""The onset that a fit, the tops or the levels show, with its uncertainty: what no model of strokes and valves is sure
of is added here, and what was held before and after bounds it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.opening.closed import Response
from recorder.analysis.opening.relief import HELD_S, LOOK_S, STILL_S, WAIT_S, Top
from recorder.analysis.opening.slow_valve import SlowValve
from recorder.analysis.opening.valve import ValveFit
from recorder.analysis.strokes import Stroke
from recorder.analysis.trace.filters import median
from recorder.analysis.trace.normal import normal_cdf
from recorder.analysis.trace.signal import COARSE_S, FINE_S, Prepared

if TYPE_CHECKING:
    from recorder.model import FloatArray

__all__ = ["Opening", "by_fit", "by_levels", "by_tops", "doubted", "opens_as", "together", "within_seen"]

# where no source is named beside a number: common practice, no source
LAW_DOUBT = 0.15  # of the distance between two laws of the valve: a real one follows neither
SHAPE_DOUBT = 0.04  # of the height from closing to the top: strokes differ, valves are not quite linear
ABOVE_DOUBT = 0.1  # of the height from the onset to the top: a stroke need not be like those before; no source
SLOW_DOUBT = 0.12  # the same where so few readings show a top that they do not show how it rose above the onset
LAG_DOUBT_S = 0.006  # of a valve's opening, between those that are tried; common practice, no source
LAG_DOUBT = 0.4  # of a longer one: they are tried at factors of some five, and any between is as likely
RESEAT_DOUBT = 0.03  # of the height from closing to the top
SHUTS_LATE = 0.15  # of a sudden fall: what of it may have gone while the valve was closing
BETWEEN = 0.3  # of what a full stroke brings between two readings
MISFITS = 4.0  # times what no law explains of the readings: so far it may shift the onset
LEAST_LEFT = 0.75  # of the uncertainty, which is no normal one in its tails
LEVEL_S = 0.1  # over which what is held is averaged
BEFORE = 3  # strokes before the one that opened it, that tell how steep a whole one is
STEEPEST = 2.0  # of a stroke that begins and ends softly, over its mean
CONTRADICT = 3.0  # standard uncertainties
KNOCK = 3.0  # standard deviations


@dataclass(frozen=True, slots=True, eq=False)
class Opening:
    """Onset (kPa, standard uncertainty, s), the stroke that showed it, and the reseat (kPa, u, s) where seen. until_s:
    when what it was pumped up to was let go, where that is known. earlier: what it opened at before, each time with
    all of the pressure let go in between."""

    onset_kpa: float
    onset_u: float
    onset_s: float
    stroke: int
    reseat_kpa: float | None
    reseat_u: float
    reseat_s: float
    until_s: float = math.inf
    earlier: tuple[Opening, ...] = ()


def by_fit(
    x: Prepared, strokes: Sequence[Stroke], near: Sequence[int], response: Response, fit: ValveFit, usual: float
) -> Opening:
    k = next((j for j in near[::-1] if strokes[j].start_s - 0.1 <= fit.opened_s), near[0])
    over = fit.top_kpa - fit.close_kpa
    # how far a full stroke moves the pressure from one reading to the next
    between = usual * min(x.dt_s / max(response.length_s, x.dt_s), 1.0)
    # a valve lags by some milliseconds, so it is seen to open and to close late
    last, met = strokes[near[-1]], strokes[k]
    steep = 2.0 * max(usual / max(response.length_s, x.dt_s), met.rise_kpa / max(met.end_s - met.start_s, x.dt_s))
    after = x.slope[(x.t > last.start_s) & (x.t < last.end_s + LOOK_S)]
    drops = max(-float(np.min(after)), 0.0) if len(after) else 0.0
    # what no law explains leaves the onset anywhere up to the top
    beyond = min(min(fit.unexplained, 1.0) * max(fit.top_kpa - fit.open_kpa, 0.0), MISFITS * fit.misfit_kpa)
    doubt = math.hypot(LAW_DOUBT * fit.apart_kpa, SHAPE_DOUBT * max(over, 0.0), BETWEEN * between,
                       max(LAG_DOUBT_S, LAG_DOUBT * fit.lag_s) * steep, beyond)
    onset_u = min(math.hypot(fit.open_u, doubt, 0.05), 0.5 * max(over, 1.0) + fit.open_u)
    shut = fit.closed_s if math.isfinite(fit.closed_s) else strokes[near[-1]].end_s + 0.2
    return Opening(
        fit.open_kpa,
        onset_u,
        fit.opened_s,
        k,
        min(fit.close_kpa, fit.open_kpa),
        math.hypot(fit.close_u, RESEAT_DOUBT * max(over, 0.0), 2.0 * LAG_DOUBT_S * drops, 0.1),
        shut,
    )


def by_tops(x: Prepared, seen: Sequence[Top]) -> Opening:
    """Onset at the highest of the tops, each of which only seems lower, between two readings."""
    # a knock on top of a stroke stands out of what the readings may have missed of the others
    middle = median([q.kpa for q in seen])
    missed = median([math.hypot(q.u, q.rate * x.dt_s / 2) for q in seen])
    # but the first may have met a seat that stuck
    plain = [q for q in seen if q is seen[0] or q.kpa <= middle + KNOCK * missed] if len(seen) > 3 else seen
    top = max(plain, key=lambda q: q.kpa)
    first, last = seen[0], seen[-1]
    onset, u = top.onset(x.dt_s)
    scatter = float(np.std([q.kpa for q in plain], ddof=1)) if len(plain) > 1 else 0.0
    fall = last.kpa - last.low_kpa
    # a valve closes with a lag as well, and the pressure goes below where it began to close
    return Opening(
        onset,
        math.hypot(u, scatter, (SHAPE_DOUBT if x.dt_s < FINE_S else SLOW_DOUBT) * (top.kpa - top.low_kpa)),
        first.at_s,
        first.stroke,
        last.low_kpa + SHUTS_LATE * fall,
        math.hypot(last.u, SHUTS_LATE * fall),
        last.low_s,
    )


def by_levels(strokes: Sequence[Stroke], slow: SlowValve) -> Opening:
    met = next((j for j, s in enumerate(strokes) if s.end_s + WAIT_S > slow.opened_s), len(strokes) - 1)
    return Opening(
        slow.open_kpa, math.hypot(slow.open_u, 0.05), slow.opened_s, met,
        min(slow.close_kpa, slow.open_kpa), math.hypot(slow.close_u, 0.1), slow.closed_s,
    )  # fmt: skip


def opens_as(slowly: Opening, found: Opening) -> Opening:
    """One that shuts ``slowly`` and opens as it was ``found`` to."""
    return replace(slowly, onset_kpa=found.onset_kpa, onset_u=found.onset_u, onset_s=found.onset_s, stroke=found.stroke)


def together(slowly: Opening, found: Opening) -> Opening:
    """What the levels say of a slow valve and what was ``found`` by its strokes: their weighted mean. Its u is made as
    much larger as they are further apart than both uncertainties make likely (Birge 1932, Phys. Rev. 40, 207; from
    memory), and no less than theirs by their weights, for both believe the same laws. Where they contradict each other,
    the levels are believed: strokes do not show a valve that is slower than they follow one another."""
    apart, u = abs(slowly.onset_kpa - found.onset_kpa), math.hypot(slowly.onset_u, found.onset_u)
    if apart > CONTRADICT * u:
        return slowly
    share = (slowly.onset_u / u) ** 2  # of what was found
    mean = slowly.onset_kpa + share * (found.onset_kpa - slowly.onset_kpa)
    both_u = slowly.onset_u * found.onset_u / u
    least_u = share * found.onset_u + (1.0 - share) * slowly.onset_u
    return replace(opens_as(slowly, found), onset_kpa=mean, onset_u=max(both_u * apart / u, least_u))


def doubted(found: Opening, apart_kpa: float) -> Opening:
    """With half of how far apart full and eased strokes put the onset in u: a valve that lets out more and a stroke
    that brings less look much alike."""
    return replace(found, onset_u=math.hypot(found.onset_u, 0.5 * apart_kpa))


def within_seen(
    x: Prepared, strokes: Sequence[Stroke], level: FloatArray, found: Opening, end_s: float, fell: dict[int, float],
    *, sinks: bool = False,
) -> Opening:
    """The onset above what the cap held before and holds afterwards, whatever law the valve follows: moments of its
    distribution cut off there. And below what it let the pressure reach: a mean m of what lies between a and b has a
    variance of (m - a) (b - m) at most (Bhatia & Davis 2000, Am. Math. Monthly 107, 353; from memory), and where value
    +- 2u goes beyond b all the same, what is left of it has its middle for the value, a quarter of its width for u.
    sinks: before a stroke nothing was held, for the valve is slow."""
    k, sd = found.stroke, x.sd_kpa * math.sqrt(min(x.dt_s / LEVEL_S, 1.0))
    lows: list[tuple[float, float]] = []  # kPa, with standard uncertainty
    at = max(strokes[-1].end_s + HELD_S, found.reseat_s if math.isfinite(found.reseat_s) else 0.0)  # shut by then
    if at < end_s:
        soon, later = (float(q) for q in np.interp([at - STILL_S, at], x.t, x.smooth))
        lows.append((later, math.hypot(0.5 * max(soon - later, 0.0), sd, 0.05)))
    if k > 0 and k - 1 not in fell and not sinks:
        base = strokes[k].base_kpa
        lows.append((base, math.hypot(0.5 * max(float(level[k - 1]) - base, 0.0), sd, 0.05)))
    a, b = np.searchsorted(x.t, [strokes[k].start_s, strokes[-1].end_s + LOOK_S])
    if not lows or b <= a:
        return found
    slopes = [s.rise_kpa / max(s.end_s - s.start_s, x.dt_s) for s in strokes]
    # one that is cut short by what it opens looks less steep than it was
    steep = max(*slopes[k:], median(slopes[max(k - BEFORE, 0) : k + 1]))
    # no law is seen, nor the top, nor whether what stood before the next stroke was held or still sank
    if x.dt_s > COARSE_S:
        low, high = min(low for low, _ in lows), float(x.p[a:b].max()) + steep * x.dt_s
        return replace(found, onset_kpa=(low + high) / 2.0, onset_u=max(high - low, 0.0) / math.sqrt(12.0) + sd)
    # readings show a top that is a little too high for their noise, and too low where it was between two of them
    high, high_u = float(x.p[a:b].max()), math.hypot(x.sd_kpa, 0.05)
    z = np.linspace(-5.0, 5.0, 401)
    p = found.onset_kpa + z * found.onset_u
    before = np.exp(-0.5 * z * z)
    weight = before
    for low, u in lows:
        weight = weight * normal_cdf((p - low) / u)
    total = float(weight.sum())
    if total < 1e-2 * float(before.sum()):
        return found  # they contradict each other
    mean = float(weight @ p) / total
    spread = math.sqrt(float(weight @ (p - mean) ** 2) / total)
    mean = min(mean, high)
    u = math.hypot(max(spread, LEAST_LEFT * found.onset_u), ABOVE_DOUBT * (high - mean))
    lowest, highest = max(low - 2.0 * low_u for low, low_u in lows), high + 2.0 * high_u + STEEPEST * steep * x.dt_s
    if mean <= lowest:
        return found  # so do these: what is known of the bounds says nothing
    u = min(u, math.sqrt((mean - lowest) * (highest - mean)))
    least, most = mean - 2.0 * u, min(mean + 2.0 * u, highest)  # nothing opens above what was reached
    return replace(found, onset_kpa=(least + most) / 2.0, onset_u=(most - least) / 4.0)
