"""Readings rounded more coarsely than their noise: each only says between which two boundaries the pressure is.

They enter by the likelihood of rounded data (working response and information, as in iteratively reweighted least
squares; McCullagh & Nelder 1989, ch. 2.5), so that their information is where it is: near the moments at which the
reading steps. How long a step takes is the noise before rounding over the slope, so that noise bends the curve, and
what is not known of it is not known of the rate either.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.hold.bins import Bins, bin_hold, knocked
from recorder.analysis.hold.curve import Curve, curve_through
from recorder.analysis.hold.noise import Noise
from recorder.analysis.trace.normal import normal_cdf

if TYPE_CHECKING:
    from recorder.model import FloatArray

__all__ = ["Rounded", "rounded_response"]

# where no source is named beside a number: common practice, no source
_BEYOND = 4.0  # standard deviations
_ROOT_2PI = 2.5066283  # of the normal density
_LEAST_INFORMATION = 1e-3
# fitted anew until the curve stays, in noise's standard deviations, or so often
_STANDS, _ROUNDS, _QUICK_ROUNDS = 0.1, 8, 3
_MOST_READINGS = 3000  # that the noise is found from
_FINER = (1.12, 1.04)  # steps of the noise that is looked for
# noises that are tried besides, as factors one after the other in each direction; as far as they are not this unlikely
_ASIDE, _FURTHEST, _UNLIKELY = 1.08, 5, 4.0
_MISSES = 1.5  # as much noise as a reading can have, rounding and all: a curve that does not follow
_COUNTS = 0.05  # of the largest weight: bins of less say next to nothing


@dataclass(slots=True, eq=False)
class Rounded:
    """A hold's readings ``p`` (kPa) at ``time_s`` since its start; sd_kpa: of a reading, rounding and all."""

    time_s: FloatArray
    p: FloatArray
    step_kpa: float
    sd_kpa: float
    length_s: float
    level_kpa: float
    last_rise_kpa: float

    def curve(self, b: Bins, noise_kpa: float) -> Curve:
        return curve_through(
            b, Noise(noise_kpa), self.time_s, length_s=self.length_s, level_kpa=self.level_kpa,
            last_rise_kpa=self.last_rise_kpa,
        )  # fmt: skip

    def anew(self, b: Bins, noise_kpa: float, curve_kpa: FloatArray) -> Bins:
        """The bins of the working response about a curve."""
        z, information = rounded_response(self.p, self.step_kpa, noise_kpa, curve_kpa)
        far = knocked(self.time_s, np.abs(self.p - curve_kpa) >= 5.0 * self.sd_kpa + self.step_kpa)
        return bin_hold(self.time_s, z, 1e9, curve_kpa, information * ~far, first=b.first)

    def settled(self, b: Bins, *, quick: bool = False) -> tuple[Bins, float]:
        """Bins and noise before rounding (kPa), from those of the bare readings. quick: nearly."""
        bare, noise, last = b, self.sd_kpa, None
        for _ in range(_QUICK_ROUNDS if quick else _ROUNDS):
            curve = self.curve(b, noise)
            noise = self._noise(curve.kpa, noise if last is not None else None)
            if last is not None and float(np.abs(curve.kpa - last.kpa).max()) < _STANDS * noise:
                break
            b, last = self.anew(b, noise, curve.kpa), curve
        if quick or noise < _MISSES * self.sd_kpa:
            return b, noise
        # the curve does not follow what falls: about the bare readings' means instead
        curve_kpa = np.interp(self.time_s, bare.t, bare.y)
        noise = self._noise(curve_kpa, None)
        return self.anew(bare, noise, curve_kpa), noise

    def doubt(self, b: Bins, noise_kpa: float) -> tuple[float, float]:
        """By how much the rate is more on average over the noises that may be, and its standard deviation among them
        (kPa/s). What lies off the curve tells how few of the readings are independent."""
        curve = self.curve(b, noise_kpa)
        many = max(int(np.count_nonzero(b.weight > _COUNTS * b.weight.max())) - 4, 1)
        left = float(b.weight @ (b.y - curve.at_bins) ** 2) / many
        alike = max(left / noise_kpa**2, 1.0)
        first = self._likelihood(noise_kpa, curve.kpa)
        rates, logs = [curve.rate_kpa_per_s], [0.0]
        for way in (1.0 / _ASIDE, _ASIDE):
            some, sd = b, noise_kpa
            for _ in range(_FURTHEST):
                sd *= way
                for _ in range(2):
                    some = self.anew(some, sd, (curve if some is b else self.curve(some, sd)).kpa)
                other = self.curve(some, sd)
                rates.append(other.rate_kpa_per_s)
                logs.append((self._likelihood(sd, other.kpa) - first) / alike)
                if logs[-1] < -_UNLIKELY:
                    break
        weight = np.exp(np.array(logs) - max(logs))
        weight /= weight.sum()
        mean = float(weight @ rates)
        return mean - rates[0], math.sqrt(float(weight @ (np.array(rates) - mean) ** 2))

    def _likelihood(self, sd: float, curve: FloatArray) -> float:
        every = max(len(self.p) // _MOST_READINGS, 1)
        off = (curve - self.p)[::every]
        inside = normal_cdf((0.5 * self.step_kpa - off) / sd) - normal_cdf((-0.5 * self.step_kpa - off) / sd)
        return every * float(np.log(np.maximum(inside, 1e-9)).sum())

    def _noise(self, curve: FloatArray, about: float | None) -> float:
        """Noise before rounding (kPa) of the greatest likelihood, to 2 %; not far from ``about`` where there is one."""
        if about is None:
            sds = self.step_kpa * np.geomspace(0.03, 0.7, 14)
            about = float(sds[int(np.argmax([self._likelihood(sd, curve) for sd in sds]))])
        for ratio in _FINER:
            sds = about * ratio ** np.arange(-2.0, 3.0)
            about = float(sds[int(np.argmax([self._likelihood(sd, curve) for sd in sds]))])
        return about


def rounded_response(
    y: FloatArray, step_kpa: float, sd_kpa: float, curve: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Working response (kPa) and information (1 = a reading without rounding) of readings rounded to ``step_kpa``.

    curve: expected pressure at the readings; sd_kpa: noise before rounding. The information is the observed one
    (Efron & Hinkley 1978, Biometrika 65, 457): the expected one is none where the curve is far from a boundary, and the
    curve would stay there though the reading steps elsewhere.
    """
    offset = curve - y
    far = np.abs(offset) - 0.5 * step_kpa > _BEYOND * sd_kpa  # as good as a reading of the boundary itself
    a = (-0.5 * step_kpa - offset) / sd_kpa
    b = (0.5 * step_kpa - offset) / sd_kpa
    mass = np.maximum(normal_cdf(b) - normal_cdf(a), 1e-12)
    fa, fb = np.exp(-0.5 * a * a) / _ROOT_2PI, np.exp(-0.5 * b * b) / _ROOT_2PI
    score = (fa - fb) / mass  # d log mass / d curve, in 1 / sd
    info = np.clip((b * fb - a * fa) / mass + score * score, _LEAST_INFORMATION, 1.0)
    z = curve + np.clip(score / info * sd_kpa, -step_kpa, step_kpa)
    edge = y + np.copysign(0.5 * step_kpa, offset)
    return np.where(far, edge, z), np.where(far, 1.0, info)
