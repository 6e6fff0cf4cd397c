"""Counts to kPa: applying a calibration, reading and writing its file, the nominal one of a maker's sensor.

How coefficients are found from reference pairs is in :mod:`recorder.calibration_fit`; its names are
re-exported here.
"""

from __future__ import annotations

import json
import math
from calendar import monthrange
from collections.abc import Mapping
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np

from recorder.calibration_fit import (
    CalibrationFit,
    Pair,
    Polynomial,
    fit,
    fit_polynomial,
    with_direction,
)
from recorder.calibration_pairs import StrayPair
from recorder.errors import FileError, SettingError, as_written
from recorder.model import LARGEST_COEFFICIENT_KPA, Calibration, JsonObject

if TYPE_CHECKING:
    from recorder.model import FloatArray

__all__ = [
    "CalibrationFit",
    "Pair",
    "Polynomial",
    "StrayPair",
    "apply",
    "details",
    "due_after",
    "due_day",
    "due_of",
    "fit",
    "fit_polynomial",
    "from_file_text",
    "from_json",
    "is_nominal",
    "nominal",
    "to_file_text",
    "with_direction",
]

FORMAT = 1
# A ratiometric sensor gives 10 % of its supply at zero and 90 % at full scale, and its maker's limits
# come to about 2 % of full scale. Common practice, no source.
NOMINAL_ZERO_RATIO = 0.1
NOMINAL_SPAN_RATIO = 0.8
NOMINAL_U_FRACTION = 0.02


def apply(cal: Calibration, ratio: FloatArray) -> FloatArray:
    """Pressure in kPa gauge for readings as ratio of full scale (bare: in kPa), any shape; NaN stays NaN.

    Horner's scheme in a fixed order, so that the same counts give the same digits everywhere.
    """
    x = np.asarray(ratio, dtype=np.float64)
    out = np.zeros_like(x)
    for c in reversed(cal.coefficients_kpa):
        out = out * x + c
    return out


def nominal(full_scale_kpa: float) -> Calibration:
    """The calibration of a 10 to 90 % ratiometric sensor of ``full_scale_kpa`` that nobody has calibrated.

    kPa = full scale * (ratio - 0.1) / 0.8; standard uncertainty 2 % of full scale (common practice, no source).
    """
    if not (math.isfinite(full_scale_kpa) and full_scale_kpa > 0):
        raise SettingError(
            f"a sensor's full scale of {full_scale_kpa:g} kPa is not possible",
            do="give the full scale printed on the sensor, like '207 kPa' or '30 psi'",
        )
    slope = full_scale_kpa / NOMINAL_SPAN_RATIO
    return Calibration(
        (-NOMINAL_ZERO_RATIO * slope, slope),
        standard_uncertainty_kpa=NOMINAL_U_FRACTION * full_scale_kpa,
        reference=f"nominal, {full_scale_kpa:g} kPa sensor, 10 to 90 % of supply, never calibrated",
    )


def is_nominal(cal: Calibration) -> bool:
    """Whether it is what ``nominal`` makes of a full scale, and nobody's calibration."""
    if len(cal.coefficients_kpa) != 2 or cal.bare or not 0 < cal.coefficients_kpa[1] < math.inf:
        return False
    return cal.reference == nominal(NOMINAL_SPAN_RATIO * cal.coefficients_kpa[1]).reference


def due_after(day: date, months: int = 12) -> date:
    """The day ``months`` later (the month's last day where there is no such day). ValueError after the year 9999.

    Twelve months between calibrations is common practice, no source.
    """
    index = day.month - 1 + months
    year, month = day.year + index // 12, index % 12 + 1
    return date(year, month, min(day.day, monthrange(year, month)[1]))


def due_of(cal: Calibration) -> date | None:
    """The day when it is due again: as it says, else twelve months after its own; None where neither is a day."""
    try:
        return date.fromisoformat(cal.due[:10]) if cal.due else due_after(date.fromisoformat((cal.date or "")[:10]))
    except (ValueError, OverflowError):
        return None


def due_day(text: str, today: date) -> date:
    """The day that was written as the one when it is due again; in twelve months where none was. SettingError."""
    if not text.strip():
        return due_after(today)
    try:
        due = date.fromisoformat(text.strip())
    except ValueError:
        raise SettingError(f"'{text}' is not a day", do="write it like 2027-03-14") from None
    if due <= today:
        raise SettingError(f"{due} is not after today", do="give a later day")
    return due


