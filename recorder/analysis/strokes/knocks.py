"""Rises that are no strokes: a hose or a gauge that was hit, bent or squeezed during a hold leaves the pressure as it
was; a hand that holds the pump in a pause on the way up is never quite still; and what a pause shows beside full
strokes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.strokes.chain import Rises
from recorder.analysis.strokes.stroke import PAUSE_S, Stroke
from recorder.analysis.trace.filters import median
from recorder.analysis.trace.signal import Prepared

if TYPE_CHECKING:
    from recorder.model import FloatArray

__all__ = [
    "RINGS_S", "without_bumps", "without_creep", "without_gone", "without_knocks", "without_last_alone",
    "without_last_trifles", "without_more_alike", "without_trifles", "without_wavering",
]

# where no source is named beside a number: common practice, no source
TOGETHER_S = PAUSE_S  # rises no further apart are of one knock
GOES = 0.7  # of what was there, a lower one was let down to
RINGS_S = 1.0  # it may have rung for so long before a rise of it looked like a stroke
FELL_S = 5.0  # before that: how fast it falls anyway; it settles ever more slowly
HELD = 0.5  # of its top: what was held before it
LEFT = 0.2  # of its height: a stroke leaves more, or lets out
LEFT_SHUT = 0.35  # where nothing lets out: air that cools takes 0.29 of it, 1 - 1/gamma, and hoses some
# of a usual stroke, or of noise but no more than another share: what fills a gap of so long, and nobody pumps so
FILLS, FILLS_SD, FILLS_MOST, APART_S = 0.1, 3.0, 0.25, 2.0
BELOW = 0.25  # of a usual stroke: further from the highest top than eased strokes that reach it scatter
ALONE_S, STAY = 1.6, 0.6  # no stroke so soon before or after it; of what strokes bring
LETS_OUT_S, LETS_OUT, NEAR = 1.0, 0.5, 0.2  # after a stroke; of its rise; of a bump's height
SWING_S = 0.08  # shorter than a knock
SOON_S = (0.2, 0.6)  # after it, the trough of a hand's wavering
SMALL, LEAVES = 0.15, 0.3  # of a usual stroke; of its own rise; common practice, no source
ON_THE_WAY = 0.85  # of the highest top: nearer to it small strokes keep the pressure up
BESIDE, TRIFLE = 4, 0.04  # strokes to each side; of what these bring a hand brings more; no source
ENOUGH, AFTER_S, SAME = 5, 1.2, 0.12  # strokes; after the last one; of its height: where the pressure was
HARDLY, SLOW, AS_BEFORE = 12, 0.2, 8  # strokes on end; as steep as the median of so many before; no source
WILD = 6.0  # standard deviations of a reading: by so much one that is alone stands out
BEGINS_S = 0.1  # a slope that was averaged begins so much later, or earlier, than the rise itself
# of a usual stroke: smaller ones may be noise's; after it, and before the release; as steep; so far from each other
MORE_SMALL, LATER_S, MORE_ALIKE, MORE_APART_S = 0.3, 1.5, 0.8, 5.0
NEVER = 1e-4  # of a row of them
SWINGS, RECOVERS = 0.33, 0.25  # of its height: below where it was, and back up again


def without_knocks(x: Prepared, strokes: list[Stroke], end_s: float, *, may_open: bool) -> list[Stroke]:
    """Without rises in a hold that leave nothing: of what may have let out again as much as it brought (may_open, and
    higher than was held before) only those that swing to both sides."""
    if len(strokes) < 3:
        return strokes
    keep, k = strokes[:1], 1
    while k < len(strokes):
        m = k + 1
        while (m < len(strokes) and strokes[m].start_s - strokes[m - 1].end_s < TOGETHER_S
               and strokes[m].base_kpa > GOES * strokes[m - 1].base_kpa):
            m += 1
        some = strokes[k:m]
        top = max(s.top_kpa for s in some)
        held = _shut_at(x, keep, top - some[0].base_kpa) if may_open else np.inf
        one_way = top < held and some[0].base_kpa > HELD * top  # what nothing holds is gone after each stroke
        left = LEFT if may_open else LEFT_SHUT
        soon = strokes[k].start_s - keep[-1].end_s < PAUSE_S or _tops_up(x, keep[-1].end_s, some)
        if soon or not _leaves_nothing(x, some, end_s, left, one_way=one_way):
            keep += some
        k = m
    return keep


def without_bumps(x: Prepared, strokes: list[Stroke]) -> list[Stroke]:
    """Without a last rise that is gone a second later, and the trifles that led up to it: seconds after the last
    stroke it still looks like one of them. For where no valve may have let it out."""
    while len(strokes) > 2:
        usual = _usual(strokes)
        fills = max(FILLS * usual, min(FILLS_SD * x.sd_kpa, FILLS_MOST * usual))
        real = [i for i, s in enumerate(strokes) if s.rise_kpa > fills]
        if len(real) < 3:
            return strokes
        before, last = strokes[real[-2]], strokes[real[-1]]
        a, b = np.searchsorted(x.even_t, [last.end_s + 0.8, last.end_s + 1.6])
        stands_out = last.rise_kpa > max(6.0 * x.sd_kpa, 2.0 * fills)  # of what strokes that keep it up bring
        if last.start_s - before.end_s < APART_S or not stands_out or b - a < 3:
            return strokes
        if median(x.even_p[a:b]) - last.base_kpa > LEFT_SHUT * last.rise_kpa:
            return strokes
        strokes = strokes[: real[-2] + 1]
    return strokes


def without_last_trifles(strokes: list[Stroke]) -> list[Stroke]:
    """Without last rises that only fill the gap where the next stroke was due, after the hand has stopped: they bring
    next to nothing, and stay below where a valve may have let it out."""
    while len(strokes) > 3:
        usual, last = _usual(strokes), strokes[-1]
        if last.rise_kpa > FILLS * usual or last.top_kpa > max(s.top_kpa for s in strokes) - BELOW * usual:
            break
        strokes = strokes[:-1]
    return strokes


def without_last_alone(x: Prepared, strokes: list[Stroke]) -> list[Stroke]:
    """Without a last rise of one reading alone that leaves the pressure where it was, where those before it stayed: a
    valve takes its time, and lets out to a pressure of its own."""
    if len(strokes) < ENOUGH:
        return strokes
    last = strokes[-1]
    a, b = np.searchsorted(x.even_t, [last.end_s + SOON_S[0], last.end_s + AFTER_S])
    stayed = [after.base_kpa - s.base_kpa for s, after in zip(strokes[-ENOUGH:-1], strokes[-ENOUGH + 1 :], strict=True)]
    rises = [s.rise_kpa for s in strokes[-ENOUGH:-1]]
    if b - a < 3 or any(left < STAY * rise for left, rise in zip(stayed, rises, strict=True)):
        return strokes
    left = median(x.even_p[a:b]) - last.base_kpa
    near = x.p[(x.t > last.start_s - BEGINS_S) & (x.t < last.end_s + SOON_S[1])]
    high = np.count_nonzero(near > last.base_kpa + 0.5 * (float(near.max(initial=last.base_kpa)) - last.base_kpa))
    wild = high == 1 and last.rise_kpa > WILD * x.sd_kpa
    cools = max(strokes[-2].top_kpa - last.base_kpa, 0.0)  # what fell before goes on falling, ever more slowly
    return strokes[:-1] if wild and -cools - SAME * last.rise_kpa < left < SAME * last.rise_kpa else strokes


def without_more_alike(strokes: list[Stroke], c: Rises, end_s: float) -> list[Stroke]:
    """Without last small rises such as the time after them has more of, ``c``: noise makes those, and one of many comes
    where the next stroke was due. One knock later on is none of them; nor is a row of small strokes one after the
    other, where so many come by chance as good as never (as often as they come later, independent of each other)."""
    row = _small_at_end(strokes)
    for many in range(row, 0, -1):
        if _by_chance(strokes[-many:], c, end_s) < NEVER:
            return strokes
    while len(strokes) > 3 and strokes[-1].rise_kpa < MORE_SMALL * _usual(strokes[:-1]):
        last = strokes[-1]
        alike = _alike_later(last, c, end_s)
        if not len(alike) or float(np.ptp(alike)) < MORE_APART_S:
            break
        strokes = strokes[:-1]
    return strokes


def _small_at_end(strokes: list[Stroke]) -> int:
    """How many small rises a trace's pumping ends with."""
    most = MORE_SMALL * _usual(strokes)
    many = 0
    while many < len(strokes) - 3 and strokes[-1 - many].rise_kpa < most:
        many += 1
    return many


