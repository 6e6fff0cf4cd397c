"""Gas space from the pump's strokes, and what a fall means in millilitres.

A stroke moves V_s of outside air, less what the pump keeps (d V_s before its valve, compressed: d V_s p / p_atm):
dp = p_atm V_s (1 - d p / p_atm) / V once it has cooled (isothermal, Boyle). V is the space as the
strokes see it: gas, and hoses that give C mL/kPa count as p_abs C of it, so that it grows with the pressure by 2 C.
Three things are taken out of the levels between the strokes: the heat that earlier strokes left (a stroke starts
gamma = 1.4 times as high, adiabatic, and dies away to 1), what leaked away meanwhile (gas takes its part of p V with
it, coolant leaves its room to the gas), and what hoses stretched since, as the hold shows them stretching on.
Coolant that leaks is made up by the gas, V p / p_abs^2 a kPa (Boyle), and by the hoses, C a kPa. Gas that leaks takes
V / p_abs a kPa with it, at its own pressure. Hoses that went on stretching shrink late, too: what they take back of a
fall was lost without being seen.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.trace.filters import median

if TYPE_CHECKING:
    from recorder.model import FloatArray, IntArray

__all__ = ["KEPT", "Leak", "Settles", "Space", "either", "headspace", "lost_ml", "with_uncounted"]

# where no source is named beside a number: common practice, no source
_HEAT = 0.4  # gamma - 1 of air: by which a stroke is warm at first, at most
_WARM, _WARM_U = 0.3, 0.15  # what it usually is, where the hold does not show it; no source
_USUAL_TAU_S = 1.5  # of compressed air cooling to a hose's wall, where the hold does not show it
_SETTLES_U = 0.5  # of what settles in the hold, against the pressure; no source
_STROKE_U = 0.02  # relative: the stroke and the cooling are no better known
# of a stroke, what the pump keeps before its valve; it takes p / p_atm of that from what comes in. Common practice, no
# source: some hundredths of a small hand pump's stroke
KEPT, _KEPT_U = 0.015, 0.015
_COOLS, _USUALLY_COOLS = 1.3, 2.5  # factors: how well the cooling is known, as the hold shows it, and where it does not
# of the strokes' heat: with more of it what settles slowly is taken for air, with so much it may be
_IS_HEAT, _MAY_BE_HEAT = 0.5, 0.2
_N_U, _M_U = 0.25, 0.5  # how well a hold shows how the leak goes with the pressure
_STEP_SURE, _STEP_SHARE = 4.0, 0.12  # standard errors, and share of a stroke: a smaller step is none
_UNKNOWN = 0.3  # relative u from which on strokes do not tell the space
_LATE_U = 0.5  # relative: how much of what settles slowly is hoses
_GIVE, _GIVE_U = 0.1, 0.15  # share of the space that is the give of hoses, where the strokes do not tell


@dataclass(frozen=True, slots=True, eq=False)
class Space:
    """Gas space (mL) at gauge pressure ``at_kpa`` with its standard uncertainty, and the hoses' share of it. late: of a
    sudden change of the pressure, the share that the hoses take back in time."""

    volume_ml: float
    u_ml: float
    give: float
    give_u: float
    at_kpa: float
    late: float = 0.0


@dataclass(frozen=True, slots=True)
class Leak:
    """The steady fall at the pressure at which the space is asked for. It goes with the pressure, p^n P^m (P absolute);
    m is 2 for coolant that makes the space grow, 0 for gas."""

    kpa_per_s: float = 0.0
    n: float = 0.75
    m: float = 1.0


@dataclass(frozen=True, slots=True)
class Settles:
    """What the hold shows settle after the strokes: quickly, with the time constant cooling_s, by cooling_kpa, None
    where it does not show it; and slowly, by slow_kpa from then on, with slow_s: hoses, or a gas space so wide that it
    cools slowly, where it is as large as the strokes' heat would be."""

    cooling_s: float | None = None
    cooling_kpa: float | None = None
    slow_kpa: float = 0.0
    slow_s: float = 10.0


