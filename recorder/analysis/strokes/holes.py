"""Strokes that lost readings hide: counted by what the pressure gained across the hole, and by the cadence."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.strokes.chain import CADENCE_SPREAD, PAUSE_COST
from recorder.analysis.strokes.stroke import Stroke
from recorder.analysis.trace.filters import median
from recorder.analysis.trace.signal import Prepared

if TYPE_CHECKING:
    from recorder.model import IntArray

__all__ = ["holes_of", "through_holes"]

# where no source is named beside a number: common practice, no source
FEWEST = 4  # strokes that tell what is usual; where the first is hidden, those of small systems are fewer
SHORTEST_S = 0.25  # a shorter hole hides none
EDGE_S = 0.1  # a stroke at the edge of a hole is seen in part
GAIN_SPREAD = 0.3  # of what a stroke brings: strokes are eased towards the end
LET_OUT_COST = 2.0  # log likelihood: a valve may have let out what strokes brought
UNSEEN_COST = 4.0  # and this, that the pressure went on as if there had been no stroke
TREND_S = 0.4  # before and after a hole: over so long it is seen how the pressure moves
RISE = 0.25  # of a stroke: it does not rise so far by itself


def holes_of(x: Prepared) -> IntArray:
    """The readings before a hole that may hide a stroke."""
    return np.flatnonzero(np.diff(x.t) > max(3.5 * x.dt_s, SHORTEST_S))


def through_holes(
    x: Prepared, y: Prepared, strokes: list[Stroke], level_sd: float, end_s: float, *, may_open: bool
) -> list[Stroke]:
    """Strokes in and at holes of the trace counted anew. y: the trace without what the strokes have to make up.

    level_sd: noise (kPa) of the pressure averaged over 0.12 s.
    """
    for h in holes_of(x):
        lo, hi = float(x.t[h]), float(x.t[h + 1])
        if hi > end_s:
            break
        middles = np.array([(s.start_s + s.end_s) / 2 for s in strokes])
        hidden = (middles > lo - EDGE_S) & (middles < hi + EDGE_S)
        sure = [s for s, some in zip(strokes, hidden, strict=True) if not some]
        k = int(np.count_nonzero(middles < lo - EDGE_S))
        if len(sure) < (FEWEST if k else 2):
            continue
        if k < 1:
            strokes = _before_all(x, strokes, sure, (lo, hi), level_sd)
        elif k < len(sure):
            strokes = _between(x, y, strokes, sure, k, (lo, hi), level_sd, may_open=may_open)
        else:
            strokes = _after_all(x, strokes, sure, (lo, hi), level_sd)
    return strokes


def _goes_on(x: Prepared, hole: tuple[float, float], level_sd: float) -> float:
    """By how much (standard deviations) the pressure after the hole lies above where it went to before."""
    (a, b), t, p = np.searchsorted(x.t, hole), x.t, x.p
    before = np.arange(max(int(np.searchsorted(t, hole[0] - TREND_S)), 0), a + 1)
    after = np.arange(b, min(int(np.searchsorted(t, hole[1] + 0.5 * TREND_S)) + 1, len(t)))
    if min(len(before), len(after)) < 2:
        return math.inf
    slope, level = np.polyfit(t[before] - hole[0], p[before], 1)
    then = (float(np.mean(p[after])) - level) / max(float(np.mean(t[after])) - hole[0], x.dt_s)
    # a fall slows down, so half of what was may go on; u of the slope grows with the hole
    length = float(np.mean(t[after])) - hole[0]
    u = math.hypot(level_sd * math.sqrt(2.0), level_sd * length / TREND_S, 0.3 * abs(slope) * length)
    return float((then - slope) * length / u)


def _between(
    x: Prepared, y: Prepared, strokes: list[Stroke], sure: list[Stroke], k: int, hole: tuple[float, float],
    level_sd: float, *, may_open: bool,
) -> list[Stroke]:
    """``strokes`` with as many between ``sure`` number k - 1 and k as the hole explains best."""
    a, b = sure[k - 1], sure[k]
    starts = np.array([s.start_s for s in sure])
    steps = np.diff(starts)
    gains = np.diff([s.base_kpa for s in sure]) + np.diff(np.interp(starts, y.even_t, y.even_p - x.even_p))
    usual = np.delete(np.arange(len(steps)), k - 1)
    usual = usual[np.argsort(np.abs(usual - (k - 1)), kind="stable")[:8]]
    cadence = median(steps[usual])
    usual = usual[gains[usual] > 0.3 * a.rise_kpa]  # what a valve let out says nothing of a stroke
    sides = [gains[some] for some in (usual[usual < k - 1], usual[usual >= k]) if len(some)]
    length = hole[1] - hole[0]
    if b.start_s - a.start_s > 4.0 * cadence + length + 2.0 * EDGE_S:
        return strokes
    as_before = abs(_goes_on(x, hole, level_sd)) < 2.0
    # a system's strokes are eased towards the end, so between those before and after; a valve lets out of some
    medians = [median(side) for side in sides]
    gain = None if not sides else max(medians) if may_open else float(np.mean(medians))

    def likely(n: int) -> float:
        off = math.log((b.start_s - a.start_s) / cadence / (n + 1)) / CADENCE_SPREAD
        out = max(-0.5 * off * off, -PAUSE_COST)
        if gain is not None:
            sd = math.hypot(GAIN_SPREAD * gain * math.sqrt(n + 1), math.sqrt(2.0) * level_sd)
            off = (float(gains[k - 1]) - (n + 1) * gain) / sd
            out += max(-0.5 * off * off, -LET_OUT_COST) if may_open and off < 0.0 else -0.5 * off * off
        return out - (UNSEEN_COST if n and as_before else 0.0)

    # one that ends in the hole may have begun before it
    most = int((length + 2.0 * EDGE_S + a.end_s - a.start_s) / cadence) + 1
    n = max(range(most + 1), key=likely)
    if n == len(strokes) - len(sure):
        return strokes
    at = np.linspace(a.start_s, b.start_s, n + 2)[1:-1]
    return [*sure[:k], *_made(x, at, a.end_s - a.start_s), *sure[k:]]


def _before_all(
    x: Prepared, strokes: list[Stroke], sure: list[Stroke], hole: tuple[float, float], level_sd: float
) -> list[Stroke]:
    """``strokes`` where none is sure before the hole: as many in it as the gain across it is that of those after, and
    no more than the cadence allows."""
    first, starts = sure[0], np.array([s.start_s for s in sure])
    gains, cadence = np.diff([s.base_kpa for s in sure])[:8], median(np.diff(starts)[:8])
    gains = gains[gains > 0.3 * first.rise_kpa]
    if not len(gains):
        return strokes
    gain, length = median(gains), first.end_s - first.start_s
    rose = first.base_kpa - float(np.interp(hole[0] - length, x.t, x.smooth))
    most = int((hole[1] - hole[0] + 2.0 * EDGE_S + length) / cadence) + 1

    def unlikely(n: int) -> float:
        return abs(rose - n * gain) / math.hypot(GAIN_SPREAD * gain * math.sqrt(max(n, 1)), math.sqrt(2.0) * level_sd)

    n = min(range(most + 1), key=unlikely)
    if n == len(strokes) - len(sure):
        return strokes
    at = first.start_s - cadence * np.arange(n, 0, -1)
    return [*_made(x, np.clip(at, hole[0] - length, None), length), *sure]


def _after_all(
    x: Prepared, strokes: list[Stroke], sure: list[Stroke], hole: tuple[float, float], level_sd: float
) -> list[Stroke]:
    """``strokes`` where none is sure after the hole: one is in it if the pressure rises across, and there are no
    more in it than the cadence allows."""
    inside = strokes[len(sure) :]
    usual = median([s.rise_kpa for s in sure[-8:]])
    cadence, length = median(np.diff([s.start_s for s in sure])[-8:]), sure[-1].end_s - sure[-1].start_s
    if not inside:
        before, after = np.interp([hole[0], hole[1]], x.t, x.smooth)
        if after - before > max(RISE * usual, 4.0 * level_sd) and hole[0] - sure[-1].start_s < 2.0 * cadence:
            return [*sure, *_made(x, np.array([0.5 * sum(hole)]), length)]
        return strokes
    n = max(round((inside[-1].start_s - sure[-1].start_s) / cadence), 1)
    if len(inside) <= n or inside[-1].end_s < hole[1]:
        return strokes
    at = np.linspace(sure[-1].start_s, inside[-1].start_s, n + 1)[1:-1]
    return [*sure, *_made(x, at, length), inside[-1]]


def _made(x: Prepared, at: np.ndarray, length_s: float) -> list[Stroke]:
    """Strokes that begin at times ``at`` (s), as bridged readings show them."""
    p = np.interp(np.stack([at, at + length_s]), x.t, x.p)
    return [Stroke(float(a), float(a) + length_s, float(b), float(c)) for a, b, c in zip(at, *p, strict=True)]