def _alike_later(stroke: Stroke, c: Rises, end_s: float) -> FloatArray:
    """When (s) rises as steep as ``stroke`` came after it."""
    own = float(c.height[(c.t >= stroke.start_s) & (c.t <= stroke.end_s)].max(initial=0.0)) or np.inf
    later = (c.t > stroke.end_s + LATER_S) & (c.t < end_s - LATER_S)
    return c.t[later & (c.height > MORE_ALIKE * own)]


def _by_chance(row: list[Stroke], c: Rises, end_s: float) -> float:
    """How likely each of ``row`` is one of the rises that come later on, as often, whenever they will: then each has
    one in the time since the stroke before only so often. 1 for one alone."""
    rest_s = end_s - row[-1].end_s - 2.0 * LATER_S
    if len(row) < 2 or rest_s <= 0.0:
        return 1.0
    pace_s = (row[-1].start_s - row[0].start_s) / (len(row) - 1)
    least = min(row, key=lambda s: float(c.height[(c.t >= s.start_s) & (c.t <= s.end_s)].max(initial=0.0)))
    later = _alike_later(least, c, end_s)
    often = np.count_nonzero(later > row[-1].end_s + LATER_S) / rest_s  # a second
    return float(-np.expm1(-often * pace_s)) ** len(row)