def either(one: Space | None, other: Space | None, share: float) -> Space | None:
    """The mixture of two, the first with probability ``share``; None where one that may well be is not told."""
    if one is None or other is None:
        return one if share > 0.9 else other if share < 0.1 else None
    volume = share * one.volume_ml + (1.0 - share) * other.volume_ml
    spread = math.sqrt(share * (1.0 - share)) * (one.volume_ml - other.volume_ml)
    likelier = one if share > 0.5 else other
    return replace(likelier, volume_ml=volume, u_ml=math.hypot(likelier.u_ml, spread))


def with_uncounted(space: Space, more: float) -> Space | None:
    """``space`` where the pressure rose by the share ``more`` beyond what the counted strokes brought: perhaps others
    did. None where it is not known then."""
    u = math.hypot(space.u_ml, more * space.volume_ml)
    return replace(space, u_ml=u) if u < _UNKNOWN * space.volume_ml else None


def lost_ml(
    space: Space, start_kpa: float, fall_kpa: float, air_kpa: float, *, gas: bool
) -> tuple[float, float]:
    """What left (mL) while a leak let the pressure fall steadily by ``fall_kpa`` from ``start_kpa`` (gauge), and the
    standard uncertainty that the space gives it. gas: air, at its own pressure; else coolant, which air may have been
    all the same. Of each fall the hoses take back the share ``space.late`` (superposition, Boltzmann)."""
    # a broken trace can have a fit that is below nothing
    least = 0.2 * air_kpa
    here, first = max(space.at_kpa + air_kpa, least), max(start_kpa + air_kpa, least)
    last = max(first - fall_kpa, least)
    hoses = (first - last) / here
    coolant = (1.0 - space.give) * here * (1.0 / last - 1.0 / first) + space.give * hoses
    air = (1.0 - 2.0 * space.give) * math.log(first / last) + 2.0 * space.give * hoses
    each = air if gas else coolant
    doubt = space.give_u * (here * (1.0 / last - 1.0 / first) - hoses)
    if not gas:
        doubt = math.hypot(doubt, (coolant - air) / 2.0)
    volume = space.volume_ml / (1.0 - space.late)
    return volume * each, math.hypot(space.u_ml * each, volume * doubt, _LATE_U * space.late * volume * each)


def _less_from(gains: FloatArray) -> int:
    """Number of the stroke from which on all bring less at a blow (eased, or a leak that began), or how many there are:
    the step that explains most beside a smooth bend (least squares), where it is beyond chance and large."""
    n = len(gains)
    i = np.arange(n)
    if n < 10:
        return n
    q = np.linalg.qr(np.stack([np.ones(n), i, i * i], axis=1) / n)[0]
    left = gains - q @ (q.T @ gains)
    steps = (i[:, None] >= i[3 : n - 2]).astype(float)
    steps -= q @ (q.T @ steps)
    size = np.maximum((steps * steps).sum(axis=0), 1e-9)
    along = left @ steps
    k = int(np.argmin(along / np.sqrt(size)))
    rest = max(float(left @ left - along[k] ** 2 / size[k]) / (n - 4), 1e-12)
    by, chance = along[k] / size[k], math.sqrt(rest / size[k])
    sure = by < -_STEP_SURE * chance and by < -_STEP_SHARE * median(gains[: k + 3])
    return k + 3 if sure else n


