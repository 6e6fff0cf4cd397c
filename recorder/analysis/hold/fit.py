"""The hold: a steady fall told from settling, with an uncertainty that carries what the trace cannot tell apart.

Model: p(t) = a - r g(t) + sum of A_i exp(-t / tau_i) + noise, with none to three exponentials. g is the shape of a
leak's fall (``laws``), one a second on average. Level, rate and amplitudes are integrated in closed form (Gaussian
prior on the amplitudes); the time constants, the number of exponentials, the law and the noise are averaged by their
evidence (Hoeting et al. 1999, Statistical Science 14, 382): on a logarithmic grid, and by points drawn about the
optima that Gauss-Newton finds, weighted together (Owen & Zhou 2000, J. Am. Stat. Assoc. 95, 135).
Physics adds two signs: what settles slowly falls, and a leak gives no pressure back. Their sizes are flat in their
logarithm. Derivation in docs/hold.md.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.hold.bins import bin_hold
from recorder.analysis.hold.cases import Before, Case, HoldCases
from recorder.analysis.hold.curve import curve_through
from recorder.analysis.hold.laws import Law, leak_shape
from recorder.analysis.hold.line import settles_kpa
from recorder.analysis.hold.noise import Noise, NoiseFinder
from recorder.analysis.hold.posterior import TIGHT, Points, posterior
from recorder.analysis.hold.rounded import Rounded
from recorder.analysis.hold.shuts import shut_within
from recorder.analysis.hold.summary import HoldFit, rate_of, summary
from recorder.analysis.trace.filters import STEP_TO_SD, median, normal_sd

if TYPE_CHECKING:
    from recorder.model import FloatArray

__all__ = ["Beginning", "HoldFit", "fit_hold"]

# where nearly all of it went: of the last stroke, what cooling air takes at most, 1 - 1/gamma; of the fall, what the
# hold's edges leave open, for when the rest was let go hardly shows (no source)
_COOLS, _EDGES = 0.29, 0.05
_FIRST_S = 0.1  # of a hold: within it nothing but a fall that takes nearly all changes much
_CLIMBS = 4.0  # standard deviations of a slope
_END_S, _END_READINGS = 0.5, 5  # of a hold's ends: so long, and so many readings at least
_STROKE_S, _MOST_STROKES = 0.6, 150  # as near to each other as a hand makes strokes


def _begins(t: FloatArray, p: FloatArray, sd_kpa: float) -> tuple[float, float]:
    """Where the readings ``p`` (kPa) at ``t`` (s, from 0) begin, by a straight line through them, and its standard
    uncertainty; by the first of them where there are fewer than three."""
    if len(t) < 3:
        return float(p[0]), sd_kpa
    x = t - t.mean()
    slope = float(x @ p) / float(x @ x)
    level_var = sd_kpa**2 / len(t) + (sd_kpa * float(t.mean())) ** 2 / float(x @ x)
    off = p - p.mean() - slope * x  # a fall that bends away from the line
    return float(p.mean()) - slope * float(t.mean()), math.hypot(math.sqrt(level_var), float(np.abs(off).max()))


class _Readings:
    """The readings ``p`` (kPa) of a hold, or of its beginning, at ``t`` (s), ready to be fitted: binned, with what lies
    off a first curve left out. coolant: that is what would leak. whole: the fit of all of the hold, whose curve and
    noise are known then. quick: the noise before rounding, where that is coarse, nearly."""

    def __init__(
        self,
        t: FloatArray,
        p: FloatArray,
        *,
        step_kpa: float,
        noise_kpa: float,
        last_rise_kpa: float,
        before: Before | None,
        coolant: bool = False,
        whole: HoldFit | None = None,
        quick: bool = False,
    ) -> None:
        self.length_s = length = float(t[-1] - t[0])
        self.rise_kpa = last_rise_kpa
        time = t - t[0]
        sd = float(np.hypot(noise_kpa, step_kpa / STEP_TO_SD)) + 1e-4
        rounded = noise_kpa < 0.5 * step_kpa
        b = bin_hold(time, p, sd)
        eighth = max(len(b.y) // 8, 1)
        level = median(b.y[:eighth])
        settled = b.y[b.t >= min(5.0, 0.1 * length)][:3]  # quick settling is no leak's
        fall = float(settled.mean() - b.y[-eighth:].mean())
        self.share, self.fall_kpa = fall / max(abs(level), 1e-3), fall
        self.rounded = Rounded(time, p, step_kpa, sd, length, level, last_rise_kpa) if rounded else None
        self.rounding_kpa = 0.0
        if self.rounded is not None:
            if whole is not None and whole.rounding_kpa > 0.0:
                self.rounding_kpa = whole.rounding_kpa
                b = self.rounded.anew(b, self.rounding_kpa, np.interp(t, whole.time_s, whole.curve_kpa))
            else:
                b, self.rounding_kpa = self.rounded.settled(b, quick=quick)
            noise = Noise(self.rounding_kpa)
        else:
            if whole is not None:
                curve = np.interp(t, whole.time_s, whole.curve_kpa)
            else:
                curve = curve_through(
                    b, Noise(sd), time, length_s=length, level_kpa=level, last_rise_kpa=last_rise_kpa
                ).kpa
            spread = max(normal_sd(p - curve), sd)
            b = bin_hold(time, p, spread, curve, first=b.first)
            noise = Noise(spread)
        self.b, self.white_kpa = b, noise.white_kpa
        known = whole.noise if whole is not None else None
        finder = NoiseFinder(b, only_s=known.wander_s if known is not None else None)
        if before is None:
            rise = max(abs(last_rise_kpa), 1e-3)
            many = min(math.ceil(abs(level) / rise), _MOST_STROKES)
            before = Before(np.arange(0.0, many) * _STROKE_S, np.full(many, rise), 0.0)
        self.hold = HoldCases(
            finder, level, last_rise_kpa, length, before, white=noise,
            least_kpa=(0.5 if rounded else 0.3) * noise.white_kpa, known=known, none=TIGHT if coolant else 0.0,
        )  # fmt: skip
        first = max(int(np.searchsorted(time, _FIRST_S)), 1)
        self.start_kpa = median(p[:first])
        self.first = _begins(time[:first], p[:first], sd)
        self.end_kpa = float(b.y[-eighth:].mean())
        # nearly all of it went: that much no settling takes, whatever the shape
        self.gone = self.start_kpa > 5.0 * sd + step_kpa and self.end_kpa < 0.3 * self.start_kpa
        self.middle_kpa = float(b.y.mean())
        self.up = self._rising()

    def _rising(self) -> Case | None:
        late = self.b.t > 0.4 * self.length_s
        t, y, weight = self.b.t[late], self.b.y[late], self.b.weight[late]
        if len(t) <= 3:
            return None
        x = t - float(weight @ t) / float(weight.sum())
        spread = float(weight @ (x * x))
        slope = float((weight * x) @ y) / spread
        return self.hold.rising(slope) if slope > _CLIMBS * self.white_kpa / math.sqrt(spread) else None

    def points(self, *, quick: bool) -> tuple[list[Points], Case]:
        """Posterior of all laws and noises that are likely, and the first of these."""
        hold, up = self.hold, self.up
        if up is not None:
            return posterior(hold.problem(up), up.law, hold.shape(up.law), quick=quick, none=None), up
        cases = hold.far(self.fall_kpa) if self.share > 0.05 and not quick else hold.near(quick=quick)
        if not quick:
            fell_kpa = self.start_kpa - self.end_kpa
            cases = shut_within(hold, hold.begun(cases, fell_kpa), fell_kpa)
        return hold.points(cases, quick=quick), cases[0]

    def nearly_all(self, fall_kpa: float | None = None) -> tuple[float, float]:
        """Rate (kPa/s) and its standard uncertainty where nearly all of it went. fall_kpa: where it is known better."""
        most = 0.5 * settles_kpa(self.hold.level_kpa)
        fall = self.start_kpa - self.end_kpa if fall_kpa is None else fall_kpa
        u = math.hypot(_COOLS * self.rise_kpa, _EDGES * fall, most)
        return (fall - most) / self.length_s, u / self.length_s

    def all_gone(self, fit: HoldFit) -> HoldFit:
        """``fit`` where nearly all of it went: a curve need not follow that from where it begins, so the first readings
        tell where if it does not; and of what went nobody knows which part settled."""
        start, u = self.first
        off = abs(start - fit.start_kpa)
        drop_u = math.hypot(u, fit.end_u)
        if off < 2.0 * u:  # the curve knows it better, and not better than by what they differ
            start, u, drop_u = fit.start_kpa, math.hypot(fit.start_u, off / 2.0), math.hypot(fit.drop_u, off / 2.0)
        rate, rate_u = self.nearly_all(start - fit.end_kpa)
        return replace(fit, rate_kpa_per_s=rate, rate_u=rate_u, start_kpa=start, start_u=u, drop_u=drop_u,
                       amplitude_kpa=0.0)


def fit_hold(
    t: FloatArray,
    p: FloatArray,
    *,
    step_kpa: float,
    noise_kpa: float,
    last_rise_kpa: float,
    before: Before | None = None,
    coolant: bool = False,
    quick: bool = False,
) -> HoldFit:
    """Fit readings ``p`` (kPa, zero-corrected) at ``t`` (s); needs 6 readings or more.

    last_rise_kpa: of the last stroke before. before: where it is not known, strokes like the last one, as many as it
    takes and as fast as a hand can. coolant: that is what would leak, and not gas, so perhaps nothing does. quick:
    fewer models.
    """
    r = _Readings(
        t,
        p,
        step_kpa=step_kpa,
        noise_kpa=noise_kpa,
        last_rise_kpa=last_rise_kpa,
        before=before,
        coolant=coolant,
        quick=quick,
    )
    points, first = r.points(quick=quick)

    def shape(at: FloatArray, law: Law) -> FloatArray:
        return leak_shape(at, law, r.b.t, r.b.y, r.length_s)

    fit = summary(points, r.middle_kpa, shape, r.length_s, float(t[0]), first.noise, last_rise_kpa, r.up is not None)
    fit = replace(_as_seen(fit, t, p, step_kpa), rounding_kpa=r.rounding_kpa)
    if r.gone:
        return r.all_gone(fit)
    if r.rounded is None or quick or r.up is not None:
        return fit
    more, scatter = _no_more_than(step_kpa / r.length_s, *r.rounded.doubt(r.b, r.white_kpa))
    rate = max(fit.rate_kpa_per_s + more, min(fit.rate_kpa_per_s, 0.0))
    return replace(fit, rate_kpa_per_s=rate, rate_u=math.hypot(fit.rate_u, scatter), rounding_u=scatter)


def _no_more_than(most: float, more: float, scatter: float) -> tuple[float, float]:
    """What noise before rounding adds to the rate, and its standard deviation (kPa/s): rounding moves neither end of a
    hold by more than half a step, so all of it by no more than ``most``. Noises that would say more follow a fall that
    the curve does not."""
    within = min(max(more, -most), most)
    return within, math.hypot(min(scatter, most), min(abs(more - within), most))


def _as_seen(fit: HoldFit, t: FloatArray, p: FloatArray, step_kpa: float) -> HoldFit:
    """``fit`` with the pressures at its ends no further off than the readings ``p`` (kPa) at ``t`` (s) there: what
    rises or beats is no curve that the model knows. step_kpa: the resolution."""
    n = min(max(int(np.searchsorted(t - t[0], _END_S)), _END_READINGS), len(t))
    ends = []
    for some, value, u in ((p[:n], fit.start_kpa, fit.start_u), (p[-n:], fit.end_kpa, fit.end_u)):
        scatter = normal_sd(some - median(some))
        # what wanders may be the gauge's; not so what no curve follows and is taken for it
        edge = 2.0 * math.hypot(scatter, min(fit.noise.wander_kpa, scatter)) + step_kpa / 2.0
        seen = min(max(value, float(some.min()) - edge), float(some.max()) + edge)
        ends += [seen, u if seen == value else edge]
    return replace(fit, start_kpa=ends[0], start_u=ends[1], end_kpa=ends[2], end_u=ends[3])


class Beginning:
    """The beginning of a hold of which all has been fitted (``whole``): its noise is known then, and what lies off its
    curve. Arguments as of ``fit_hold``."""

    def __init__(
        self,
        t: FloatArray,
        p: FloatArray,
        *,
        step_kpa: float,
        noise_kpa: float,
        before: Before | None,
        whole: HoldFit,
        coolant: bool = False,
    ) -> None:
        self._rounding_u, self._whole_s = whole.rounding_u, float(whole.time_s[-1] - whole.time_s[0])
        self._readings = _Readings(
            t,
            p,
            step_kpa=step_kpa,
            noise_kpa=noise_kpa,
            last_rise_kpa=whole.last_rise_kpa,
            before=before,
            coolant=coolant,
            whole=whole,
        )

    def rate(self, *, quick: bool) -> tuple[float, float]:
        """Rate (kPa/s, falling positive) and its standard uncertainty. quick: from fewer models."""
        r = self._readings
        if r.gone:
            return r.nearly_all()
        points, _ = r.points(quick=quick)
        rate, u = rate_of(points, r.middle_kpa, r.length_s)
        # a line's slope is known less well by the 3/2 power of its length
        return rate, math.hypot(u, self._rounding_u * (self._whole_s / r.length_s) ** 1.5)
