"""Which rises of the pressure are strokes: the chain of them that the trace speaks for most.

Each rise is held against noise: its height, what it leaves behind, the time since the one before against the cadence,
and the pressure gained since then. Dynamic programming finds the chain with the highest log likelihood ratio against
"no stroke". A second state of the chain lets strokes leave nothing behind: a cap relieves, until it has shut again, or
a leak takes as much as they bring.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.trace.filters import median, quantile, running_median
from recorder.analysis.trace.normal import normal_cdf

if TYPE_CHECKING:
    from recorder.model import FloatArray, IntArray

__all__ = ["Habit", "Rises", "chain", "habit_of"]

# where no source is named beside a number: common practice, no source
USUAL_CADENCE_S = 1.0  # published service manuals ask for about one push a second
LAG_S = 0.3  # from the steepest point back to before the stroke: half a slow stroke
SHORTEST_S = 0.35  # between two strokes: no hand is faster
CADENCE_SPREAD = 0.22  # of the logarithm of an interval: hands are no clocks
PAUSE_COST = 4.5  # log likelihood ratio that a stroke after a pause has to overcome
SHUT_COST = 4.0  # and one that leaves air behind again on a valve that had let out
LET_OUT_COST = 4.0  # and this on top where a relieving valve may have let it out again
BALANCE_COST = 6.0  # on a system that a leak takes all that strokes bring has to be plainer
IDLE, WEAK = 0.2, 0.5  # of what strokes bring until the next, and leave behind: a first one with less is none
MOST = 12.0  # no single look at a rise says more than this log likelihood ratio
_ROOT_2PI = math.sqrt(2.0 * math.pi)


@dataclass(frozen=True, slots=True, eq=False)
class Rises:
    """Local maxima of the slope: index, time (s), height (kPa/s), pressure before (kPa), and what
    the pressure has gained shortly after and over a longer time (kPa), and how far it goes below
    where it was within that longer time (kPa)."""

    at: IntArray
    t: FloatArray
    height: FloatArray
    before: FloatArray
    stays: FloatArray
    stays_long: FloatArray
    dips: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Habit:
    """What strokes of this trace are like: cadence (s) and its spread (of the logarithm), noise of
    slope and level; for each rise the height (kPa/s), what stays (kPa) and the gain until the next
    (kPa) of the strokes near it; and the largest height and stay of a usual stroke."""

    cadence_s: float
    spread: float
    slope_sd: float
    level_sd: float
    height: FloatArray
    stays: FloatArray
    gain: FloatArray
    top_height: float
    top_stays: float


def habit_of(
    c: Rises, strokes: IntArray, slope_sd: float, level_sd: float, cadence_s: float | None
) -> Habit:
    """What the rises numbered ``strokes`` have in common. cadence_s: about that, where it is known otherwise."""
    at, stays = c.t[strokes], c.stays[strokes]
    steps = np.diff(at)
    fit = np.flatnonzero((steps > SHORTEST_S) & (steps < 3.0))
    cadence, spread = USUAL_CADENCE_S, 2.0 * CADENCE_SPREAD
    if len(fit) >= 3:
        cadence, spread = float(np.clip(median(steps[fit]), 0.5, 2.0)), CADENCE_SPREAD
    if cadence_s is not None:
        cadence, spread = float(np.clip(cadence, 0.85 * cadence_s, 1.18 * cadence_s)), CADENCE_SPREAD

    def near(values: FloatArray, where: FloatArray) -> FloatArray:
        middle = running_median(values, min(9, 2 * len(values) - 1), "reflect")
        least = 0.1 * max(median(values), 0.0)
        return np.maximum(np.interp(c.t, where, middle), least)

    gain = near(np.diff(c.before[strokes])[fit], at[fit]) if len(fit) else near(stays, at)
    height = np.maximum(near(c.height[strokes], at), slope_sd)
    usual = np.maximum(near(stays, at), level_sd)
    tall, full = quantile(c.height[strokes], 0.9), max(quantile(stays, 0.9), level_sd)
    return Habit(cadence, spread, slope_sd, level_sd, height, usual, gain, tall, full)


def _nothing(stays: FloatArray, usual: FloatArray, sd: float) -> tuple[FloatArray, FloatArray]:
    """Likelihood of ``stays`` where there was no stroke, and of its tail, anything up to the size
    of a stroke."""
    wild = np.exp(-np.abs(stays) / usual) / (2.0 * usual)
    return 0.99 * np.exp(-0.5 * (stays / sd) ** 2) / (sd * _ROOT_2PI) + 0.01 * wild + 1e-12, wild


def _kept(stays: FloatArray, usual: FloatArray, full: float, sd: float) -> FloatArray:
    """Log likelihood ratio of what a rise leaves behind on a closed valve: the usual, or a part of
    it."""
    wide = np.hypot(0.3 * usual, sd)
    whole = np.exp(-0.5 * ((stays - usual) / wide) ** 2) / (wide * _ROOT_2PI)
    most = 1.3 * np.maximum(usual, full)
    part = normal_cdf((stays - 0.1 * usual) / sd) - normal_cdf((stays - most) / sd)
    part = np.clip(part, 0.0, 1.0) / most
    nothing, wild = _nothing(stays, usual, sd)
    kept = 0.72 * whole + 0.25 * part + np.where(stays > -2.0 * sd, 0.03, 1e-4) * wild
    return np.asarray(np.minimum(np.log(kept + 1e-12) - np.log(nothing), MOST))


def _let_out(stays: FloatArray, usual: FloatArray, sd: float) -> FloatArray:
    """Log likelihood ratio of what a rise leaves behind on a relieving valve: nothing, a part, or
    less than before."""
    wide = np.hypot(0.1 * usual, sd)
    back = np.exp(-0.5 * (stays / wide) ** 2) / (wide * _ROOT_2PI)
    some = np.where(np.abs(stays) < 1.3 * usual, 1.0 / (2.6 * usual), 1e-6 / usual)
    ratio = np.log(0.6 * some + 0.4 * back) - np.log(_nothing(stays, usual, sd)[0])
    # a closing valve also lets pressure fall
    return np.asarray(np.minimum(ratio, np.where(stays < 0.0, 0.0, MOST)))


def _ratios(c: Rises, habit: Habit) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Log likelihood ratios of each rise, stroke against none: on a closed valve, on a relieving
    one, after a pause.

    Full strokes, and eased, smaller ones, on a closed valve leave air behind; on a relieving one
    they may leave nothing.
    """
    h, mu, sd = c.height, habit.height, habit.slope_sd
    wide = np.hypot(0.25 * mu, sd)
    full = np.exp(-0.5 * ((h - mu) / wide) ** 2) / (wide * _ROOT_2PI)
    # an eased stroke is weaker and slower: any height from 1/20 of the usual one to twice it,
    # evenly by logarithm
    low, high = mu / 20.0, 2.0 * np.maximum(mu, habit.top_height)
    some = np.where(h < high, 1.0 / (np.log(high / low) * np.maximum(h, low)), 1e-9 / mu)
    some = some * np.minimum(h / low, 1.0) ** 2
    # maxima of smooth normal noise follow a Rayleigh law; knocks and the like make a tail
    noise = 0.99 * h / sd**2 * np.exp(-0.5 * (h / sd) ** 2) + 0.01 * some
    base = np.log(noise + 1e-12)
    steep = np.minimum(np.log(0.8 * full + 0.2 * some + 1e-12) - base, MOST)
    any_steep = np.minimum(np.log(0.3 * full + 0.7 * some + 1e-12) - base, MOST)
    sd = math.sqrt(2.0) * habit.level_sd
    kept = _kept(c.stays, habit.stays, habit.top_stays, sd)
    # a knock is as steep, but leaves nothing
    alone = np.where(c.stays_long > 2.0 * habit.level_sd, kept, -np.inf)
    alone = np.minimum(alone, _kept(c.stays_long, habit.stays, habit.top_stays, sd))
    let_out = _let_out(c.stays, np.maximum(habit.stays, habit.top_stays), sd)
    return steep + kept, any_steep + let_out, steep + alone