def headspace(
    starts_s: FloatArray,
    ends_s: FloatArray,
    levels_kpa: FloatArray,
    after_s: float,
    stroke_ml: float,
    air_kpa: float,
    *,
    at_kpa: float,
    settles: Settles,
    leak: Leak = Leak(),
    trace: tuple[FloatArray, FloatArray] | None = None,
    level_u_kpa: float = 0.0,
    kept: float = KEPT,
) -> Space | None:
    """Gas space at gauge pressure ``at_kpa``; None where fewer than three full strokes follow each other,
    or where they do not tell it (a leak takes most of what they bring).

    starts_s, ends_s: of n strokes. levels_kpa: n + 1 gauge pressures, before each stroke and, last, at ``after_s``,
    from which on ``settles`` is. leak: at ``at_kpa``; ``trace`` (s, kPa) is what drives it, or else the levels.
    level_u_kpa: noise of a level. kept: share of a stroke that the pump keeps before its valve.
    """
    if len(starts_s) < 3:
        return None
    at_s = np.append(starts_s, after_s)
    leaked = _Leaked(at_s, levels_kpa, trace or (at_s, levels_kpa), at_kpa, air_kpa, leak)
    gains = np.diff(levels_kpa + leaked.lost(leak.n, leak.m))
    full = _full(gains, level_u_kpa)
    if full is None:
        return None
    k, usual = full
    strokes = _Between(leaked, k, gains, usual, (starts_s + ends_s) / 2.0, settles.slow_s, level_u_kpa)
    tau, doubt, warmth, warmth_u = strokes.warm_by(settles)
    of_heat = strokes.seen(settles.slow_s, settles.slow_kpa)
    hoses, wide = (tau, warmth, settles.slow_kpa), (settles.slow_s, of_heat, 0.0)
    best, other = (wide, hoses) if of_heat > _IS_HEAT * _HEAT else (hoses, wide)
    value, error, share, share_u = strokes.fitted(*best)
    if value <= 0.0:
        return None
    pairs = _either_way(best, hoses, doubt, warmth_u, (leak.n, leak.m) if leak.kpa_per_s > 0.0 else None)
    if of_heat > _MAY_BE_HEAT * _HEAT:
        pairs.append((best, other))
    apart = [strokes.fitted(*one)[0] - strokes.fitted(*two)[0] for one, two in pairs]
    over = at_kpa / air_kpa
    volume = air_kpa * stroke_ml * value * max(1.0 - kept * over, 0.5)
    u = math.sqrt(error**2 + sum(d**2 / 4.0 for d in apart)) / value
    # how much of what settles is heat, which strokes alone do not tell from hoses
    settled_kpa = max(settles.cooling_kpa or 0.0, 0.0) + max(settles.slow_kpa, 0.0)
    u = math.hypot(u, _SETTLES_U * settled_kpa / max(at_kpa, 1.0))
    # strokes that noise hides are not counted: those that stay below half of the usual gain
    u = math.hypot(u, 0.5 * math.erfc(usual / max(4.0 * level_u_kpa, 1e-9)))
    if not u < _UNKNOWN:
        return None
    return Space(
        volume, volume * math.hypot(u, _STROKE_U, _KEPT_U * over), min(max(share, 0.0), 1.0), share_u, at_kpa,
        strokes.late(best[2]),
    )  # fmt: skip


def _either_way(
    best: tuple[float, ...], hoses: tuple[float, float, float], doubt: float, warmth_u: float,
    law: tuple[float, float] | None,
) -> list[tuple[tuple[float, ...], tuple[float, ...]]]:
    """What is not known, each as the two ends between which it lies, in arguments of ``_Between.fitted``: the cooling
    (by the factor ``doubt``), the law of the leak (its n and m, None where nothing leaks), and how warm strokes are."""
    pairs = [((best[0] * doubt, *best[1:]), (best[0] / doubt, *best[1:]))]
    if law is not None:
        n, m = law
        pairs.append(((*best, max(n - _N_U, 0.0)), (*best, n + _N_U)))
        pairs.append(((*best, n, m - _M_U), (*best, n, m + _M_U)))
    if warmth_u > 0.0:
        tau, warmth, slow_kpa = hoses
        pairs.append(((tau, warmth + warmth_u, slow_kpa), (tau, max(warmth - warmth_u, 0.0), slow_kpa)))
    return pairs