def details(found: CalibrationFit, *, bare: bool, noise_kpa: float | None = None) -> JsonObject:
    """What a calibration was made from, for people to look at. bare: of plain readings. noise_kpa: of one reading,
    where it is known."""
    rows = [[p.reference_kpa, p.ratio, p.direction, r] for p, r in zip(found.pairs, found.residuals_kpa, strict=True)]
    reading = "reading_kPa" if bare else "ratio"
    return {
        "pairs": {"columns": ["reference_kPa", reading, "direction", "residual_kPa"], "rows": rows},
        "reference_standard_uncertainty_kPa": found.reference_u_kpa,
        "hysteresis_kPa": found.hysteresis_kpa,
        "repeatability_kPa": found.repeatability_kpa,
        "coverage_factor": found.coverage_factor,
        "degrees_of_freedom": found.curve.dof,
        "reading_noise_kPa": noise_kpa,
        "covariance": found.curve.covariance.tolist(),
        "notes": list(found.notes),
    }


def to_file_text(cal: Calibration, made_from: Mapping[str, Any] | None = None) -> str:
    """The calibration file: one JSON object; ``made_from`` (``details``) is kept for people, not read."""
    body: JsonObject = {"calibration-format": FORMAT, **cal.to_json()}
    if made_from:
        body["details"] = dict(made_from)
    text = json.dumps(body, indent=2, ensure_ascii=False, allow_nan=False)
    try:
        text.encode()
    except UnicodeEncodeError:  # half a surrogate pair: a byte that was typed and is no letter
        text = json.dumps(body, indent=2, allow_nan=False)
    return text + "\n"


def from_file_text(text: str, path: str) -> Calibration:
    """The calibration in a file's text. Raises FileError, which names ``path`` and the line."""
    again = "make it again with 'recorder calibrate'"
    try:
        body = json.loads(text)
    except json.JSONDecodeError as err:
        raise FileError(
            f"this is no calibration file: it is not JSON ({err.msg})", path=path, line=err.lineno, do=again
        ) from None
    except RecursionError:
        raise FileError("this is no calibration file: it is nested too deep", path=path, do=again) from None
    except ValueError:  # of more digits than Python reads
        raise FileError("this is no calibration file: it has a number without end", path=path, do=again) from None
    if not isinstance(body, Mapping):
        raise FileError("this is no calibration file: not a JSON object", path=path, do=again)
    version = body.get("calibration-format", FORMAT)
    if version != FORMAT:
        raise FileError(
            f"calibration format {as_written(version)} is not one this program reads ({FORMAT})",
            path=path,
            do="use the program that wrote it, or a newer one",
        )
    try:
        return from_json(body)
    except SettingError as err:
        raise FileError(err.what, path=path, do=again) from None


def _is_usable(value: Any) -> bool:
    """Whether it is a number that a recording may hold, and is read again from there; NaN is none."""
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) <= LARGEST_COEFFICIENT_KPA


def _number(body: Mapping[str, Any], name: str) -> float | None:
    value = body.get(name)
    if value is None:
        return None
    if not _is_usable(value) or value < 0:
        raise SettingError(f"calibration: {name} is {as_written(value)}, and a number from 0 up to "
                           f"{LARGEST_COEFFICIENT_KPA:g} was expected")
    return float(value)


def _text(body: Mapping[str, Any], name: str) -> str | None:
    value = body.get(name)
    if value is not None and not isinstance(value, str):
        raise SettingError(f"calibration: {name} is {as_written(value)}, and text was expected")
    return value


def from_json(body: Mapping[str, Any]) -> Calibration:
    """A calibration from the JSON object of its file. Raises SettingError. A recording's is read more leniently
    (``recorder.recording.annotations``): what was measured stays readable."""
    given = body.get("coefficients_kPa")
    if not isinstance(given, list) or not 2 <= len(given) <= 6:
        raise SettingError(f"calibration: coefficients_kPa is {as_written(given)}, and 2 to 6 numbers were expected")
    for c in given:
        if not _is_usable(c):
            raise SettingError(f"calibration: coefficient {as_written(c)} is not a finite number of at most "
                               f"{LARGEST_COEFFICIENT_KPA:g}")
    for name in ("date", "due"):
        day = _text(body, name)
        if day is not None:
            try:
                date.fromisoformat(day[:10])
            except ValueError:
                raise SettingError(f"calibration: {name} {as_written(day)} is not a day like 2026-03-14") from None
    bare = body.get("bare", False)
    if not isinstance(bare, bool):
        raise SettingError(f"calibration: bare is {as_written(bare)}, and true or false was expected")
    cal = Calibration(
        tuple(float(c) for c in given),
        standard_uncertainty_kpa=_number(body, "standard_uncertainty_kPa"),
        date=_text(body, "date"),
        reference=_text(body, "reference"),
        due=_text(body, "due"),
        adapter_id=_text(body, "adapter"),
        bare=bare,
    )
    if (cal.coefficients_kpa[1] if bare else cal.full_scale_kpa or 0.0) <= 0.0:
        raise SettingError(f"calibration: by the coefficients {as_written(given)} the pressure does not rise with the "
                           "reading")
    return cal