def chain(c: Rises, habit: Habit, *, may_open: bool) -> tuple[IntArray, float]:
    """The chain of rises with the highest score, and that score: strokes that leave air behind, then such as
    leave nothing."""
    closed, relieving, alone = _ratios(c, habit)
    # cadence and gain together can speak for a rise with no more than 2 and a little
    able = np.flatnonzero(np.maximum(closed, relieving) > -4.0)
    if not len(able):
        return np.zeros(0, np.int64), 0.0
    search = _Search(c, habit, able, (closed, relieving, alone), may_open=may_open)
    lows = np.searchsorted(search.t, search.t - 4.0 * habit.cadence_s)
    for j in range(1, len(able)):
        lo = int(lows[j])
        if lo < j:
            search.soon_after(j, lo)
        if lo > 0:
            search.after_pause(j, lo)
    found, score = search.best_chain()
    return able[found], score


class _Search:
    """The best score of a chain that ends at each of the rises numbered ``able``, and the one before it: row 0 on a
    closed valve, row 1 relieving. ratios: as of ``_ratios``."""

    def __init__(
        self, c: Rises, habit: Habit, able: IntArray, ratios: tuple[FloatArray, FloatArray, FloatArray], *,
        may_open: bool,
    ) -> None:
        self.habit, self.may_open = habit, may_open
        self.closed, self.relieving, self.alone = (ratio[able] for ratio in ratios)
        self.rings = (c.dips > 3.0 * habit.level_sd)[able]
        self.t, self.before, self.gain = c.t[able], c.before[able], habit.gain[able]
        self.log_height = np.log(c.height[able])
        self.gain_sd = np.hypot(0.35 * habit.stays[able], 2.0 * habit.level_sd) + 0.05
        self.share = np.clip(c.stays[able] / habit.stays[able], 0.1, 1.2)
        self.best = np.stack([self.closed, np.full(len(able), -np.inf)])
        self.back = np.full((2, len(able), 2), -1)

    def soon_after(self, j: int, lo: int) -> None:
        """Rise ``j`` as the stroke after one of those from ``lo`` on."""
        habit, best, back, share, gain = self.habit, self.best, self.back, self.share, self.gain
        gap = self.t[j] - self.t[lo:j]
        time = _in_time(gap, habit)
        gained = self.before[j] - self.before[lo:j]
        # until the next stroke the usual gain, or that part of it that this one's
        # own rise makes likely
        whole = 0.5 - 0.5 * ((gained - gain[j]) / self.gain_sd[j]) ** 2
        part = 0.0 - 0.5 * ((gained - share[lo:j] * gain[j]) / self.gain_sd[j]) ** 2
        since = time + np.maximum(np.maximum(whole, part), -3.0)
        score = best[0, lo:j] + since
        # a pump-up does not begin with a stroke so weak that the next one starts from where it did
        idle = (back[0, lo:j, 0] < 0) & (gained < IDLE * gain[j]) & (share[lo:j] < WEAK) & (gap < habit.cadence_s)
        score -= np.where(idle, np.maximum(self.closed[lo:j], 0.0) + 1.0, 0.0)
        k = int(np.argmax(score))
        if score[k] > 0.0:
            best[0, j], back[0, j] = self.closed[j] + score[k], (0, lo + k)
        shut = best[1, lo:j] + since - SHUT_COST
        q = int(np.argmax(shut))
        if self.may_open and shut[q] > max(score[k], 0.0):
            best[0, j], back[0, j] = self.closed[j] + shut[q], (1, lo + q)
        # like the one before, or like a full stroke: a valve that opens soon cuts a stroke short
        alike = np.exp(-0.5 * ((self.log_height[j] - self.log_height[lo:j]) / 0.4) ** 2)
        alike = np.maximum(alike, np.exp(-0.5 * ((self.log_height[j] - math.log(habit.top_height)) / 0.4) ** 2))
        none = np.maximum(-0.5 * (gained / (0.7 * self.gain_sd[j])) ** 2, -3.0)
        again = best[1, lo:j] + time + none + np.log(0.95 * alike + 0.05)
        m, first = int(np.argmax(again)), score[k] - (0.0 if self.may_open else BALANCE_COST)
        row, k = (1, m) if again[m] > first else (0, k)
        best[1, j] = self.relieving[j] + max(again[m], first)
        back[1, j] = row, lo + k

    def after_pause(self, j: int, lo: int) -> None:
        """Rise ``j`` as the first stroke after a pause, the ones before it all before ``lo``."""
        row, k = (int(v) for v in np.unravel_index(np.argmax(self.best[:, :lo]), (2, lo)))
        pause = float(self.best[row, k]) - PAUSE_COST
        late = self.alone[j]
        if not self.rings[j]:  # a stroke more on a cap may be let out again, but must look like one
            late = max(late, min(self.closed[j], self.relieving[j]) - LET_OUT_COST)
        if pause > 0.0 and late + pause > self.best[0, j]:
            self.best[0, j], self.back[0, j] = late + pause, (row, k)

    def best_chain(self) -> tuple[list[int], float]:
        """The best chain of all, from its first rise on, and its score; empty where nothing speaks for one."""
        row, j = (int(v) for v in np.unravel_index(np.argmax(self.best), self.best.shape))
        score = float(self.best[row, j])
        if score <= 0.0:
            return [], 0.0
        found = []
        while j >= 0:
            found.append(j)
            row, j = (int(v) for v in self.back[row, j])
        return found[::-1], score


def _in_time(gap_s: FloatArray, habit: Habit) -> FloatArray:
    """Log likelihood ratio of the time since the stroke before; a pause costs no more than PAUSE_COST."""
    off = np.log(gap_s / habit.cadence_s) / habit.spread
    time = np.where(off > 0, np.maximum(0.5 - 0.5 * off**2, -PAUSE_COST), 0.5 - 0.5 * off**2)
    time[gap_s < SHORTEST_S] = -np.inf
    return time
