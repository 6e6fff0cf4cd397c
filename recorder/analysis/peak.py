"""The highest pressure on a trace, with the noise taken out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.trace.filters import median
from recorder.model import Quantity

if TYPE_CHECKING:
    from recorder.analysis.trace.signal import Prepared
    from recorder.model import FloatArray

__all__ = ["find_peak"]

# where no source is named beside a number: common practice, no source
_FLAT_KPA = 1e-9  # a top that bends less is flat but for rounding errors
_BLUNT_KPA, _BLUNT_KPA_PER_S = 0.2, 2.0  # u of a top that no parabola fits, the wider the readings are apart
_EVEN = 3.0  # usual steps between the readings about a sharp top, at most
_CLIMBS_KPA, _CLIMBS = 1.0, 6.0  # by so much, and so many standard deviations of a reading, a hold rises plainly
_TOP_S = 1.0  # after a hold began its last stroke may still have its top


def find_peak(x: Prepared, end_s: float, falls: tuple[float, float] | None) -> Quantity:
    """The peak (kPa, zero-corrected) up to ``end_s``, and when: a parabola through the readings about the highest
    smooth one; of a top too sharp for that, as of a valve that pops, through the highest reading and its neighbours.
    falls: a hold in which the pressure does not rise, so what stands above where it began is a knock, or
    noise; unless it ends higher than it began."""
    many = int(np.searchsorted(x.t, end_s, "right"))
    t, p = x.t[:many], x.p[:many]
    width = max(round(0.05 / x.dt_s), 1)
    mean = np.convolve(p, np.ones(width) / width, "same") if width > 1 else p
    if width > 1 and len(mean) > 2 * width:
        mean[:width], mean[-width:] = p[:width].min(), p[-width:].min()
    if falls is not None and not _climbs(x, *falls):
        mean = np.where((t > falls[0] + _TOP_S) & (t <= falls[1]), -np.inf, mean)
    k = int(np.argmax(mean))
    first, last = np.searchsorted(t, [t[k] - 0.2, t[k] + 0.2])
    since, about = t[first:last] - t[k], p[first:last]
    sd = x.sd_kpa
    # a full top first; where no parabola fits it, less of it: a valve that pops leaves a sharp one
    for half_s in (0.12, 0.07, 0.04, 0.025):
        near = np.abs(since) < half_s - 1e-6  # the same readings wherever the clock stands
        n = int(np.count_nonzero(near))
        if n < (7 if half_s > 0.1 else 5):
            break
        s = since[near] / half_s
        design = np.stack([np.ones(n), s, s * s])
        cov = np.linalg.inv(design @ design.T)
        c = cov @ (design @ about[near])
        miss = about[near] - c @ design
        if float(miss @ miss) / (n - 3) > 2.0 * sd**2:
            continue
        level, tilt, bend = (float(v) for v in c)
        at = min(max(-tilt / (2.0 * bend) * half_s, -0.1), 0.1) / half_s if bend < -_FLAT_KPA else 0.0
        u = float(sd * np.sqrt(cov[0, 0])) + 0.05
        top = level + tilt * at + bend * at * at
        return Quantity(top, float(np.hypot(u, 0.1)), "kPa", float(t[k]) + at * half_s)
    if width > 1 and (sharp := _sharp(x, t, p, k, width)) is not None:
        return sharp
    return Quantity(float(mean[k]), float(np.hypot(sd, _BLUNT_KPA + _BLUNT_KPA_PER_S * x.dt_s)), "kPa", float(t[k]))


def _sharp(x: Prepared, t: FloatArray, p: FloatArray, k: int, width: int) -> Quantity | None:
    """A top that no parabola through five readings fits, near number ``k``: the average over ``width`` of them that
    found it would flatten it. A parabola through three, and, if pressure turns at once from rising to falling, where
    the lines through two on each side meet; anywhere between is as likely. None at a hole or an end."""
    j = max(k - width, 0) + int(np.argmax(p[max(k - width, 0) : k + width + 1]))
    if j < 2 or j > len(p) - 3 or float(t[j + 2] - t[j - 2]) > 4.0 * _EVEN * x.dt_s:
        return None
    s, y = (t[j - 2 : j + 3] - t[j]) / x.dt_s, p[j - 2 : j + 3] - p[j]
    bend, tilt, _ = (float(c) for c in np.polyfit(s[1:4], y[1:4], 2))
    if bend > -_FLAT_KPA:
        return None
    at = float(np.clip(-tilt / (2.0 * bend), s[1], s[3]))
    top = tilt * at + bend * at * at
    i = 2 if y[3] >= y[1] else 1  # the turn lies between this one and the next
    up, down = (float((y[n + 1] - y[n]) / (s[n + 1] - s[n])) for n in (i - 1, i + 1))
    meet = top
    if up > 0.0 > down:
        meet = max(float(y[i]) + up * (float(y[i + 1] - y[i]) - down * float(s[i + 1] - s[i])) / (up - down), top)
    u = float(np.hypot(x.sd_kpa, max((meet - top) / np.sqrt(12.0), 0.1)))
    return Quantity(float(p[j]) + (top + meet) / 2.0, u, "kPa", float(t[j]) + at * x.dt_s)


def _climbs(x: Prepared, start_s: float, end_s: float) -> bool:
    """Whether the pressure is higher in the last part of that time (s) than in its first."""
    part = x.smooth[(x.t >= start_s) & (x.t <= end_s)]
    some = max(len(part) // 5, 1)
    return len(part) > 0 and median(part[-some:]) - median(part[:some]) > max(_CLIMBS_KPA, _CLIMBS * x.sd_kpa)
