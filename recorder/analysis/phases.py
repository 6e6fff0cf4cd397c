"""Where the test is: zero, strokes, holds and release, and the events that lead from phase to phase."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.rhythm import Beat, find_beat, without_beat
from recorder.analysis.signal import Prepared
from recorder.analysis.stroke import Stroke
from recorder.analysis.strokes import find_strokes
from recorder.analysis.transitions import TRANSITIONS, follow

if TYPE_CHECKING:
    from recorder.model import FloatArray, Phase

__all__ = ["TRANSITIONS", "Stretches", "Stroke", "find_zero", "gone_at_once", "phases", "segment", "take_beat_out"]

AT_ONCE_S = 0.1  # from 80 to 20 %: a hose that came off; a valve turned by hand takes longer; no source
SOON_S, SLOPE_S = 3.0, 0.3  # after the last stroke; a fall's slope is taken over so long at most
_VERY_FIRST_S, _STAYS_S = 0.12, 3.0  # a start too short for the first second to be vented
QUIET_S = 4.0  # longer than a pause between two strokes of one pump-up; common practice, no source


@dataclass(frozen=True, slots=True)
class Stretches:
    """What the trace is made of. ``holds``: quiet stretches (start, end) after strokes, longest
    ones matter. ``release_s`` None where the pressure was never let go."""

    vented_end_s: float
    strokes: tuple[Stroke, ...]
    holds: tuple[tuple[float, float], ...]
    release_s: float | None
    zero_again_s: float | None
    knocked_off: bool


def find_zero(t: FloatArray, p: FloatArray) -> tuple[float, float, float]:
    """Zero from the vented start: (mean kPa, standard uncertainty kPa, end of the vented start s).

    The start ends where the pressure leaves the level of the first second and does not come back.
    """
    if len(t) < 3:
        return (float(np.median(p)) if len(p) else 0.0), 0.0, float(t[-1]) if len(t) else 0.0
    dt = float(np.median(np.diff(t)))
    first = p[t <= t[0] + max(1.0, 3 * dt)]
    level = float(np.median(first))
    spread = 1.4826 * float(np.median(np.abs(first - level)))
    values = np.unique(p)
    step = float(np.median(np.diff(values))) if len(values) > 2 else 0.0
    limit = max(5.0 * spread, 1.2, 2.5 * step)
    short = _short_start(t, p, dt, step)
    if short is not None:
        at, limit = short
        end = float(t[at])
    else:
        above = p > level + limit
        need = max(round(0.25 / dt), 2)
        run = np.convolve(above, np.ones(need), "valid") >= need
        at = int(np.argmax(run)) if run.any() else len(p)
        end = float(t[at]) - 0.25 if at < len(p) else float(t[-1])
        if run.any():
            end = _where_it_leaves(t[: at + need], p[: at + need], end, dt)
    part = p[t < end] if np.count_nonzero(t < end) >= 3 else p[: max(at, 1)]
    centre = float(np.median(part))
    kept = part[np.abs(part - centre) <= limit]
    kept = kept if len(kept) else part
    zero = float(np.mean(kept))
    # correlated noise: as if every quarter second gave one independent reading
    independent = max(len(kept) * min(dt / 0.25, 1.0), 1.0)
    u = float(np.hypot(np.std(kept), step / 3.46) / np.sqrt(independent))
    if len(kept) < 3:
        u = max(u, limit / 3.0)  # it may have begun to rise already
    return zero, u, max(end, float(t[0]))


def _short_start(t: FloatArray, p: FloatArray, dt_s: float, step_kpa: float) -> tuple[int, float] | None:
    """Where pumping began within the first second, and stayed above the very first readings: number of the first
    reading of the rise, and how far vented readings may lie from their middle (kPa). Else None."""
    soon = np.searchsorted(t, t[0] + max(1.0, 3 * dt_s), "right")
    few = max(int(np.searchsorted(t, t[0] + _VERY_FIRST_S, "right")), 3)
    level = float(np.median(p[:few]))
    change = np.diff(p[:soon])
    spread = 1.4826 * float(np.median(np.abs(change - np.median(change)))) / math.sqrt(2.0)
    limit = max(5.0 * spread, 1.2, 2.5 * step_kpa)
    back = np.flatnonzero(p[: np.searchsorted(t, t[0] + _STAYS_S)] <= level + limit)
    last = int(back[-1]) if len(back) else 0
    if last + 1 >= soon or float(t[-1] - t[0]) < _STAYS_S:
        return None
    # the rise began before it was that clear
    low = np.flatnonzero(p[: last + 1] <= level + max(2.0 * spread, 0.5 * step_kpa))
    return int(low[-1]) + 1 if len(low) else 1, limit


def _where_it_leaves(t: FloatArray, p: FloatArray, end_s: float, dt_s: float) -> float:
    """Where a rise that was clear at ``end_s`` began: level, then a line upwards, by least squares.

    Small strokes are clear only after two or three of them. ``end_s`` where the line explains no more than chance.
    """
    block = max(round(0.25 / dt_s), 1)
    n = len(p) // block
    if n < 6:
        return end_s
    q = p[len(p) - n * block :].reshape(n, block).mean(axis=1)
    at = t[len(t) - n * block :].reshape(n, block).mean(axis=1)
    # with sums from every corner to the end: of ones, of times since the corner and their squares, and with the rise
    since, rise = at - at[-1], q - q.mean()
    count = np.arange(n, 0, -1)
    one, two, up, along = (np.cumsum(v[::-1])[::-1] for v in (since, since * since, rise, since * rise))
    first = one - count * since
    square = two - 2.0 * since * one + count * since * since - first * first / n
    along = along - since * up
    corner = slice(2, n - 1)
    explained = np.where(along[corner] > 0.0, along[corner] ** 2 / square[corner], -1.0)
    k = int(np.argmax(explained))
    return min(end_s, float(at[corner][k])) if explained[k] > 0.0 else end_s


def _release(x: Prepared, after_s: float) -> tuple[float | None, float | None, bool]:
    """When the pressure was let go, when it was at zero again, and whether it went at once (hose off)."""
    p = x.smooth
    top = float(np.max(p))
    if top < 3.0:
        return None, None, False
    least = max(4 * x.sd_kpa, 1.0)
    if p[-1] > max(0.25 * top, least):
        return None, None, False
    for share, near in ((0.3, 0.06), (0.13, 0.06), (0.06, 0.03)):  # a leak may have taken most before it was let go
        near_zero = max(near * top, least)
        found = _steep_fall(x, max(share * top, 2.0 * near_zero), near_zero, after_s)
        if found[0] is not None:
            return found
    return None, None, False


def _steep_fall(
    x: Prepared, above_kpa: float, near_zero: float, after_s: float
) -> tuple[float | None, float | None, bool]:
    """The fall that the last reading above ``above_kpa`` belongs to, where it is steep."""
    t, p = x.t, x.smooth
    top = float(np.max(p))
    up = np.flatnonzero(p > above_kpa)
    if not len(up):
        return None, None, False
    last = int(up[-1])
    # back from the middle of the fall to where it began: steep against the fall of the seconds before it
    calm = x.slope[(t > t[last] - 12.0) & (t < t[last] - 2.5)]
    usual = float(np.median(calm)) if len(calm) > 3 else 0.0
    steep = min(6.0 * min(usual, 0.0) - 1.0, -0.03 * top, usual - 5.0 * x.sd_kpa / 0.3)
    low, high = (
        max(last - round(3.0 / x.dt_s), 0),
        min(last + round(1.5 / x.dt_s) + 2, len(t)),
    )
    if high <= low or float(np.min(x.slope[low:high])) > steep:
        return None, None, False
    at = low + int(np.argmin(x.slope[low:high]))
    while at > 0 and x.slope[at] < steep * 0.5:
        at -= 1
    start = float(t[at])
    # sharpen: the last reading still at the level held before
    before = (t > start - 1.5) & (t < start - 0.15)
    if np.count_nonzero(before) >= 3:
        level = float(np.median(x.p[before]))
        near = np.flatnonzero(
            (t > start - 0.3) & (t < start + 0.8) & (x.p > level - 4.0 * x.sd_kpa - 0.2)
        )
        if len(near):
            start = float(t[near[-1]])
    if start < after_s:
        return None, None, False
    zero_at = np.flatnonzero((t > start) & (p < near_zero))
    again = float(t[zero_at[0]]) if len(zero_at) else None
    return start, again, _at_once(x, start)


def _at_once(x: Prepared, start_s: float) -> bool:
    """Whether what was held at ``start_s`` went faster than a hand lets it go."""
    t, p = x.t[x.t >= start_s], x.p[x.t >= start_s]
    held = (x.t > start_s - 0.6) & (x.t < start_s)
    if len(p) < 3 or not held.any():
        return False
    level = float(np.median(x.p[held]))
    times = []
    for share in (0.8, 0.2):
        k = int(np.argmax(p < share * level))
        if k == 0:
            return False
        times.append(float(np.interp(-share * level, -p[k - 1 : k + 1], t[k - 1 : k + 1])))
    return times[1] - times[0] < max(AT_ONCE_S, 1.5 * x.dt_s)  # readings far apart draw a fall out


def gone_at_once(x: Prepared, strokes: Sequence[Stroke], end_s: float) -> bool:
    """Whether most of what each stroke brought was gone before the next one: nothing was ever held."""
    if len(strokes) < 3:
        return False
    ends = np.array([s.end_s for s in strokes])
    until = np.array([*(s.start_s for s in strokes[1:]), end_s])
    at = np.minimum(until - 0.03, ends + 2.0)
    left = np.interp(at, x.t, x.smooth)
    lost = [(s.top_kpa - p) / max(s.rise_kpa, 0.3) for s, p in zip(strokes, left, strict=True)]
    low = float(np.median(left)) < 0.4 * max(s.top_kpa for s in strokes)
    return low and float(np.median(lost)) > 0.6


def goes_on(x: Prepared, strokes: Sequence[Stroke], release_s: float) -> bool:
    """Whether what looks like a release soon after the last stroke is only the fall that went on before each of the
    last ones: nothing seals."""
    if not strokes or release_s - strokes[-1].end_s > SOON_S:
        return False
    before = []
    for a, b in pairwise(strokes[-4:]):
        long = min((b.start_s - a.end_s) / 2.0, SLOPE_S)
        if long >= 2.0 * x.dt_s:
            p = np.interp([b.start_s - long, b.start_s], x.t, x.smooth)
            before.append(float(p[0] - p[1]) / long)
    p = np.interp([release_s, release_s + SLOPE_S], x.t, x.smooth)
    return bool(before) and float(p[0] - p[1]) / SLOPE_S < 2.0 * float(np.median(before))


def take_beat_out(x: Prepared, vented_end_s: float) -> tuple[Prepared, Beat | None]:
    """The trace without the rhythm of an idling engine, and that rhythm where there is one."""
    release, _, _ = _release(x, vented_end_s)
    beat = find_beat(x, release if release is not None else float(x.t[-1]))
    return (x, None) if beat is None else (without_beat(x, beat), beat)


def segment(x: Prepared, vented_end_s: float, *, may_open: bool) -> Stretches:
    """Strokes, holds and release of a prepared trace."""
    last = float(x.t[-1])
    strokes = find_strokes(x, vented_end_s, last, may_open=may_open)
    release, again, off = (
        (None, None, False) if gone_at_once(x, strokes, last) else _release(x, vented_end_s)
    )
    if release is not None and goes_on(x, strokes, release):
        release, again, off = None, None, False
    end = release if release is not None else last
    strokes = [s for s in strokes if s.start_s < end]
    holds: list[tuple[float, float]] = []
    for n, stroke in enumerate(strokes):
        until = strokes[n + 1].start_s if n + 1 < len(strokes) else end
        if until - stroke.end_s > QUIET_S:
            holds.append((stroke.end_s, until))
    return Stretches(vented_end_s, tuple(strokes), tuple(holds), release, again, off)


def phases(
    x: Prepared,
    parts: Stretches,
    opened_s: float | None,
    hold: tuple[float, float] | None,
    *,
    vented: bool = True,
) -> tuple[Phase, ...]:
    """The phases in order, covering the trace: what happened, run through the table.

    opened_s: when a cap began to relieve; hold: the stretch judged, which begins where a cap has
    closed again; vented: whether the trace begins so, else in the pumping.
    """
    events = [(s.start_s, "stroke") for s in parts.strokes]
    if opened_s is not None:
        events.append((opened_s, "opens"))
    for start, end in parts.holds:
        at = hold[0] if hold is not None and abs(end - hold[1]) < 1.0 else start
        events += [(at, "quiet"), (at, "closes")]
    if parts.release_s is not None and (parts.strokes or not vented):
        events.append((parts.release_s, "steep-fall"))
        if parts.zero_again_s is not None:
            events.append((parts.zero_again_s, "at-zero"))
    return follow(events, float(x.t[0]), float(x.t[-1]), begins="vented" if vented else "pump-up")
