"""Where the test is: strokes, holds and release, and the events that lead from phase to phase."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from recorder.analysis.phases.let_down import GONE, let_downs
from recorder.analysis.phases.release import (
    NO_RELEASE,
    STEADY_S,
    Release,
    at_zero,
    find_release,
    last_held,
    let_out_slowly,
)
from recorder.analysis.phases.transitions import follow
from recorder.analysis.strokes import (
    PAUSE_S,
    QUIET_S,
    SLOWER,
    WARMS,
    Stroke,
    find_strokes,
    level_noise,
    that_bring,
    with_again,
    with_eased,
    without_bumps,
    without_knocks,
)
from recorder.analysis.trace.filters import median
from recorder.analysis.trace.rhythm import Beat, find_beat, without_beat
from recorder.analysis.trace.signal import Prepared

if TYPE_CHECKING:
    from recorder.model import Phase

__all__ = ["Stretches", "gone_at_once", "phases", "segment", "take_beat_out"]

# where no source is named beside a number: common practice, no source
SOON_S, SLOPE_S = 3.0, 0.3  # after the last stroke; a fall's slope is taken over so long at most
HELD_ON = 0.75  # of what was held
# time constants of a curve in which air warms up; what is left beside it: of the noise, of a rise's height, which were
# it a step would leave 0.29 (a saw tooth's 1 / sqrt 12)
WARMS_S, UNEVEN, STEPS = (0.5, 1.5, 5.0), 1.3, 0.1

Spans: TypeAlias = list[tuple[float, float]]  # from when to when, s


@dataclass(frozen=True, slots=True, eq=False)
class Stretches:
    """What the trace is made of. ``holds``: quiet stretches (start, end) after strokes or after some pressure was let
    down (``let_downs``), in order. ``release_s`` None where the pressure was never let go."""

    vented_end_s: float
    strokes: tuple[Stroke, ...]
    holds: tuple[tuple[float, float], ...]
    release_s: float | None
    zero_again_s: float | None
    knocked_off: bool
    let_downs: tuple[tuple[float, float], ...] = ()


def gone_at_once(x: Prepared, strokes: Sequence[Stroke], end_s: float) -> bool:
    """Whether most of what each stroke brought was gone before the next one: nothing was ever held."""
    if len(strokes) < 3:
        return False
    ends = np.array([s.end_s for s in strokes])
    until = np.array([*(s.start_s for s in strokes[1:]), end_s])
    at = np.minimum(until - 0.03, ends + 2.0)
    left = np.interp(at, x.t, x.smooth)
    lost = [(s.top_kpa - p) / max(s.rise_kpa, 0.3) for s, p in zip(strokes, left, strict=True)]
    if not median(np.array(lost)) > 0.6:
        return False
    usual, low = median(left), 0.4 * max(s.top_kpa for s in strokes)
    if usual < low:
        return True
    # not before the next one came so soon, but it went on going after the last
    gone = np.flatnonzero((x.t > ends[-1]) & (x.smooth < usual))
    return bool(left[-1] < low and len(gone)) and goes_on(x, strokes, float(x.t[gone[0]]))


def goes_on(x: Prepared, strokes: Sequence[Stroke], release_s: float) -> bool:
    """Whether what looks like a release soon after the last stroke is only the fall that went on before each of the
    last ones: nothing seals."""
    if not strokes or release_s - strokes[-1].end_s > SOON_S:
        return False
    before = _fell_before(x, strokes)
    p = np.interp([release_s, release_s + SLOPE_S], x.t, x.smooth)
    return before is not None and float(p[0] - p[1]) / SLOPE_S < 2.0 * before


def _fell_before(x: Prepared, strokes: Sequence[Stroke]) -> float | None:
    """How fast (kPa/s) the pressure fell before each of the last strokes; None where that is not seen."""
    before = []
    for a, b in pairwise(strokes[-4:]):
        pause = b.start_s - a.end_s
        long = min(max(pause / 2.0, 2.0 * x.dt_s), SLOPE_S)
        if long <= pause + 0.1 * x.dt_s:
            p = np.interp([b.start_s - long, b.start_s], x.t, x.smooth)
            before.append(float(p[0] - p[1]) / long)
    return median(np.array(before)) if before else None


def _faster_than_before(x: Prepared, strokes: Sequence[Stroke]) -> bool:
    """Whether the pressure falls far faster after the last stroke than it did before each of the last ones."""
    before, since = _fell_before(x, strokes), strokes[-1].end_s
    p = np.interp([since + SOON_S / 3.0, since + SOON_S], x.t, x.smooth)
    return before is not None and float(p[0] - p[1]) / (SOON_S / 1.5) > 4.0 * before


def take_beat_out(x: Prepared, vented_end_s: float, *, may_open: bool) -> tuple[Prepared, Beat | None, Release]:
    """The trace without the rhythm of an idling engine, that rhythm where there is one, and the release."""
    release = find_release(x, vented_end_s)
    beat = find_beat(x, release.start_s if release.start_s is not None else float(x.t[-1]), may_open=may_open)
    if beat is None:
        return x, None, release
    calm = without_beat(x, beat)
    return calm, beat, find_release(calm, vented_end_s)


def segment(
    x: Prepared, vented_end_s: float, let_go: Release, *, hold_s: float, may_open: bool,
    period_s: float | None, late: bool,
) -> Stretches:
    """Strokes, holds and release of a prepared trace. let_go: what looks like its release. hold_s: how long a hold has
    to last. period_s: of a beat that was in it, of which something may be left. late: it was begun under pressure, so
    without strokes it is all hold up to the release."""
    last, rhythmic = float(x.t[-1]), period_s is not None
    strokes = find_strokes(x, vented_end_s, last, may_open=may_open)
    if period_s is not None and not may_open:
        strokes = that_bring(x, strokes, period_s)
    lost = gone_at_once(x, strokes, last) or (let_go.start_s is not None and goes_on(x, strokes, let_go.start_s))
    if lost and not rhythmic:  # what is left of a beat comes and goes as well
        let_go = NO_RELEASE
    looked = _Looked(x, vented_end_s, level_noise(x, vented_end_s), hold_s, may_open, rhythmic, late)
    parts = looked.apart(strokes, let_go)
    if parts.release_s is None and (strokes or late):
        slowly = let_out_slowly(x, (strokes[-1].end_s if strokes else float(x.t[0])) + STEADY_S)
        if slowly.start_s is not None:
            parts = looked.apart(strokes, slowly)
    return parts


@dataclass(frozen=True, slots=True, eq=False)
class _Looked:
    """A trace to be taken apart, with what is known of it. level_sd: noise (kPa) of a level; the rest as of
    ``segment``."""

    x: Prepared
    vented_end_s: float
    level_sd: float
    hold_s: float
    may_open: bool
    rhythmic: bool
    late: bool

    def apart(self, strokes: list[Stroke], let_go: Release) -> Stretches:
        """Of ``strokes`` those that are some, the holds after them, what was let down, and the release, as which
        ``let_go`` looks."""
        x, may_open, release = self.x, self.may_open, let_go.start_s
        end = release if release is not None else float(x.t[-1])
        strokes = [s for s in strokes if s.start_s < end]
        if not (may_open or self.rhythmic):
            strokes = with_eased(x, strokes, self.level_sd, end)
        holds, downs = self.quiet(strokes, end)
        fewer = _without_warming(x, strokes, downs)
        if len(fewer) < len(strokes):
            strokes = without_knocks(x, fewer, end, may_open=may_open)
            strokes = strokes if may_open else without_bumps(x, strokes)
            holds, downs = self.quiet(strokes, end)
        if may_open and len(more := with_again(x, strokes, end)) > len(strokes):
            strokes = more
            holds, downs = self.quiet(strokes, end)
        final = downs[-1] if downs else None
        begun_s = strokes[-1].start_s if strokes else float(x.t[0])
        if final is not None and final[0] > begun_s and _first_bite(x, holds, final, ends=release is not None):
            again = let_go.zero_s if release is not None else at_zero(x, final[0])
            let_go = let_go._replace(start_s=final[0], zero_s=again)
            downs = downs[:-1]
            holds = [h for h in holds if h[0] < final[0]]
        return Stretches(self.vented_end_s, tuple(strokes), tuple(holds), *let_go, tuple(downs))

    def quiet(self, strokes: Sequence[Stroke], end_s: float) -> tuple[Spans, Spans]:
        """The quiet stretches after strokes, and when in them the pressure was let down; where there is no stroke in
        a trace that was begun under pressure, from its first reading on."""
        x, may_close = self.x, self.may_open
        holds, downs = [], []
        begins = [s.end_s for s in strokes] or ([float(x.t[0])] if self.late else [])
        for n, since in enumerate(begins):
            until = strokes[n + 1].start_s if n + 1 < len(strokes) else end_s
            if until - since <= QUIET_S:
                continue
            at_once = not may_close and bool(strokes) and _faster_than_before(x, strokes[: n + 1])
            for a, b in let_downs(x, since, until, hold_s=self.hold_s, may_close=may_close, at_once=at_once):
                from_s = last_held(x, a) if b > a else a
                holds.append((since, from_s))
                if b > a:
                    downs.append((from_s, b))
                held, left = np.interp([from_s - 0.5, b], x.t, x.smooth)
                since = until if left < GONE * held else b
            holds.append((since, until))
        return [h for h in holds if h[1] - h[0] > QUIET_S], downs


def _without_warming(x: Prepared, strokes: list[Stroke], downs: Sequence[tuple[float, float]]) -> list[Stroke]:
    """Without the rises right after some pressure was let down, slow ones or in one smooth curve: air that this made
    cold warms up."""
    if not strokes or not downs:
        return strokes
    edges = np.searchsorted(x.even_t, [(s.start_s, s.end_s) for s in strokes])
    steep = np.array([float(x.even_slope[i : j + 1].max()) for i, j in edges])
    quick = steep > SLOWER * median(steep)
    out = strokes
    for a, b in downs:
        held, left = np.interp([a - 0.5, b], x.t, x.smooth)
        pumped_s = min((s.start_s for s, is_quick in zip(strokes, quick, strict=True) if is_quick and s.start_s > b),
                       default=np.inf)  # fmt: skip
        most = left + WARMS * (held - left)
        low = [s for s in out if a < s.start_s and s.top_kpa < most]
        pumped_on = low and any(0.0 < s.start_s - low[-1].start_s < PAUSE_S for s in out if s not in low)
        if pumped_on or not low or not _smooth(x, low, b):
            low = [s for s in low if s.start_s < pumped_s]
        out = [s for s in out if s not in low]
    return out


def _smooth(x: Prepared, rises: Sequence[Stroke], since_s: float) -> bool:
    """Whether the pressure goes up in one curve from ``since_s`` to the last of these rises, one after the other, and
    not in steps: as a few exponentials of time draw it."""
    usual = median(np.array([s.rise_kpa for s in rises]))
    a, b = np.searchsorted(x.t, [max(since_s, rises[0].start_s), rises[-1].end_s])
    t, p = x.t[a:b], x.p[a:b]
    if len(t) < 4 * len(WARMS_S) or any(n.start_s - s.end_s > PAUSE_S for s, n in pairwise(rises)):
        return False
    curves = np.column_stack([np.ones_like(t), *(np.exp((t[0] - t) / tau) for tau in WARMS_S)])
    off = p - curves @ np.linalg.lstsq(curves, p, rcond=None)[0]
    return float(np.sqrt(np.mean(off**2))) < math.hypot(UNEVEN * x.sd_kpa, STEPS * usual)


def _first_bite(x: Prepared, holds: Sequence[tuple[float, float]], down: tuple[float, float], *, ends: bool) -> bool:
    """Whether the release began with ``down``: what was held after it, if anything, was held for less long. ends: all
    is let go in the end; else it may have been let down a little, to the target, and be held on."""
    after = sum(b - a for a, b in holds if a >= down[1] - x.dt_s)
    held, left = np.interp([down[0] - 0.5, down[1]], x.t, x.smooth)
    if not ends and left > HELD_ON * held and float(x.t[-1]) - down[1] > 1.0:
        return False
    before = max((b - a for a, b in holds if b <= down[0] + x.dt_s), default=0.0)
    return after < before


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
    for start, end in parts.let_downs:
        held, left = np.interp([start - 0.5, end], x.t, x.smooth)
        events += [(start, "steep-fall"), (end, "at-zero" if left < GONE * held else "quiet")]
    if parts.release_s is not None and (parts.strokes or not vented):
        events.append((parts.release_s, "steep-fall"))
        if parts.zero_again_s is not None:
            events.append((parts.zero_again_s, "at-zero"))
    return follow(events, float(x.t[0]), float(x.t[-1]), begins="vented" if vented else "pump-up")
