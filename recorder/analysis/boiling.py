"""What the cap protects: boiling points at a pressure. Pressures kPa absolute."""

from __future__ import annotations

import math

from recorder.errors import SettingError

__all__ = ["boiling_point_c", "glycol_estimate_c", "water_vapour_kpa"]

# IAPWS R7-97(2012), industrial formulation IF97, region 4, Table 34: n1 to n10.
_N = (
    0.0,  # so that the indices are the release's own
    0.11670521452767e4,
    -0.72421316703206e6,
    -0.17073846940092e2,
    0.12020824702470e5,
    -0.32325550322333e7,
    0.14915108613530e2,
    -0.48232657361591e4,
    0.40511340542057e6,
    -0.23855557567849,
    0.65017534844798e3,
)
_KELVIN = 273.15
# 50 % ethylene glycol by volume: mole fraction of water (mass fraction of glycol 0.5273).
_WATER_FRACTION = 0.7554
# Vapour pressure of ethylene glycol, DIPPR equation 101, Perry's Chemical Engineers' Handbook, 8th ed.
_GLYCOL = (84.09, -10411.0, -8.1976, 1.6536e-18, 6.0)


def _checked(absolute_kpa: float) -> float:
    if not 0.6113 <= absolute_kpa <= 22064.0:  # IF97 region 4
        raise SettingError(
            f"water has no boiling point at {absolute_kpa:g} kPa absolute",
            do="give a pressure between 0.62 and 22064 kPa absolute",
        )
    return absolute_kpa


def boiling_point_c(absolute_kpa: float) -> float:
    """Boiling point of water, degC: IAPWS R7-97(2012) equation 31. SettingError outside its range."""
    n = _N
    b = (_checked(absolute_kpa) / 1000.0) ** 0.25
    e = b * b + n[3] * b + n[6]
    f = n[1] * b * b + n[4] * b + n[7]
    g = n[2] * b * b + n[5] * b + n[8]
    d = 2.0 * g / (-f - math.sqrt(f * f - 4.0 * e * g))
    s = n[10] + d
    return float((s - math.sqrt(s * s - 4.0 * (n[9] + n[10] * d))) / 2.0 - _KELVIN)


def water_vapour_kpa(temp_c: float) -> float:
    """Saturation pressure of water, kPa: IAPWS R7-97(2012) equation 30; 0 to 373 degC."""
    n, t = _N, temp_c + _KELVIN
    th = t + n[9] / (t - n[10])
    a = th * th + n[1] * th + n[2]
    b = n[3] * th * th + n[4] * th + n[5]
    c = n[6] * th * th + n[7] * th + n[8]
    return float((2.0 * c / (-b + math.sqrt(b * b - 4.0 * a * c))) ** 4) * 1000.0


def _glycol_vapour_kpa(temp_c: float) -> float:
    t = temp_c + _KELVIN
    c1, c2, c3, c4, c5 = _GLYCOL
    return float(math.exp(c1 + c2 / t + c3 * math.log(t) + c4 * t**c5)) / 1000.0


def glycol_estimate_c(absolute_kpa: float) -> float:
    """Boiling point of 50 % (volume) ethylene glycol in water, degC: an ESTIMATE by Raoult's law.

    An ideal mixture is assumed. It agrees within 1 K with the two figures that are published (107.8 degC at
    1 atm, about 129 degC under a 103 kPa cap), which is no validation. SettingError outside the range.
    """
    low, high = boiling_point_c(absolute_kpa), 370.0
    while high - low > 1e-9:
        middle = (low + high) / 2.0
        total = _WATER_FRACTION * water_vapour_kpa(middle) + (
            1 - _WATER_FRACTION
        ) * _glycol_vapour_kpa(middle)
        low, high = (middle, high) if total < absolute_kpa else (low, middle)
    return low
