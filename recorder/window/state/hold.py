"""The hold alone, drawn so large that a fall of a tenth of a kPa is seen. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from recorder import report
from recorder.model import LiveView

if TYPE_CHECKING:
    from recorder.model import FloatArray

__all__ = ["HoldStrip", "hold_of", "hold_strip", "strip_range"]

# Below this height a quiet trace is drawn as what it is, quiet. Common practice, no source.
LEAST_SPAN_KPA = 1.0
_LONGER_BY_S = 30.0
_RELEASE_S = 0.2  # the end of a hold is found to a few samples; what falls there is the release


@dataclass(frozen=True, slots=True)
class HoldStrip:
    """The strip's stretch of the trace (s), where its axis ends (s), and what is said above it."""

    start_s: float
    now_s: float
    end_s: float
    fall: str
    leak: str


def _quantity(value: float, u: float | None, unit: str) -> dict[str, Any]:
    return {"value": value, "standard_uncertainty": u, "unit": unit}


def _clock(seconds: float) -> str:
    return f"{int(seconds) // 60}:{int(seconds) % 60:02d}"


def hold_strip(view: LiveView, unit: str, *, hold_s: float, allowed_kpa_per_min: float) -> HoldStrip | None:
    """The strip while a hold runs; None at any other time."""
    if view.hold_start_s is None:
        return None
    fall, leak = "measuring the fall", ""
    if view.fall_kpa is not None:
        length = view.hold_elapsed_s if view.fall_at_s is None else view.fall_at_s - view.hold_start_s
        fall = f"{_way(_quantity(view.fall_kpa, view.fall_u_kpa, 'kPa'), unit)} in {_clock(length)}"
    if view.rate_kpa_per_min is not None:
        leak = _leak(_quantity(view.rate_kpa_per_min, view.rate_u_kpa_per_min, "kPa/min"), allowed_kpa_per_min, unit)
    length = hold_s
    if view.hold_elapsed_s > hold_s:  # in steps, so that the axis does not creep
        length = math.ceil(view.hold_elapsed_s / _LONGER_BY_S) * _LONGER_BY_S
    return HoldStrip(view.hold_start_s, view.time_s, view.hold_start_s + length, fall, leak)


def hold_of(judgement: Mapping[str, Any], unit: str, *, allowed_kpa_per_min: float) -> HoldStrip | None:
    """The strip of a judged hold; None where there was none."""
    hold = judgement.get("hold")
    if not isinstance(hold, Mapping):
        return None
    start, end = float(hold["start_s"]), float(hold["end_s"])
    fall = f"{_way(hold.get('drop'), unit)} in {report.lasted(end - start)}"
    return HoldStrip(start, max(end - _RELEASE_S, start), end, fall, _leak(hold.get("rate"), allowed_kpa_per_min, unit))


def _way(drop: Mapping[str, Any] | None, unit: str) -> str:
    rise = report.rise_of(drop)
    return f"fell {report.quantity(drop, unit)}" if rise is None else f"rose {report.quantity(rise, unit)}"


def _leak(rate: Mapping[str, Any] | None, allowed_kpa_per_min: float, unit: str) -> str:
    rise = report.rise_of(rate)
    if rise is not None:  # there is no leak below nothing
        return f"steady rise {report.quantity(rise, unit)}, settling taken out"
    allowed = report.in_unit(f"{allowed_kpa_per_min:g} kPa/min", unit)  # as the reasons of the judgement have it
    return f"leak {report.quantity(rate, unit)}, {allowed.split(' ')[0]} allowed"


def strip_range(pressure_kpa: FloatArray, curve_kpa: FloatArray, band_kpa: FloatArray) -> tuple[float, float]:
    """Lowest and highest kPa of the strip: all but the wildest of the samples, and the whole fit.

    Never less than LEAST_SPAN_KPA high, so that noise is not blown up to look like a fall.
    """
    ends = [np.percentile(pressure_kpa, (0.5, 99.5))] if len(pressure_kpa) else []
    if len(curve_kpa):
        ends.append(np.array([np.min(curve_kpa - band_kpa), np.max(curve_kpa + band_kpa)]))
    if not ends:
        return 0.0, LEAST_SPAN_KPA
    low, high = float(np.min(ends)), float(np.max(ends))
    short = max(LEAST_SPAN_KPA - (high - low), 0.0) / 2
    room = 0.06 * (high - low + 2 * short)
    low, high = low - short - room, high + short + room
    # In steps of a fiftieth or so, so that the axis stands still while noise comes and goes.
    step = 10.0 ** math.floor(math.log10(high - low)) / 20.0
    return math.floor(low / step) * step, math.ceil(high / step) * step