def _full(gains: FloatArray, level_u_kpa: float) -> tuple[IntArray, float] | None:
    """Numbers of the levels before and after the last full strokes that follow each other, and what a stroke usually
    ``gains``; None where there are fewer than three."""
    usual = median(gains)
    if usual <= 0.0:
        return None
    # as far as the noise of two levels lets it be seen; but the last ones are eased more often than not
    first = _less_from(gains)
    usual = median(gains[:first])
    full = np.flatnonzero(gains[:first] > 0.75 * usual - 3.0 * math.sqrt(2.0) * level_u_kpa)
    full = full[full <= np.flatnonzero(gains[:first] > 0.75 * usual)[-1]]
    if len(full) < 3:
        return None
    runs = np.split(full, np.flatnonzero(np.diff(full) > 1) + 1)
    need = max(min(6, max(len(r) for r in runs)), 3)
    long = [r for r in runs if len(r) >= need]
    return (np.append(long[-1], long[-1][-1] + 1), usual) if long else None


@dataclass(frozen=True, slots=True, eq=False)
class _Leaked:
    """What leaked while it was pumped: ``at_s`` and ``levels_kpa`` of the levels, ``seen`` (s, kPa) the pressure that
    drives the ``leak``, which is known at ``at_kpa``."""

    at_s: FloatArray
    levels_kpa: FloatArray
    seen: tuple[FloatArray, FloatArray]
    at_kpa: float
    air_kpa: float
    leak: Leak

    def lost(self, power: float, growth: float) -> FloatArray:
        """By how much the leak has lowered each level (kPa): what Boyle gives for gas that left, and for a space that
        grew by coolant that left."""
        seen_s, seen_kpa = self.seen
        absolute = self.at_kpa + self.air_kpa
        drive = (np.maximum(seen_kpa, 0.0) / max(self.at_kpa, 1.0)) ** power
        driven = np.append(0.0, np.cumsum(np.diff(seen_s) * (drive[1:] + drive[:-1]) / 2.0))
        driven = np.interp(self.at_s, seen_s, driven)
        gas = self.leak.kpa_per_s * (driven - driven[0])
        grown = min(float(gas[-1]) / absolute, 0.9)
        coolant = gas * (self.levels_kpa + self.air_kpa) / absolute - self.levels_kpa * grown
        share = min(max(growth / 2.0, 0.0), 1.0)
        return np.asarray(share * coolant + (1.0 - share) * gas)


