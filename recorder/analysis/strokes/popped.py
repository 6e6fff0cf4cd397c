"""Strokes that open a valve as soon as they begin: seen in the sudden fall, or in a short peak, alone."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.strokes.chain import USUAL_CADENCE_S
from recorder.analysis.strokes.slopes import level_of
from recorder.analysis.strokes.stroke import PAUSE_S, QUIET_S, Stroke
from recorder.analysis.trace.filters import median, running_median
from recorder.analysis.trace.signal import FINE_S, Prepared

if TYPE_CHECKING:
    from recorder.model import FloatArray

__all__ = ["POPS_S", "with_peaks", "with_popped", "without_rebounds"]

# where no source is named beside a number: common practice, no source
POPS_S = 0.1  # from the start of a stroke that opens a valve at once to the start of the fall
PEAK_S = 0.4  # from the start of such a stroke to where the rest of it shows; half a slow stroke
PEAK_SHARE = 0.1  # of a usual stroke: a smaller peak is none
SURE = 8.0  # standard deviations of a reading
BESIDE_S = 0.25  # before and after a short peak: over so long a level is looked at
PLAIN = 5.0  # standard deviations: of a peak, and of what it leaves
LEAVES = 0.5  # of a peak's height: air that cools bends the line along which the pressure would have gone on
LIKE_LAST = (0.4, 1.5)  # of the last stroke's top over what it left
WARMS = 0.29  # 1 - 1/gamma: of what let-out air takes away at once, what comes back with warmth
SLOWER = 0.35  # of how steep strokes are
AGAIN = 0.02  # of a usual stroke: so far the pressure rises anew where another one opened the valve
# of the cadence: a fall so late after a stroke's start, and after another rise, is that one's; so soon after, or
# before, a stroke there is no other; nor where the pressure did not rise again
LATE, SINCE, UNTIL, ALONE = 0.7, 0.55, 0.45, 0.6
SETTLES = 0.35  # of a fall: what the pressure moves by shortly after it
LIKE_FALL = 0.6  # of the usual sudden fall and of its slope: as much again is one more


def with_popped(x: Prepared, strokes: list[Stroke], slope_sd: float, level_sd: float, end_s: float) -> list[Stroke]:
    """With strokes that opened a valve as soon as they began: they show in the sudden fall alone.

    A fall that is over at once and stays, of a part of the pressure, is neither a knock nor a release: one of a quarter
    of a stroke, or one like those that strokes brought about before.
    """
    s, t, p = x.even_slope, x.even_t, x.even_p
    usual = median([q.rise_kpa for q in strokes])
    at = np.flatnonzero((s[1:-1] <= s[:-2]) & (s[1:-1] < s[2:]) & (s[1:-1] < -12.0 * slope_sd)) + 1
    at = at[(t[at] > strokes[0].end_s) & (t[at] < end_s - 1.0)]
    level = level_of(x)
    far = max(round(BESIDE_S / x.dt_s), 1)
    strokes = [_from_peak(x, q, strokes[k - 1].end_s if k else 0.0, usual) for k, q in enumerate(strokes)]
    starts = np.array([q.start_s for q in strokes])
    then = np.append(starts, np.inf)[np.searchsorted(starts, t[at])]  # when the next one begins
    until = np.clip(then - 0.05, t[at] + 0.25, t[at] + 0.8)
    early, before, soon, later = (
        np.interp(when, t, level) for when in (t[at] - 0.5, t[at] - 0.25, t[at] + 0.25, until)
    )
    fall = before - soon
    pace = median(np.diff(starts)) if len(starts) > 1 else USUAL_CADENCE_S
    # not one that goes on: a valve that lets out slowly
    plain = (fall > 8.0 * level_sd) & (soon > 0.6 * before) & (early - before < 0.5 * fall)
    # nor one that swings back above where it was, as a knock does
    back = np.array([float(p[i : i + far + 1].max()) for i in at]) - np.maximum(before, p[at])
    plain &= back < np.maximum(PLAIN * x.sd_kpa, 0.5 * fall)
    rose = np.array([_rose_again(x, strokes, float(when)) for when in t[at]])
    again = rose > max(PLAIN * x.sd_kpa, AGAIN * usual)
    # a valve that opens late lets out after the end of a stroke, but not when another is due
    ends = np.array([q.end_s + 0.4 for q in strokes])
    soon_s = np.array([max(q.start_s + 0.25 + LATE * pace, q.end_s) for q in strokes])
    ends = np.where(again[:, None], np.minimum(ends, soon_s), ends)
    near = ((starts - 0.1 < t[at][:, None]) & (t[at][:, None] < ends)).any(axis=1)
    shown = plain & near
    seen, steep, least = fall[shown], s[at][shown], np.full(len(at), 0.25 * usual)
    if len(seen) > 1:
        drop = np.array([float(p[max(i - far, 0) : i + 1].max()) for i in at]) - soon
        alike = (s[at] < LIKE_FALL * median(steep)) & (drop > LIKE_LAST[0] * float(drop[shown][-1]))
        least[alike] = np.minimum(least[alike], LIKE_FALL * median(seen))
    # beyond what it falls by anyway
    anyway = 2.0 * np.maximum(early - before, 0.0)
    least[again] = np.minimum(least, PEAK_SHARE * usual + anyway)[again]
    since = t[at][:, None] - 0.25 - starts
    none = np.where(again[:, None], (-UNTIL * pace < since) & (since < SINCE * pace), np.abs(since) < ALONE * pace)
    near |= none.any(axis=1)
    new: list[Stroke] = []
    for i in np.flatnonzero(plain & ~near & (fall > least) & (np.abs(later - soon) < SETTLES * fall)):
        when = float(t[at[i]])
        # in a quiet stretch a fall that no rise goes before is a hand on the valve
        idle_s = float(np.min(when - starts[starts < when], initial=np.inf))
        if idle_s > max(QUIET_S, 3.0 * pace) and not again[i]:
            continue
        if when < strokes[-1].start_s - 20.0 or any(q.start_s - 0.1 < when < q.end_s + 0.4 for q in new):
            continue
        new.append(_before_fall(x, level, int(at[i])))
    return sorted([*strokes, *new], key=lambda q: q.start_s)


def _before_fall(x: Prepared, level: FloatArray, at: int) -> Stroke:
    """The stroke that brought about the sudden fall which is steepest at reading ``at``. level: as of ``level_of``."""
    s, t, p = x.even_slope, x.even_t, x.even_p
    when = float(t[at])
    lo = int(np.searchsorted(t, when - 1.0))
    begins = lo + int(np.flatnonzero(np.append(True, s[lo + 1 : at + 1] > 0.08 * s[at]))[-1])
    start = min(when - 0.25, float(t[begins]) - POPS_S)
    a = int(np.searchsorted(t, start))
    top = a + int(np.argmax(p[a : at + 1]))
    return Stroke(start, float(t[top]), float(np.interp(start, t, level)), float(p[top]))


def _rose_again(x: Prepared, strokes: list[Stroke], until_s: float) -> float:
    """By how much (kPa) the pressure rose again before ``until_s``, once it had come down from the stroke before."""
    before = [q for q in strokes if q.start_s < until_s]
    if not before:
        return 0.0
    q = before[-1]
    a, b = np.searchsorted(x.even_t, [max(0.5 * (q.start_s + q.end_s), until_s - 2.0 * BESIDE_S), until_s])
    p = x.even_p[a : b + 1]
    if x.even_t[a] < q.end_s:
        down = np.maximum.accumulate(p) - p > PLAIN * x.sd_kpa
        if not down.any():
            return 0.0
        p = p[int(np.argmax(down)) :]
    return float((p - np.minimum.accumulate(p)).max())


def _from_peak(x: Prepared, stroke: Stroke, after_s: float, usual_kpa: float) -> Stroke:
    """``stroke``, from the peak before its start on where there is one: its first part opened the valve, which has shut
    again before the rest of it came.

    after_s: end of the stroke before, 0 where there is none. A knock swings to both sides, and a peak that the pressure
    does not come down from before the stroke starts is the stroke's own.
    """
    a, b = np.searchsorted(x.even_t, [max(stroke.start_s - PEAK_S, after_s), stroke.start_s])
    if after_s <= 0.0 or b - a < 8:
        return stroke
    t, p = x.even_t[a:b], x.even_p[a:b]
    two = 0.5 * (p[1:] + p[:-1])
    k = int(np.argmax(two))
    far = max(round(0.04 / x.dt_s), 2)
    if k < far or k > len(two) - 2:
        return stroke
    before, after = median(p[: k - far + 2]), median(p[k + 1 :][-3:])
    height = float(two[k]) - max(before, after)
    least = before - float(p.min())
    if height < max(SURE * x.sd_kpa, PEAK_SHARE * usual_kpa) or least > 0.4 * height:
        return stroke
    low = np.flatnonzero(two[: k + 1] < before + 0.1 * height)
    return Stroke(float(t[low[-1]] if len(low) else t[0]), stroke.end_s, before, float(two[k]))


def with_peaks(x: Prepared, strokes: list[Stroke], level_sd: float, end_s: float) -> list[Stroke]:
    """With strokes that a valve let out as fast as they came: short peaks in the cadence of the strokes before, once
    these are over, or before a pause.

    One alone is a stroke only where the pressure is another after it, for a knock leaves nothing.
    """
    out: list[Stroke] = []
    first = 0
    for n, q in enumerate(strokes):
        last = n + 1 == len(strokes)
        until = end_s if last else strokes[n + 1].start_s
        if last or until - q.end_s > PAUSE_S:
            out += _then_peaks(x, strokes[first : n + 1], level_sd, until)
            first = n + 1
    return out


def _then_peaks(x: Prepared, strokes: list[Stroke], level_sd: float, end_s: float) -> list[Stroke]:
    """Strokes that come one after the other, with the peaks after them."""
    if len(strokes) < 2:
        return strokes
    fine = x.dt_s <= FINE_S
    t, p = x.even_t, x.even_p
    rises = np.array([q.rise_kpa for q in strokes])
    pace = median(np.diff([q.start_s for q in strokes])[-8:])
    a, b = np.searchsorted(t, [strokes[-1].start_s - 1.0, end_s])
    t, p = t[a:b], p[a:b]
    beside = 2 * round(0.5 * BESIDE_S / x.dt_s) + 1
    far = max(round(BESIDE_S / x.dt_s), 2)
    if len(p) < 4 * beside:
        return strokes
    two = 0.5 * (p + np.append(p[1:], p[-1])) if fine else p
    level = running_median(p, beside, "reflect")
    before, after = np.full(len(p), np.inf), np.full(len(p), np.inf)
    before[far:], after[:-far] = level[:-far], level[far:]
    height = two - np.maximum(before, after)
    one = x.sd_kpa / math.sqrt(2.0) if fine else x.sd_kpa
    least = max(PLAIN * one, 0.5 * PEAK_SHARE * median(rises))
    found: list[int] = []
    at, free = 0.5 * (strokes[-1].start_s + strokes[-1].end_s), strokes[-1].end_s
    while True:
        lo, hi = np.searchsorted(t, [max(at + 0.5 * pace, free + POPS_S), at + 1.7 * pace])
        if hi <= lo:
            break
        k = int(lo + np.argmax(height[lo:hi]))
        low = float(p[max(k - far, 0) : k + far].min())
        if height[k] < least or min(before[k], after[k]) - low > 0.4 * height[k] + 2.0 * x.sd_kpa:
            break  # nothing, or a knock, which swings to both sides
        found.append(k)
        at = free = float(t[k])
    if len(found) == 1 and not _like_last(strokes[-1], float(height[found[0]]), float(before[found[0]])):
        if not fine:
            return strokes
        left = abs(_left(t, level, found[0], far))
        if left < max(PLAIN * level_sd, LEAVES * float(height[found[0]])):
            return strokes
    new = []
    for k in found:
        rising = np.flatnonzero(two[k - far : k + 1] < before[k] + 0.1 * height[k])
        start = k - far + int(rising[-1]) if len(rising) else k - far
        new.append(Stroke(float(t[start]), float(t[k]), float(before[k]), float(two[k])))
    # the top of a stroke is not over where its slope is
    return [*strokes, *(q for q in new if q.start_s > strokes[-1].end_s)]


def _like_last(last: Stroke, height_kpa: float, level_kpa: float) -> bool:
    """Whether a peak is like the last stroke, of which a valve let out what it brought: another one, then, in the
    cadence, where a knock comes whenever it will."""
    over = last.top_kpa - level_kpa
    return level_kpa - last.base_kpa < LEAVES * last.rise_kpa and LIKE_LAST[0] * over < height_kpa < LIKE_LAST[1] * over


def without_rebounds(x: Prepared, strokes: list[Stroke]) -> list[Stroke]:
    """Without rises of air that relief made cold and that warms up again: right after a fall, in one or more, at most
    what falls warms up by, and slower than strokes."""
    if len(strokes) < 3:
        return strokes
    t, p = x.even_t, x.even_p
    edges = np.searchsorted(t, [(q.start_s, q.end_s) for q in strokes])
    steep = np.array([float(x.even_slope[a : b + 1].max()) for a, b in edges])
    slow = steep < SLOWER * median(steep)
    out, low = strokes[:1], np.inf  # low: where it warms up from
    for q, is_slow in zip(strokes[1:], slow[1:], strict=True):
        a, b, c = np.searchsorted(t, [out[-1].start_s, q.start_s - 0.1, q.start_s + 0.1])
        falls = float(x.even_slope[b:c].min(initial=0.0)) < -2.0 * q.rise_kpa / max(q.end_s - q.start_s, x.dt_s)
        begins = q.base_kpa if falls else low
        warms = q.top_kpa - begins < WARMS * (float(p[a : max(a, b) + 1].max()) - begins)
        low = begins if warms and is_slow else np.inf
        if low == np.inf:
            out.append(q)
    return out


def _left(t: FloatArray, level: FloatArray, k: int, far: int) -> float:
    """By how much (kPa) the pressure lies above where it went to before the peak at index ``k``."""
    lo = max(k - 3 * far, 0)
    line = np.polyfit(t[lo : k - far // 2], level[lo : k - far // 2], 1)
    return float(level[k + far] - np.polyval(line, t[k + far]))
