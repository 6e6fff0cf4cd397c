"""Does a reading wander? The slow part of its noise, seconds to half a minute, beside its white noise.

The overlapping Allan deviation of white noise falls with the root of the averaging time; what stands above that is
slow. As high as chance lifts that of white noise (chi-squared with the equivalent degrees of freedom that NIST SP 1065,
2008, section 5.4.1, gives for it) it says nothing, and so much is taken off. A fall over a hold is the difference of a
mean at its beginning and one at its end; as such means are apart anyway, by sqrt(2) times the deviation, the smallest
fall that can be told is 3.29 times that (Currie, IUPAC 1995). It is about what holds of two minutes tell
(docs/adapter.md), and more where the reading swings to a beat.

Taken off is what would be called wandering and is none: a straight or bent drift; a tone that is named as hum; and the
rounding to counts, as far as the noise does not blur it (Widrow and Kollar, Quantization Noise, 2008: noise of sigma
leaves exp(-2 pi^2 sigma^2 / q^2) of the error's first harmonic).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recorder.allan import overlapping_adev

if TYPE_CHECKING:
    from recorder.model import FloatArray

__all__ = ["CURRIE", "NONE", "Wander", "wander"]

CURRIE = 3.29
# What is quicker hardly moves a fall over two minutes; what is slower is drift in three minutes of listening.
SHORTEST_S, LONGEST_S, TIMES = 5.0, 30.0, 8
PER_RECORD = 6  # stretches of the longest averaging time: fewer tell next to nothing
CHANCE = 1e-3  # that white noise is higher than what is taken off for it, at one averaging time


@dataclass(frozen=True, slots=True)
class Wander:
    """kpa: by how much means of ``over_s`` s differ from the next (Allan deviation, kPa), beyond what white noise of
    this size may by chance; white_kpa: what that alone has. All 0 where no slow part stands out."""

    kpa: float
    white_kpa: float
    over_s: float

    @property
    def fall_kpa(self) -> float:
        """The smallest fall over a hold that can be told from it, kPa."""
        return CURRIE * math.sqrt(2.0) * self.kpa


NONE = Wander(0.0, 0.0, 0.0)


def wander(even: FloatArray, step_s: float, *, white_kpa: float, count_kpa: float,
           hum: tuple[float, float] | None = None) -> Wander:
    """Of evenly spaced pressures (kPa), ``step_s`` apart. hum: frequency (Hz) and amplitude (kPa) of a tone that is
    told by itself. Of all averaging times the one that hurts a slope most: in it the root of the time counts as well
    (Kay 1993, example 3.7, of the white noise that has this deviation there)."""
    from scipy.special import chdtri

    n = len(even)
    longest_s = min(LONGEST_S, n * step_s / PER_RECORD)
    if longest_s < SHORTEST_S:
        return NONE
    t = np.linspace(-1.0, 1.0, n)
    rest = even - np.polynomial.Polynomial.fit(t, even, 2)(t)
    found, rounding = NONE, _rounding(even, white_kpa, count_kpa)
    for m in dict.fromkeys(round(float(s) / step_s) for s in np.geomspace(SHORTEST_S, longest_s, TIMES)):
        if m < 1:
            continue
        seen, white, over_s = overlapping_adev(rest, m), white_kpa / math.sqrt(m), m * step_s
        freedom = (3.0 * (n - 1) / (2 * m) - 2.0 * (n - 2) / n) * 4 * m * m / (4 * m * m + 5)
        highest = white * math.sqrt(float(chdtri(freedom, CHANCE)) / freedom)
        tone = hum[1] / (math.pi * hum[0] * over_s) if hum is not None else 0.0
        own = math.sqrt(max(seen**2 - highest**2 - tone**2 - rounding**2, 0.0))
        if own * math.sqrt(over_s) > found.kpa * math.sqrt(found.over_s):
            found = Wander(own, white, over_s)
    return found


def _rounding(even: FloatArray, white_kpa: float, count_kpa: float) -> float:
    """The most that rounding can move a mean, kPa, with the noise that there is to blur it. A reading that only goes to
    and fro between two counts has steps as large as a count, whatever the noise is: how far it goes counts too."""
    if count_kpa <= 0:
        return 0.0
    low, high = np.quantile(even, (0.005, 0.995))  # 5.2 standard deviations of normal noise
    sigma = min(math.sqrt(max(white_kpa**2 - count_kpa**2 / 12.0, 0.0)), max(high - low - count_kpa, 0.0) / 5.2)
    return count_kpa / 2.0 * math.exp(-2.0 * (math.pi * sigma / count_kpa) ** 2)
