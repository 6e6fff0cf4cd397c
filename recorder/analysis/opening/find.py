"""Where a cap begins to relieve, and where it closes again; None where closed strokes explain the
trace.

The strokes before say what the next ones would do on a closed valve (``closed``). The first stroke
after which the pressure stays where it is, and those after it, are explained with a valve and
without one (``valve``): an opening is reported where the valve explains them better by far.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.opening.closed import Response, closed_response
from recorder.analysis.opening.from_shut import ENOUGH_STROKES, PAUSE_S, Fitted, Tried, from_shut
from recorder.analysis.opening.onset import (
    Opening,
    by_fit,
    by_levels,
    by_tops,
    doubted,
    opens_as,
    together,
    within_seen,
)
from recorder.analysis.opening.relief import (
    HELD_S,
    STILL_S,
    WAIT_S,
    ceiling,
    fell_back,
    never_seals,
    shut_at_last,
    tops,
)
from recorder.analysis.opening.shuts import Shut, shut_later
from recorder.analysis.opening.slow_valve import find_slow, sinks
from recorder.analysis.opening.slowly import is_slow, seat_of, shuts_at, shuts_lower, went_on
from recorder.analysis.opening.sticks import met_alone, met_first
from recorder.analysis.opening.valve import (
    ENOUGH,
    FITS,
    FITS_WELL,
    HARDLY_FITS,
    NOT_ALIKE,
    ValveFit,
    fit_valve,
)
from recorder.analysis.strokes import Stroke
from recorder.analysis.trace.filters import median, normal_sd
from recorder.analysis.trace.signal import Prepared

if TYPE_CHECKING:
    from recorder.model import FloatArray

__all__ = ["find_opening"]

# where no source is named beside a number: common practice, no source
# where nothing fell back, and only strokes that may be weaker tell: a hand ends such a one as it likes; no source
EASED_ENOUGH = 20.0
PLAINLY = 5.0  # log likelihood ratio by which strokes on the valve are eased ones, not only may be
SOMEHOW = 20.0  # log likelihood ratio of a valve whose laws fit badly, but fit: its tops alone say less; no source
BUILDS = 0.85  # of the highest level: below it strokes build up
STAYS = 0.6  # of a usual gain: a stroke that brings less may have relieved
LEAVES = 0.7  # of its top: a stroke that leaves less never sealed
TELLS_PER_S = 0.5  # 1/s: of a valve that lets out more slowly what follows a stroke within half a second tells little
PLAIN = 0.2  # of what a stroke brings: so much more gone after the strokes than air's cooling explains was let out
_WHOLE_S = 0.25  # how long a trace has to go on after a stroke that is over
_SEEN_S = 2.0  # how long a trace has to go on after the stroke that opened the cap


def _levels(x: Prepared, strokes: Sequence[Stroke], end_s: float) -> FloatArray:
    """Pressure (kPa) some time after each stroke, or just before the next."""
    until = np.array([*(s.start_s for s in strokes[1:]), end_s])
    at = np.minimum(until - 0.03, np.array([s.end_s for s in strokes]) + WAIT_S)
    back = max(0.12, 1.5 * x.dt_s)
    lo, hi = np.searchsorted(x.t, at - back), np.searchsorted(x.t, at)
    total = np.concatenate([[0.0], np.cumsum(x.p)])
    n = hi - lo
    mean = (total[hi] - total[lo]) / np.maximum(n, 1)
    return np.asarray(np.where(n > 0, mean, np.interp(at, x.t, x.p)))


def _first(strokes: Sequence[Stroke], level: FloatArray) -> tuple[int, float] | None:
    """The first stroke that may have relieved, and the usual gain of those before it (kPa)."""
    highest = float(level.max())
    gains = np.diff(level, prepend=strokes[0].base_kpa)
    building = level < BUILDS * highest
    usual = median(gains[building] if building.any() else gains[: max(len(gains) // 2, 1)])
    if usual <= 0.0 or highest < 3.0:
        return None
    k = int(np.argmax(level >= highest - STAYS * usual))
    while k + 1 < len(strokes) and strokes[k + 1].top_kpa - strokes[k].top_kpa > STAYS * usual:
        k += 1  # it went on rising
    return k, usual


def _correlation(x: Prepared, start_s: float, end_s: float) -> float:
    """How much larger the variance of 0.12 s averages is in the hold than white noise would make it."""
    pick = (x.even_t > start_s + 3.0) & (x.even_t < end_s - 0.5)
    width = max(round(0.12 / x.dt_s), 1)
    n = np.count_nonzero(pick) // width
    if n < 20 or width < 2:
        return 1.2
    means = x.even_p[pick][: n * width].reshape(n, width).mean(axis=1)
    change = np.diff(means, 2)
    seen = normal_sd(change - median(change)) / math.sqrt(6.0)
    return float(np.clip((seen * math.sqrt(width) / x.sd_kpa) ** 2, 1.0, 8.0))


def find_opening(
    x: Prepared, strokes: Sequence[Stroke], end_s: float, *, air_kpa: float, quick: bool
) -> Opening | None:
    """The opening of a cap, or None where no stroke relieved. air_kpa: outside, absolute. quick: from levels alone, for
    a view while it runs."""
    # A stroke at the very end (the recorder was killed, say) is not over: it seems to bring little.
    strokes = [stroke for stroke in strokes if end_s - stroke.end_s > _WHOLE_S]
    if not strokes:
        return None
    level = _levels(x, strokes, end_s)
    fell = {} if quick else fell_back(x, strokes, level)
    begins = _first(strokes, level)
    most_gone = bool(fell) and median(level[min(fell) :]) < 0.6 * max(s.top_kpa for s in strokes)
    if most_gone and strokes[-1].end_s + HELD_S + STILL_S > end_s:
        fell = {}  # it may never seal
    if begins is None and not fell:
        return None
    k, usual = begins or (min(fell), median([s.rise_kpa for s in strokes]))
    if not fell and level[k] < LEAVES * strokes[k].top_kpa:
        return None  # nothing is held
    sank = not _holds(x, strokes[-1], end_s) or never_seals(x, strokes, end_s)
    if sank and (quick or not shut_at_last(x, strokes[-1], end_s)):
        return None
    if k == len(strokes) - 1 and end_s - strokes[k].end_s < _SEEN_S:
        return None  # nor could it be seen to stay there
    if quick:
        return _quick(strokes, level, k, usual)
    correlated = _correlation(x, strokes[-1].end_s, end_s)
    levels = find_slow(x, strokes, end_s, correlated) if sinks(x, strokes, end_s) else None
    shuts = shuts_at(levels, max(s.top_kpa for s in strokes))
    # of what sank so far strokes tell nothing, as between them it leaked
    later = shut_later(x, strokes[-1].end_s, end_s)
    pumped = _Pumped(x, strokes, fell, usual, end_s, correlated, air_kpa, shuts, seat_of(later, strokes))
    found = None if sank else _by_strokes(pumped, k)
    if found is None and shuts is not None and not sank:
        found = _by_strokes(replace(pumped, shuts=None), k)
    slow = levels if levels is not None and is_slow(levels, found, strokes[-1]) else None
    if slow is not None:
        slowly = by_levels(strokes, slow)
        if found is not None and went_on(strokes, level, slow.open_kpa, max(found.stroke, k)):
            slowly = opens_as(slowly, found)
        elif found is not None and slow.per_s > TELLS_PER_S:
            slowly = together(slowly, found)
        found = slowly
    if found is None:
        return None
    if later is None and found.reseat_s > strokes[-1].end_s:
        later = shut_later(x, found.reseat_s, end_s)
    if later is not None and levels is not None and shuts_lower(levels, later):
        later = Shut(levels.closed_s, levels.close_kpa, levels.close_u)
    if later is not None:
        found = replace(found, reseat_s=later.at_s, reseat_kpa=min(later.kpa, found.onset_kpa), reseat_u=later.u)
    return within_seen(x, strokes, level, found, end_s, fell, sinks=slow is not None)


@dataclass(frozen=True, slots=True, eq=False)
class _Pumped:
    """What all fits to strokes share. fell: strokes after which more is gone than cooling explains (kPa); usual: the
    gain of a full stroke (kPa); correlated: as by ``_correlation``; air_kpa: outside, absolute; shuts: where the levels
    say that the valve shuts, and u (kPa)."""

    x: Prepared
    strokes: Sequence[Stroke]
    fell: dict[int, float]
    usual: float
    end_s: float
    correlated: float
    air_kpa: float
    shuts: tuple[float, float] | None
    seat: tuple[float, float] | None

    def fit(self, which: Sequence[int], before: int, *, may_ease: bool) -> Tried:
        """The valve of the strokes ``which`` (in order), those of them that were used, and what strokes before them,
        and before number ``before``, were like."""
        strokes = self.strokes
        near = [j for j in which if j == which[0] or strokes[j].start_s - strokes[j - 1].end_s < PAUSE_S]
        response = closed_response(self.x, strokes, min(near[0], before), self.air_kpa)
        return self.valve(near, response, may_ease=may_ease), near, response

    def valve(self, near: Sequence[int], response: Response, *, may_ease: bool) -> ValveFit | None:
        return fit_valve(self.x, self.strokes, near, response, self.end_s, self.correlated, may_ease=may_ease,
                         shuts=self.shuts, seat=self.seat)  # fmt: skip

    def without(self, odd: int, near: list[int], response: Response, *, may_ease: bool) -> Fitted | None:
        """The same of all strokes ``near`` but number ``odd``: something else disturbed that one, if two others let
        out as well."""
        rest = [j for j in near if j != odd]
        other = self.valve(rest, response, may_ease=may_ease)
        if other is None or other.gain < ENOUGH:
            return None
        two = sum(self.strokes[j].top_kpa > other.open_kpa for j in rest) > 1
        return (other, rest, response) if two else None

    def told(self, fit: ValveFit, k: int, *, may_ease: bool) -> bool:
        """Whether the strokes from number ``k`` show an opening, be it by all ending at one pressure."""
        if fit.gain >= (EASED_ENOUGH if may_ease and not self.fell else ENOUGH):
            return True
        if self.fell or not _stays(self.x, self.strokes[-1], self.end_s):
            return False
        one = _one_ceiling(self.x, self.strokes, k, self.end_s, self.usual)
        return fit.gain + one >= ENOUGH and (one >= ENOUGH or not may_ease)

    def onset(self, fitted: Fitted, odd: int | None, before: int, most: float, *, may_ease: bool) -> Opening:
        """What was ``fitted`` says of the onset; odd: the stroke that was left out; most: the misfit that is
        believed."""
        again = partial(self.fit, before=before, may_ease=may_ease)
        fit, near, response = from_shut(self.strokes, fitted, most, again)
        as_eased = None
        if (fit.eased or fit.misfit > NOT_ALIKE) and not may_ease:
            as_eased = self.valve(near, response, may_ease=True)
            plainly = as_eased is not None and as_eased.gain > fit.gain + PLAINLY
            if as_eased is not None and plainly and as_eased.open_u <= 0.5 * self.usual:
                fit, as_eased = as_eased, None  # eased they were
        found = by_fit(self.x, self.strokes, near, response, fit, self.usual)
        if self.shuts is None:  # before a stroke on a slow valve nothing is held: it sinks
            alone = partial(self.alone, response=response)
            found = met_first(self.strokes, self.fell, found, fit, odd, alone, only_one=len(near) == 1)
        return found if as_eased is None else doubted(found, as_eased.open_kpa - fit.open_kpa)

    def alone(self, k: int, response: Response) -> tuple[ValveFit, Opening] | None:
        """The valve of stroke ``k`` by itself, wherever it shuts, and its onset; None where that one shows none."""
        fit = fit_valve(self.x, self.strokes, [k], response, self.end_s, self.correlated)
        if fit is None or fit.gain < ENOUGH or fit.open_u > 0.5 * self.usual:
            return None
        return fit, by_fit(self.x, self.strokes, [k], response, fit, self.usual)

    def nearest(self, fits: Sequence[Fitted]) -> Opening:
        """The onset of the law that fits best, though none fits well: half of how far apart the ``fits`` are is in u.
        Where the first of the strokes by itself fits well, it may have met a seat that stuck."""
        fit, near, response = min(fits, key=lambda each: each[0].misfit)
        opens = [other.open_kpa for other, _, _ in fits]
        found = doubted(by_fit(self.x, self.strokes, near, response, fit, self.usual), max(opens) - min(opens))
        return met_alone(found, partial(self.alone, response=response))


def _by_strokes(pumped: _Pumped, k: int) -> Opening | None:
    """What the strokes at the top, from number ``k``, and those that fell back show by themselves."""
    strokes, fell, usual = pumped.strokes, pumped.fell, pumped.usual
    tries = _tries(k, list(fell), len(strokes))
    at_top = tries[0][0]
    closed = eased = False
    # what the first that let out was like says nothing of a closed valve
    high = BUILDS * max(s.top_kpa for s in strokes)
    let_out = min((j for j in fell if strokes[j].top_kpa > high), default=0)
    disturbed = let_out if let_out >= ENOUGH_STROKES else len(strokes)
    done: dict[tuple[int, ...], Tried] = {}
    for which, most, may_ease in tries:
        if may_ease and not eased:
            continue  # they are like those before
        key = (may_ease, *which)
        done[key] = done.get(key) or pumped.fit(which, disturbed, may_ease=may_ease)
        fit, near, response = done[key]
        odd = None
        if fit is not None and fit.odd is not None and fit.misfit > most:
            disturbed = min(disturbed, fit.odd)
            other = pumped.without(fit.odd, near, response, may_ease=may_ease)
            if other is not None:
                odd, (fit, near, response) = fit.odd, other
        if fit is None:
            continue
        eased = eased or (which is at_top and fit.eased)
        if fit.open_u > 0.5 * usual or fit.misfit > most:
            continue
        if pumped.told(fit, k, may_ease=may_ease):
            return pumped.onset((fit, near, response), odd, disturbed, most, may_ease=may_ease)
        closed = closed or fit.misfit < FITS_WELL
    if closed and len(fell) < 2:
        return None  # one stroke that fell back may be a knock, and a closed cap explains the rest
    # no law of a valve fits, but that it let out is plain
    seen = tops(pumped.x, strokes, fell, pumped.end_s)
    if not seen or sum(fell.values()) <= PLAIN * usual:
        return None
    somehow = [
        (fit, near, response) for fit, near, response in done.values()
        if fit is not None and fit.gain >= SOMEHOW and fit.open_u <= 0.5 * usual
    ]  # fmt: skip
    return pumped.nearest(somehow) if somehow else by_tops(pumped.x, seen)


def _tries(k: int, fell: list[int], n: int) -> list[tuple[list[int], float, bool]]:
    """Which of ``n`` strokes to fit a valve to, how badly it may fit them, and whether they may be eased ones: those at
    the top from number ``k``, and those that ``fell`` back."""
    # strokes after the last one that let out only filled up again: they do not tell where it shuts
    last = max(fell[-1], k) if fell else n - 1
    at_top = sorted({*range(k, min(k + 3, last + 1)), last})
    if not fell:
        return [(at_top, HARDLY_FITS, False), (at_top, FITS_WELL, True)]
    back = sorted({*fell[:3], fell[-1]})
    return [(at_top, FITS_WELL, False), (back, FITS, False), (at_top, FITS_WELL, True)]


def _one_ceiling(x: Prepared, strokes: Sequence[Stroke], k: int, end_s: float, usual: float) -> float:
    """Log likelihood ratio for a valve of the strokes from number ``k`` all ending at one pressure."""
    seen = tops(x, strokes, [j for j in range(k, len(strokes)) if strokes[j].rise_kpa > 0.0], end_s)
    return ceiling(seen, [strokes[top.stroke].rise_kpa for top in seen], usual)


def _holds(x: Prepared, last: Stroke, end_s: float) -> bool:
    """Whether some seconds after the last stroke more than half of the pressure is left, or a quarter that stays: a cap
    that shuts again holds it, one that never seals does not."""
    at = last.end_s + HELD_S
    if at > end_s:
        return True
    soon, later = (float(p) for p in np.interp([at, min(at + STILL_S, end_s)], x.t, x.smooth))
    stays = at + STILL_S <= end_s and soon - later < 0.03 * last.top_kpa
    return soon > 0.5 * last.top_kpa or (stays and soon > 0.25 * last.top_kpa)


def _stays(x: Prepared, last: Stroke, end_s: float) -> bool:
    """Whether the pressure stays after the last stroke: a leak as fast as the pump also makes a ceiling."""
    soon, later = last.end_s + WAIT_S, min(last.end_s + WAIT_S + 1.0, end_s)
    p = np.interp([soon, later], x.t, x.smooth)
    return float(p[0] - p[1]) < max(0.5 * last.rise_kpa, 2.0 * x.sd_kpa)


def _quick(strokes: Sequence[Stroke], level: FloatArray, k: int, usual: float) -> Opening | None:
    """Between where the pressure stays and where it peaked, once it has stayed there or fallen back clearly."""
    rest = level[k:]
    back = strokes[k].top_kpa - level[k]
    stayed = len(rest) > 1 and float(np.max(rest[1:])) - float(rest[0]) < 0.4 * usual
    before = [s.top_kpa - level[j] for j, s in enumerate(strokes[:k])][-4:]
    usual_back = median(before) if before else 0.3 * usual
    if k == 0 or not (stayed or back > usual_back + 0.25 * usual):
        return None
    top = max(s.top_kpa for s in strokes[k:])
    low = median(rest)
    u = 0.3 * max(top - low, 0.5)
    shut = strokes[-1].end_s + WAIT_S
    return Opening((low + top) / 2, u, strokes[k].end_s, k, low, u, shut)
