"""How a leak's flow goes with pressure, as the shape of the fall it causes.

p' = -k p^n P^m, P absolute. n: 1/2 turbulent, 1 laminar. m: coolant leaves a gas space that grows, P^2 of it where
nothing else gives and P^0 where only hoses do; gas leaves at its own pressure, laminar with P - P_air and P + P_air;
choked n 0, m 1. What is between is between in n and m, so a law is a place in that plane with a normal spread about it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from recorder.air import STANDARD_ATMOSPHERE_KPA

if TYPE_CHECKING:
    from recorder.model import FloatArray

__all__ = ["LAWS", "NEAR_LAW", "Law", "away", "bows", "leak_shape", "moved", "shut_laws"]


class Law(NamedTuple):
    """p' = -k p^n P^m; where ``width_kpa`` is positive, by so much above ``shut_kpa`` the leak closes, in a straight
    line. Before ``begins_s`` nothing leaks."""

    n: float
    m: float
    shut_kpa: float = 0.0
    width_kpa: float = 0.0
    begins_s: float = 0.0


# where no source is named beside a number: common practice, no source
_AIR_KPA = STANDARD_ATMOSPHERE_KPA  # of the laws' shapes alone: 70 kPa change them by half of what a spread of m does

NEAR_LAW = Law(0.5, 1.0)  # a small fall does not show which one it is
_SPREADS = (0.2, 0.6)  # standard deviations of n and m about a law: half the way to the next
LAWS: tuple[Law, ...] = tuple(Law(n, m) for n in (0.5, 1.0) for m in (0.25, 1.5))
# below the end and as wide, in falls: a seat that weeps goes on in proportion to what the pressure is above its own
_WEEPS = ((-0.3, 1.3), (-0.8, 1.8))
_LEAST, _MOST = (0.0, -0.8), (1.4, 2.4)  # no further does a law move


def shut_laws(end_kpa: float, fall_kpa: float) -> tuple[Law, ...]:
    """Leaks that shut near the pressure ``end_kpa`` where a trace that fell by ``fall_kpa`` levels out; and such as
    would shut further down, as a seat does that weeps."""
    places = [(0.5, above, width) for above in (-0.02, 0.02, 0.08, 0.2) for width in (0.06, 0.3, 1.0)]
    weeps = [(0.0, above, width) for above, width in _WEEPS]
    return tuple(
        Law(n, 1.0, end_kpa + above * fall_kpa, width * fall_kpa)
        for n, above, width in (*places, *weeps)
        if end_kpa + above * fall_kpa > 0.0
    )


def moved(law: Law, by: FloatArray) -> Law:
    """``law`` moved by so many spreads, as far as laws go."""
    values = list(law)
    for i, spread in enumerate(_spreads(law)):
        values[i] += float(by[i]) * spread
    for i in range(2):
        values[i] = min(max(values[i], _LEAST[i]), _MOST[i])
    return Law(*values)


def away(law: Law, home: Law) -> FloatArray:
    """How many spreads ``law`` is from ``home``."""
    return np.array([(law[i] - home[i]) / s for i, s in enumerate(_spreads(home))])


def _spreads(law: Law) -> tuple[float, ...]:
    return _SPREADS if law.width_kpa == 0.0 else (*_SPREADS, 0.5 * law.width_kpa)


def bows(law: Law, home: Law, t: FloatArray, seen_kpa: FloatArray, length_s: float) -> FloatArray:
    """By what the fall's shape at ``t``, where the pressure ``seen_kpa`` was seen, changes (q, n) where the law moves
    by one of its home's spreads in each direction."""
    gauge, absolute, drive = _drive(law, t, seen_kpa)
    turns = [np.log(gauge / gauge[0]), np.log(absolute / absolute[0])]
    if law.width_kpa > 0.0:
        above = (seen_kpa - law.shut_kpa) / law.width_kpa
        turns.append(np.where((above > 0.0) & (above < 1.0), -1.0 / np.maximum(seen_kpa - law.shut_kpa, 1e-9), 0.0))
    rows = drive * np.array([np.ones_like(t), *(s * x for s, x in zip(_spreads(home), turns, strict=True))])
    rates = np.concatenate([rows[:, :1], rows, rows[:, -1:]], axis=1)
    fell = np.cumsum(np.diff(t, prepend=0.0, append=length_s) * (rates[:, 1:] + rates[:, :-1]) / 2.0, axis=1)
    if fell[0, -1] <= 0.0:
        return np.zeros((len(turns), len(t)))
    shape = fell[0, :-1] / fell[0, -1]
    return np.asarray((fell[1:, :-1] - shape * fell[1:, -1:]) * (length_s / fell[0, -1]))


def _drive(law: Law, seen_s: FloatArray, seen_kpa: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Gauge and absolute pressure, and the flow for them, one at the start or where it would have been one there."""
    top = max(float(seen_kpa[0]), 1e-3)
    gauge = np.maximum(seen_kpa, 1e-3 * top)
    absolute = gauge + _AIR_KPA
    drive = (gauge / gauge[0]) ** law.n * (absolute / absolute[0]) ** law.m
    if law.width_kpa > 0.0:
        drive = drive * np.clip((seen_kpa - law.shut_kpa) / law.width_kpa, 0.0, 1.0)
    if law.begins_s > 0.0:
        drive = np.where(seen_s < law.begins_s, 0.0, drive)
    return gauge, absolute, drive


def leak_shape(
    t: FloatArray, law: Law, seen_s: FloatArray, seen_kpa: FloatArray, length_s: float
) -> FloatArray:
    """The leak's fall at ``t`` (s since the start, increasing), ``length_s`` at the end: one a second on average.

    seen_s, seen_kpa: the pressure (gauge, noise averaged out) along the hold. It is what drives the leak, settling
    and all, so the shape needs no guess of the leak's size.
    """
    drive = _drive(law, seen_s, seen_kpa)[2]
    at = np.concatenate([[0.0], seen_s, [length_s]])
    rate = np.concatenate([drive[:1], drive, drive[-1:]])
    fell = np.concatenate([[0.0], np.cumsum(np.diff(at) * (rate[1:] + rate[:-1]) / 2.0)])
    if fell[-1] <= 0.0:
        return t.copy()
    # between the places a parabola: the drive there is a straight line
    many = np.diff(np.searchsorted(t, at[1:-1]), prepend=0, append=len(t))
    bend = (rate[1:] - rate[:-1]) / (2.0 * np.maximum(at[1:] - at[:-1], 1e-9))
    begin, far, drive, bend = (np.repeat(v, many) for v in (at[:-1], fell[:-1], rate[:-1], bend))
    d = t - begin
    return np.asarray((far + (drive + bend * d) * d) * (length_s / fell[-1]))