class _Between:
    """The levels between full strokes, and what heat, leak and hoses did to them. k: numbers of the levels; gains,
    usual_kpa: of all strokes, of a usual one; warm_s: when each stroke's air is warm."""

    def __init__(
        self, leaked: _Leaked, k: IntArray, gains: FloatArray, usual_kpa: float, warm_s: FloatArray, slow_s: float,
        level_u_kpa: float,
    ) -> None:
        self.leaked, self.k, self.gains, self.usual_kpa, self.warm = leaked, k, gains, usual_kpa, warm_s
        self.at, self.levels, self.level_u = leaked.at_s, leaked.levels_kpa, level_u_kpa
        since = self.at[:, None] - warm_s
        self.still = np.where(since > 0.0, np.exp(-np.maximum(since, 0.0) / slow_s), 0.0)

    def gone(self, stretch_kpa: float, power: float, growth: float) -> FloatArray:
        """By how much leak and stretch (each stroke's in proportion to its rise) have lowered each level."""
        share = self.late(stretch_kpa)
        return self.leaked.lost(power, growth) + share * (((self.at[:, None] > self.warm) - self.still) @ self.gains)

    def late(self, stretch_kpa: float) -> float:
        """Share of each rise that stretching takes back in time, of which ``stretch_kpa`` is to come at the end."""
        return min(max(stretch_kpa, 0.0) / max(float(self.still[-1] @ self.gains), 1e-6), 0.3)

    def _heat(self, tau_s: float) -> FloatArray:
        """Strokes' heat that is left at each level, in strokes."""
        return np.array([float(np.exp(-(self.at[i] - self.warm[:i]) / tau_s).sum()) for i in self.k])

    def fitted(
        self, tau_s: float, warmth: float, stretch_kpa: float, power: float | None = None, growth: float | None = None
    ) -> tuple[float, float, float, float]:
        """Space, its standard error, share of give and its: strokes made as a parabola in the pressure."""
        k, heat, at_kpa, leak = self.k, self._heat(tau_s), self.leaked.at_kpa, self.leaked.leak
        without = self.gone(stretch_kpa, leak.n if power is None else power, leak.m if growth is None else growth)
        level = self.levels[k] + without[k]
        beta = np.linalg.lstsq(np.stack([np.ones(len(k)), k + warmth * heat], axis=1), level, rcond=None)[0]
        x = level - warmth * beta[1] * heat - (at_kpa + without[-1])  # once it has cooled
        design = np.stack([np.ones(len(k)), x, x * x], axis=1)
        # how much the parabola may bend: the hoses' share of the space, 2 C = 2 share V / p_abs
        absolute = at_kpa + self.leaked.air_kpa
        bend = max(float(beta[1]), 1e-9) * absolute
        u_bend = _GIVE_U / bend
        rest = k - design @ np.linalg.lstsq(design, k, rcond=None)[0]
        # levels are no surer than their noise, however well a few of them fit
        noise = self.level_u / max(float(beta[1]), 1e-9)
        spread = max(float(rest @ rest) / max(len(k) - 3, 1), noise * noise, 1e-6)
        normal, right = design.T @ design / spread, design.T @ k / spread
        normal[2, 2] += u_bend**-2
        right[2] += _GIVE / bend * u_bend**-2
        cov = np.linalg.inv(normal)
        c = cov @ right
        if c[2] < 0.0:  # hoses give, and do not take
            c = np.append(np.linalg.solve(normal[:2, :2], right[:2]), 0.0)
        per_kpa = float(c[1])  # strokes a kPa
        share = float(c[2]) * absolute / max(per_kpa, 1e-9)
        return per_kpa, math.sqrt(float(cov[1, 1])), share, math.sqrt(float(cov[2, 2])) * absolute / max(per_kpa, 1e-9)

    def warm_by(self, settles: Settles) -> tuple[float, float, float, float]:
        """How strokes cool (s), the factor within which that is known, the share by which they are warm at first, and
        its standard uncertainty: by the hold where that shows it, or else by the strokes."""
        if settles.cooling_s is None:
            return _USUAL_TAU_S, _USUALLY_COOLS, *self.told(_USUAL_TAU_S)
        tau = settles.cooling_s
        if settles.cooling_kpa is None:
            return tau, _COOLS, *self.told(tau)
        return tau, _COOLS, self.seen(tau, settles.cooling_kpa), 0.0

    def seen(self, tau_s: float, kpa: float) -> float:
        """Share by which strokes are warm at first, of which ``kpa`` is left at the end; no more than gamma - 1."""
        left = float(np.maximum(self.gains, 0.0) @ np.exp(-np.maximum(self.at[-1] - self.warm, 0.0) / tau_s))
        return min(max(kpa, 0.0) / max(left, 1e-6), _HEAT)

    def told(self, tau_s: float) -> tuple[float, float]:
        """Share by which strokes are warm at first, as the strokes tell it: those after the first few lie on the cold
        of the ones before. With its standard uncertainty."""
        k = self.k
        level, design = self.levels[k], np.stack([np.ones(len(k)), k, self._heat(tau_s)], axis=1)
        rest = level - design @ np.linalg.lstsq(design, level, rcond=None)[0]
        spread = float(rest @ rest) / max(len(k) - 3, 1) + self.level_u**2 + (0.005 * self.usual_kpa) ** 2
        normal, right, prior = design.T @ design / spread, design.T @ level / spread, (_WARM_U * self.usual_kpa) ** -2
        normal[2, 2] += prior
        right[2] += prior * _WARM * self.usual_kpa
        cov = np.linalg.inv(normal)
        _, each, by = cov @ right
        return min(max(float(by / each), 0.0), _HEAT), math.hypot(math.sqrt(float(cov[2, 2])) / float(each), 0.05)
