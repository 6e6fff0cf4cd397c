"""The outside air: its pressure at a height above the sea."""

from __future__ import annotations

from recorder.errors import SettingError

__all__ = ["STANDARD_ATMOSPHERE_KPA", "pressure_at_altitude_kpa"]

STANDARD_ATMOSPHERE_KPA = 101.325  # ISO 2533 standard atmosphere at sea level
# ISO 2533:1975 standard atmosphere below 11 km of geopotential altitude.
_T0_K, _LAPSE_K_PER_M, _G, _R = 288.15, 0.0065, 9.80665, 287.05287


def pressure_at_altitude_kpa(altitude_m: float) -> float:
    """Air pressure of the ISO 2533 standard atmosphere, kPa absolute; weather moves it by some 3 %.

    altitude_m: -500 to 9000 m above sea level, taken as geopotential (1 m less than real height at 2500 m).
    """
    if not -500.0 <= altitude_m <= 9000.0:
        raise SettingError(
            f"an altitude of {altitude_m:g} m is not a place for a workshop",
            do="give -500 to 9000 m",
        )
    ratio = 1.0 - _LAPSE_K_PER_M * altitude_m / _T0_K
    return float(STANDARD_ATMOSPHERE_KPA * ratio ** (_G / (_R * _LAPSE_K_PER_M)))
