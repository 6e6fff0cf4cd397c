"""Quantities and times as text: as many digits as the uncertainty allows, in the unit asked for."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from recorder.digits import MOST_DECIMALS, with_doubt
from recorder.units import pressure_factor_kpa

__all__ = ["clock", "lasted", "quantity", "rise_of", "span"]


def _factor(own: str, wanted: str) -> tuple[float, str] | None:
    """How many of the wanted pressure unit (or that unit a minute) one ``own`` is; None: leave it."""
    base, slash, rest = own.partition("/")
    if base not in ("kPa", "psi", "bar", "kgf", "Pa", "mbar"):
        return None
    if slash and rest in ("min", "minute"):
        return pressure_factor_kpa(base) / pressure_factor_kpa(wanted), f"{wanted}/min"
    return pressure_factor_kpa(own) / pressure_factor_kpa(wanted), wanted


def quantity(q: Mapping[str, Any] | None, unit: str | None = None) -> str:
    """``"103.2 ± 0.8 kPa"``: value, two standard uncertainties, unit. ``unit``: pressure unit wanted."""
    if q is None or q.get("value") is None:
        return "not seen"
    value = float(q["value"])
    own = str(q.get("unit", ""))
    u = q.get("standard_uncertainty")
    scale, shown = 1.0, own.replace("minute", "min")
    if unit is not None:
        found = _factor(own, unit)
        if found is not None:
            scale, shown = found
    shown = {"degC": "°C"}.get(shown, shown)
    if u is None or not math.isfinite(float(u)):
        size = abs(value * scale)
        small = size < 0.1 and size != 0
        places = min(1 - math.floor(math.log10(size)), MOST_DECIMALS) if small else 1 if size >= 1 else 2
        return f"{value * scale:.{places}f} {shown}".strip()
    return f"{with_doubt(value * scale, 2.0 * float(u) * scale)} {shown}".strip()


def rise_of(fall: Mapping[str, Any] | None) -> dict[str, Any] | None:
    """The rise that a fall below zero is, where it is one beyond its doubt (two standard uncertainties); else None."""
    if not fall or fall.get("value") is None:
        return None
    value, u = float(fall["value"]), float(fall.get("standard_uncertainty") or 0.0)
    return {**fall, "value": -value} if value < -2.0 * u else None


def clock(seconds: float) -> str:
    """What is left, ``"1:12"``: begun seconds counted, so that it is over at 0:00."""
    return _minutes(math.ceil(seconds))


def lasted(seconds: float) -> str:
    """How long something was, ``"1:12"``, to the nearest second, as it is said elsewhere in seconds."""
    return _minutes(round(seconds))


def _minutes(whole: int) -> str:
    whole = max(0, whole)
    return f"{whole // 60}:{whole % 60:02d}"


def span(seconds: float) -> str:
    """``"45 s"``, from two minutes on ``"3 min"``; begun ones counted."""
    whole = max(1, math.ceil(seconds))
    return f"{whole} s" if whole < 120 else f"{math.ceil(whole / 60)} min"