def _usual(strokes: list[Stroke]) -> float:
    return median([s.rise_kpa for s in strokes])


def without_gone(x: Prepared, strokes: list[Stroke], *, may_open: bool) -> list[Stroke]:
    """Without lone rises that are gone half a second later, as in a pause on the way up, where strokes stay. may_open:
    a valve may have let out what went above all that was held before a stroke, then or later."""
    if len(strokes) < 4:
        return strokes
    held = max(s.base_kpa for s in strokes) if may_open else np.inf
    gone, stays = [], []
    since = -np.inf
    for s, until in zip(strokes, [*(s.start_s for s in strokes[1:]), np.inf], strict=True):
        alone = ALONE_S < until - s.end_s < np.inf and ALONE_S < s.start_s - since < np.inf
        since = s.end_s
        a, b = np.searchsorted(x.even_t, [s.end_s + 0.3, s.end_s + 0.9])
        if not alone or s.top_kpa >= held or b - a < 3:
            level = float(np.interp(min(s.end_s + 0.8, until), x.t, x.smooth))
            stays.append((level - s.base_kpa) / max(s.rise_kpa, x.sd_kpa))
            continue
        left = median(x.even_p[a:b]) - s.base_kpa
        if s.rise_kpa > 4.0 * x.sd_kpa and left < LEFT_SHUT * s.rise_kpa:
            gone.append(s)
        else:
            stays.append(left / max(s.rise_kpa, x.sd_kpa))
    if len(stays) < 3 or median(stays) < STAY:
        return strokes
    return [s for s in strokes if s not in gone]


def without_wavering(x: Prepared, strokes: list[Stroke]) -> list[Stroke]:
    """Without small rises on the way up that are gone within half a second: nobody keeps up a pressure that is not yet
    the one that is wanted."""
    if len(strokes) < 3:
        return strokes
    usual = _usual(strokes)
    wanted = ON_THE_WAY * max(s.top_kpa for s in strokes)
    there_s = next((s.start_s for s in strokes if s.top_kpa >= wanted), strokes[0].start_s)

    def left(s: Stroke) -> float:
        a, b = np.searchsorted(x.even_t, [s.end_s + SOON_S[0], s.end_s + SOON_S[1]])
        return float(x.even_p[a:b].min()) - s.base_kpa if b > a else s.rise_kpa

    keep = [
        s for s in strokes
        if s.start_s >= there_s or s.rise_kpa > SMALL * usual or left(s) > LEAVES * s.rise_kpa
    ]  # fmt: skip
    return keep if len(keep) > 1 else strokes


def without_creep(x: Prepared, strokes: list[Stroke], slope_sd: float) -> list[Stroke]:
    """Without a long row of last rises far less steep than the strokes before it, where noise is too small to have made
    them so: nobody pumps on like that, and what goes up by itself warms up. slope_sd: noise of the slope (kPa/s)."""
    edges = np.searchsorted(x.even_t, [(s.start_s, s.end_s) for s in strokes])
    steep = np.array([float(x.even_slope[a : b + 1].max()) for a, b in edges])
    for first in range(AS_BEFORE, len(strokes) - HARDLY + 1):
        most = SLOW * median(steep[first - AS_BEFORE : first])
        if most > 3.0 * slope_sd and float(steep[first:].max()) < most:
            return strokes[:first]
    return strokes


def without_trifles(strokes: list[Stroke], level_sd: float) -> list[Stroke]:
    """Without rises far smaller than the strokes beside them, where noise is too small to have hidden the rest.

    level_sd: noise (kPa) of the pressure averaged over 0.12 s.
    """
    rise = np.array([s.rise_kpa for s in strokes])
    keep = []
    for i, s in enumerate(strokes):
        near = np.r_[rise[max(i - BESIDE, 0) : i], rise[i + 1 : i + 1 + BESIDE]]
        least = TRIFLE * median(near) if len(near) >= BESIDE else 0.0
        if s.rise_kpa >= least or 3.0 * level_sd > least:
            keep.append(s)
    return keep


