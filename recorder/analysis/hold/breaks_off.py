"""Leaks that shut within the hold: a fall that breaks off as nothing that settles does.

What settles falls as a sum of exponentials of one sign. The slope of such a sum is log-convex (so is every completely
monotone function: Widder 1941, The Laplace Transform, ch. IV; from memory), and a steady leak beside it keeps it so: of
three stretches of one length the third falls by no less than the square of the second over the first. A leak that shuts
as the pressure falls breaks that law, however little fell and however well exponentials and noise that wanders would
follow it. A cap's valve that shuts late breaks it as well, but where it has shut before.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.hold.cases import CLEARLY, MOST_LAWS, Case, HoldCases
from recorder.analysis.hold.laws import shut_laws
from recorder.analysis.hold.line import settles_kpa
from recorder.analysis.hold.posterior import total

if TYPE_CHECKING:
    from recorder.analysis.hold.bins import Bins
    from recorder.analysis.hold.noise import Noise

__all__ = ["breaks_off", "shut_within"]

# where no source is named beside a number: common practice, no source
_LONG = (0.05, 0.1, 0.2)  # of the hold: each of four stretches whose means are compared
_STEP = 1.0 / 60.0  # of the hold, from one place to the next
# so many standard deviations too little, and such a share: what drives a leak falls too, and turbulent flow with it
_SURE, _SHARE = 5.0, 0.3


def breaks_off(b: Bins, length_s: float, sd_kpa: float) -> bool:
    """Whether the fall of bins ``b`` slows down at some place by more than a sum of exponentials and a leak can.
    sd_kpa: of a reading."""
    weight = np.concatenate([[0.0], np.cumsum(b.weight)])
    moment = np.concatenate([[0.0], np.cumsum(b.weight * b.t)])
    sums = np.concatenate([[0.0], np.cumsum(b.weight * b.y)])
    for share in _LONG:
        starts = np.arange(0.0, 1.0 - 4.0 * share + 1e-9, _STEP) * length_s
        at = np.searchsorted(b.t, starts[:, None] + share * length_s * np.arange(5.0))
        many = np.diff(weight[at], axis=1)
        use = (many > 0.0).all(axis=1) & (np.diff(at, axis=1) > 0).all(axis=1)
        if not use.any():
            continue
        many, at = many[use], at[use]
        mean, when = np.diff(sums[at], axis=1) / many, np.diff(moment[at], axis=1) / many
        apart = np.diff(when, axis=1)
        slope = -np.diff(mean, axis=1) / apart
        sd = sd_kpa * np.sqrt(1.0 / many[:, 1:] + 1.0 / many[:, :-1]) / apart
        first, second, third = slope.T
        slows = (second > _SURE * sd[:, 1]) & (first >= second)
        power = (apart[:, 2] + apart[:, 1]) / (apart[:, 1] + apart[:, 0])
        ratio = np.where(slows, second / np.where(slows, first, 1.0), 1.0)
        least = second * ratio**power
        u = power * ratio ** (power + 1.0) * sd[:, 0] + (1.0 + power) * ratio**power * sd[:, 1] + sd[:, 2]
        if bool((slows & (least - third > _SURE * u) & (least - third > _SHARE * least)).any()):
            return True
    return False


def shut_within(
    hold: HoldCases, cases: list[Case], fall_kpa: float, white: Noise, least: float, known: Noise | None
) -> list[Case]:
    """``cases``, or leaks that shut within the hold where these are clearly likelier. Looked for where the fall breaks
    off. fall_kpa: by so much the pressure fell; white, least, known: as for all cases."""
    b, first = hold.finder.b, cases[0]
    if known is not None or fall_kpa <= 0.0 or any(case.law.width_kpa > 0.0 for case in cases):
        return cases
    if not breaks_off(b, hold.length_s, min(white.white_kpa, first.noise.white_kpa)):
        return cases
    end, shut = float(np.mean(b.y[-max(len(b.y) // 8, 1) :])), hold.before.shut_kpa
    if shut is not None and end > shut - settles_kpa(shut):
        return cases  # no lower than the cap's own valve let it fall before
    rate = max(fall_kpa / hold.length_s, 1e-6)
    found = hold.moved([Case(law, law, white, rate) for law in shut_laws(end, fall_kpa)], least, known)
    if not found:
        return cases
    closer = hold.likely(hold.likely(found)[:MOST_LAWS], quick=False)
    usual = max((total(hold.full(case)) for case in cases), default=-math.inf)
    return closer if total(hold.full(closer[0])) > usual + CLEARLY else cases
