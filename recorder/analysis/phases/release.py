"""How the pressure was let go: at the end of a test, at once, by a valve opened a little, or not at all."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from recorder.analysis.phases.let_down import GONE
from recorder.analysis.trace.filters import median
from recorder.analysis.trace.signal import Prepared

__all__ = ["NO_RELEASE", "STEADY_S", "Release", "at_zero", "find_release", "last_held", "let_out_slowly"]

AT_ONCE_S = 0.1  # from 80 to 20 %: a hose that came off; a valve turned by hand takes longer; no source
TELLS_S = 0.15  # readings further apart do not tell that
# what is let out has gone, or stays: as long as that at one level; common practice, no source
RESTS_S, RESTS_KPA = 1.5, 0.3
# let out slowly: so far, in shares of what was held a second, against the fall before; common practice, no source
BLOCK_S, STEADY_S, BLED_S = 0.5, 5.0, 3.0
BLED_SHARE, BLED_TIMES, STEADY_SHARE, BLED_TO = 0.015, 6.0, 0.002, 0.5


class Release(NamedTuple):
    """When the pressure was let go (s), and when it was at zero again, or at rest; None where it was not. at_once: as
    where a hose comes off."""

    start_s: float | None = None
    zero_s: float | None = None
    at_once: bool = False


NO_RELEASE = Release()


def find_release(x: Prepared, after_s: float) -> Release:
    """The release of a trace that ends vented."""
    p = x.smooth
    top = float(np.max(p))
    if top < 3.0:
        return NO_RELEASE
    least = max(4 * x.sd_kpa, 1.0)
    if p[-1] > max(0.25 * top, least):
        return NO_RELEASE
    for share, near in ((0.3, 0.06), (0.13, 0.06), (0.06, 0.03)):  # a leak may have taken most before it was let go
        near_zero = max(near * top, least)
        found = _steep_fall(x, max(share * top, 2.0 * near_zero), near_zero, after_s)
        if found.start_s is not None:
            return found
    return NO_RELEASE


def let_out_slowly(x: Prepared, after_s: float) -> Release:
    """When a held pressure began to be let out slowly, by a valve opened a little, and when it was at zero or rested;
    none where no hold turns into such a fall. Readings are looked at in blocks; the kink is where the slope of the
    seconds after is furthest below that of the seconds before."""
    n = max(round(BLOCK_S / x.dt_s), 1)
    many = len(x.even_p) // n
    before, after = (max(round(s / (n * x.dt_s)), 2) for s in (STEADY_S, BLED_S))
    if many < before + after + 2:
        return NO_RELEASE
    b = x.even_p[: many * n].reshape(many, n).mean(axis=1)
    at = x.even_t[: many * n].reshape(many, n).mean(axis=1)
    k = np.arange(before, many - after)
    held = (b[k] - b[k - before]) / (at[k] - at[k - before])
    falls = (b[k + after] - b[k]) / (at[k + after] - at[k])
    later = np.maximum.accumulate(b[::-1])[::-1]
    steep = (falls < -BLED_SHARE * b[k]) & (falls < BLED_TIMES * np.minimum(held, 0.0))
    quiet = held < STEADY_SHARE * b[k]  # no stroke in it
    ends = (later[k + after] < b[k]) & (b[-1] < BLED_TO * b[k]) & (b[k] > 10.0 * x.sd_kpa)
    kinks = np.flatnonzero(steep & quiet & ends & (at[k] > after_s))
    if not len(kinks):
        return NO_RELEASE
    at_s = float(at[k[kinks[int(np.argmin((falls - held)[kinks]))]]])
    start = last_held(x, at_s)
    return Release(start, at_zero(x, start))


def at_zero(x: Prepared, start_s: float) -> float | None:
    """When what was let go from ``start_s`` on was at zero, or near it and at rest; None where it was not, or not all
    was let go."""
    least = max(0.03 * float(np.max(x.smooth)), 4.0 * x.sd_kpa, 1.0)
    zero_at = np.flatnonzero((x.t > start_s) & (x.smooth < least))
    if len(zero_at):
        return float(x.t[zero_at[0]])
    return _rests(x, start_s) if x.smooth[-1] < GONE * float(np.max(x.smooth)) else None


def last_held(x: Prepared, start_s: float) -> float:
    """The last reading near ``start_s`` still at the level that was held before."""
    t = x.t
    before = (t > start_s - 1.5) & (t < start_s - 0.15)
    if np.count_nonzero(before) < 3:
        return start_s
    level = median(x.p[before])
    near = np.flatnonzero((t > start_s - 0.3) & (t < start_s + 0.8) & (x.p > level - 4.0 * x.sd_kpa - 0.2))
    return float(t[near[-1]]) if len(near) else start_s


def _steep_fall(x: Prepared, above_kpa: float, near_zero: float, after_s: float) -> Release:
    """The fall that the last reading above ``above_kpa`` belongs to, where it is steep."""
    t, p = x.t, x.smooth
    top = float(np.max(p))
    up = np.flatnonzero(p > above_kpa)
    if not len(up):
        return NO_RELEASE
    last = int(up[-1])
    # back from the middle of the fall to where it began: steep against the fall of the seconds before it
    calm = x.slope[(t > t[last] - 12.0) & (t < t[last] - 2.5)]
    usual = median(calm) if len(calm) > 3 else 0.0
    steep = min(6.0 * min(usual, 0.0) - 1.0, -0.03 * top, usual - 5.0 * x.sd_kpa / 0.3)
    low, high = max(last - round(3.0 / x.dt_s), 0), min(last + round(1.5 / x.dt_s) + 2, len(t))
    if high <= low or float(np.min(x.slope[low:high])) > steep:
        return NO_RELEASE
    at = low + int(np.argmin(x.slope[low:high]))
    while at > 0 and x.slope[at] < steep * 0.5:
        at -= 1
    start = last_held(x, float(t[at]))
    if start < after_s:
        return NO_RELEASE
    zero_at = np.flatnonzero((t > start) & (p < near_zero))
    again = float(t[zero_at[0]]) if len(zero_at) else _rests(x, start)
    return Release(start, again, _at_once(x, start))


def _rests(x: Prepared, release_s: float) -> float | None:
    """From when on the reading stays where it is to the end, though not at the old zero; None where it still falls."""
    t, p = x.t[x.t > release_s], x.smooth[x.t > release_s]
    late = t > t[-1] - RESTS_S if len(t) else np.zeros(0, bool)
    if np.count_nonzero(late) < 5 or float(t[-1]) - release_s < 2.0 * RESTS_S:
        return None
    level = median(p[late])
    away = np.flatnonzero(np.abs(p - level) > max(3.0 * x.sd_kpa, RESTS_KPA))
    since = float(t[away[-1]]) if len(away) else release_s
    return since if since < t[-1] - RESTS_S else None


def _at_once(x: Prepared, start_s: float) -> bool:
    """Whether what was held at ``start_s`` went faster than a hand lets it go."""
    t, p = x.t[x.t >= start_s], x.p[x.t >= start_s]
    held = (x.t > start_s - 0.6) & (x.t < start_s)
    if len(p) < 3 or not held.any() or x.dt_s > TELLS_S:
        return False
    level = median(x.p[held])
    times = []
    for share in (0.8, 0.2):
        k = int(np.argmax(p < share * level))
        if k == 0:
            return False
        times.append(float(np.interp(-share * level, -p[k - 1 : k + 1], t[k - 1 : k + 1])))
    return times[1] - times[0] < max(AT_ONCE_S, 1.2 * x.dt_s)  # readings far apart draw a fall out