def _shut_at(x: Prepared, strokes: list[Stroke], height_kpa: float) -> float:
    """Below what pressure a cap lets nothing out, by these strokes: what it held before one; and, but for a share of
    ``height_kpa``, the lowest it was pumped to when it let out most of a stroke, or the highest where it never did."""
    held = max(s.base_kpa for s in strokes)
    until = np.array([*(s.start_s for s in strokes[1:]), np.inf])
    at = np.minimum(until, np.array([s.end_s for s in strokes]) + LETS_OUT_S)
    left = np.interp(at, x.t, x.smooth)
    let_out = [s.top_kpa for s, p in zip(strokes, left, strict=True) if p < s.top_kpa - LETS_OUT * s.rise_kpa]
    tops = [s.top_kpa for s in strokes]
    return max(held, min(let_out) - NEAR * height_kpa if let_out else max(tops))


def _tops_up(x: Prepared, since_s: float, some: list[Stroke]) -> bool:
    """Whether a rise, after which pressure may be no higher than it was some seconds before, made up for what had gone
    since the stroke that ended at ``since_s``: it begins on the line of that fall, not in a dip, and most of it stays.
    So fast a fall is what cools after strokes, or a leak that went on for seconds before; else a hand may have pulled.
    """
    t, p, start = x.even_t, x.even_p, some[0].start_s
    rise = max(s.top_kpa for s in some) - some[0].base_kpa
    i, j = np.searchsorted(t, [max(start - PAUSE_S - RINGS_S, since_s + 0.5), start - RINGS_S])
    a, b = np.searchsorted(t, [some[-1].end_s + 0.8, some[-1].end_s + 1.6])
    k, m = np.searchsorted(t, [start - RINGS_S - FELL_S - 0.5, start - RINGS_S - FELL_S + 0.5])
    if min(j - i, b - a) < 5 or rise < WILD * x.sd_kpa:
        return False
    middle = float(t[i:j].mean())
    slope, level = (float(c) for c in np.polyfit(t[i:j] - middle, p[i:j], 1))
    chance = x.sd_kpa * (start - middle) / (float(t[i:j].std()) * np.sqrt(j - i))
    in_dip = level + slope * (start - middle) - some[0].base_kpa > LEFT * rise + 2.0 * chance
    cools = start - RINGS_S - FELL_S - 0.5 < since_s
    steady = m - k > 2 and -slope * FELL_S < 1.5 * (median(p[k:m]) - level) + rise * LEFT
    fell = max(-slope, 0.0) * float(t[a:b].mean() - start)  # as it went on falling, at most
    stays = median(p[a:b]) - some[0].base_kpa > max((1.0 - LEFT_SHUT) * rise - fell, LEFT_SHUT * rise)
    return not in_dip and (cools or steady) and stays


def _leaves_nothing(x: Prepared, some: list[Stroke], end_s: float, left: float, *, one_way: bool) -> bool:
    """Whether the pressure is afterwards where it was, or lower by no more than it would have fallen to anyway, and
    was pulled down in between or, but for one_way, swings to both sides. left: of its height, what may stay."""
    t, p = x.even_t, x.even_p
    first, last = some[0].start_s - RINGS_S, some[-1].end_s

    def between(a: float, b: float) -> FloatArray:
        i, j = np.searchsorted(t, [a, b])
        return p[i:j]

    before, after = between(first - (PAUSE_S - RINGS_S), first), between(last + 0.8, min(last + 1.6, end_s))
    earlier = between(first - 1.0 - FELL_S - 0.5, first - 1.0 - FELL_S + 0.5)
    among = between(first, last + 0.6)
    width = max(round(SWING_S / x.dt_s), 2)
    if min(len(before), len(after)) < 3 or len(among) < width + 2:
        return False
    # one wild reading is no swing, nor is noise
    two = np.convolve(among, np.full(width, 1.0 / width), "valid")
    was, is_now = median(before), median(after)
    height, low = float(two.max()) - was, float(two.min())
    fell = max(median(earlier) - was, 0.0) / FELL_S if len(earlier) > 2 else 0.0
    anyway = fell * (last + 1.2 - first)
    depth = was - low - anyway
    pulled = depth > max(height / left, 4.0 * x.sd_kpa)  # down, and back where it was
    if pulled and -left * depth - anyway < is_now - was < left * depth:
        return True
    less = height if one_way else left * height  # just after pumping the air still cools
    if height < 4.0 * x.sd_kpa or not -less - anyway < is_now - was < left * height:
        return False
    if one_way:
        return True
    by_itself = max(was - is_now - left * height, 0.0)
    return was - low - by_itself > SWINGS * height and is_now - low > RECOVERS * height
