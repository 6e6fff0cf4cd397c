"""Which pairs of reference pressure and reading make a calibration, and what was meant by those that do not: a slip of
the unit, a decimal point, a wire."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING

import numpy as np

from recorder.errors import SettingError
from recorder.units import LIKELY_FULL_SCALE_KPA

if TYPE_CHECKING:
    from recorder.model import FloatArray

__all__ = ["NARROWEST_KPA", "StrayPair", "check_line", "check_pairs", "levels_of"]

NARROWEST_KPA = 50.0  # less than half of a usual cap's marking; common practice, no source
LEVEL_FRACTION = 0.02  # references closer than this share of the range are one level
STRAY_FRACTION = 0.05  # residuals above this share of the range are no sensor's bend
# Of full scale, over the narrowest span: of the widest usual sensor, which has four fifths of its output for it.
LEAST_MOVED = 0.8 * NARROWEST_KPA / LIKELY_FULL_SCALE_KPA[1]
LEAST_MOVED_BARE = 1 / 120.0  # of what the pressures did: beyond bar taken for kPa, the largest slip of a unit
_SLIPS = (
    (1 / 6.894757, "the pressures look like psi taken for kPa", "give --unit psi"),
    (6.894757, "the pressures look like kPa taken for psi", "give --unit kPa"),
    (1 / 100.0, "the pressures look like bar taken for kPa", "give --unit bar"),
    (100.0, "the pressures look like kPa taken for bar", "give --unit kPa"),
    (1 / 14.5038, "the pressures look like bar taken for psi", "give --unit bar"),
    (14.5038, "the pressures look like psi taken for bar", "give --unit psi"),
    (10.0, "the pressures are ten times too large: a slipped decimal point", "check the numbers"),
    (0.1, "the pressures are ten times too small: a slipped decimal point", "check the numbers"),
)
_TAKEN_FOR = re.compile(r"(\S+) taken for (\S+)$")


class StrayPair(SettingError):
    """One pair that lies far off the line of the others. Its pressures are told in kPa; in whatever unit they were
    typed, they mean the same, where what is said of a whole span may be of a unit that was taken for another."""


def levels_of(reference: FloatArray) -> list[list[int]]:
    """Indices of the pairs, grouped by reference level."""
    tolerance = LEVEL_FRACTION * float(np.ptp(reference))
    groups: list[list[int]] = []
    for i in (int(i) for i in np.argsort(reference, kind="stable")):
        if groups and reference[i] - reference[groups[-1][0]] <= tolerance:
            groups[-1].append(i)
        else:
            groups.append([i])
    return groups


def _meant(x: FloatArray, y: FloatArray, full_scale_kpa: float | None, bare: bool) -> str:
    """What to do about pressures that span too little: with the unit that they may be in, where the readings, which
    moved as they did, tell one."""
    further = "go up to the highest pressure you test at"
    moved = float(np.ptp(x))
    if moved < (NARROWEST_KPA if bare else LEAST_MOVED):
        return further
    span = float(np.ptp(y)) / moved * (1.0 if bare else 0.8)
    low, high = LIKELY_FULL_SCALE_KPA
    if bare or full_scale_kpa is not None:
        wanted = full_scale_kpa if full_scale_kpa is not None and not bare else 1.0
        for factor, said, do in _SLIPS:
            if factor < 1 and abs(math.log(span / wanted / factor)) < 0.12:
                return f"{said}: {do}"
        return further
    units = [unit for unit, kpa in (("psi", 6.894757), ("bar", 100.0)) if low <= span * kpa <= high]
    if not units or low <= span <= high:
        return further
    these = " or ".join(units)
    return f"{further}; if these were {these}, give --unit {these}"


def check_pairs(x: FloatArray, y: FloatArray, full_scale_kpa: float | None, bare: bool) -> None:
    """SettingError where readings ``x`` (n; share of full scale, or kPa where bare) and references ``y`` (n, kPa) are
    too few, too near to each other or no numbers. full_scale_kpa: of the sensor, where it is known."""
    for i, (ratio, kpa) in enumerate(zip(x, y, strict=True), 1):
        if not (math.isfinite(ratio) and math.isfinite(kpa)):
            raise SettingError(f"pair {i} is not two finite numbers")
        if not bare and not -0.001 <= ratio <= 1.001:
            raise SettingError(
                f"pair {i}: a reading of {ratio:g} of full scale is not possible",
                do="the reading is counts / full-scale counts, 0 to 1; are the columns swapped?",
            )
    levels = len(levels_of(y)) if len(x) else 0
    if levels < 3:
        raise SettingError(
            f"{levels} different {'pressure is' if levels == 1 else 'pressures are'} too few for a calibration",
            do="take at least 3, spread over the range, with zero among them (5 to see a bend)",
        )
    if np.ptp(y) < NARROWEST_KPA:
        raise SettingError(
            f"the pressures span only {np.ptp(y):.3g} kPa, at least {NARROWEST_KPA:g} kPa are needed",
            do=_meant(x, y, full_scale_kpa, bare),
        )
    if np.ptp(x) < 1e-9:
        raise SettingError("the reading never changes", do="check the sensor's wires")
    if np.ptp(x) < (LEAST_MOVED_BARE * np.ptp(y) if bare else LEAST_MOVED):
        moved = f"{np.ptp(x):.2g} kPa" if bare else f"{np.ptp(x):.2%} of full scale"
        raise SettingError(
            f"the reading hardly changed, by {moved} over pressures that span {np.ptp(y):.0f} kPa",
            do="check the sensor's wires, and that its hose is on what the reference reads",
        )


def check_line(
    slope: float, residuals: FloatArray, x: FloatArray, y: FloatArray, full_scale_kpa: float | None, bare: bool
) -> None:
    """SettingError where the line through the pairs, of that slope (kPa by reading), is no gauge's, or one of the
    ``residuals`` (n, kPa) is far from it."""
    if slope <= 0:
        raise SettingError(
            "the reading falls as the pressure rises",
            do="are the pairs in one order and the sensor's wires right?",
        )
    if bare:
        _check_gain(slope)
    else:
        _check_span(0.8 * slope, full_scale_kpa)  # what a 10 to 90 % sensor would have as full scale
    worst = int(np.argmax(np.abs(residuals)))
    if abs(residuals[worst]) > STRAY_FRACTION * float(np.ptp(y)):
        raise StrayPair(
            f"the pairs do not lie on a line: pair {worst + 1} ({y[worst]:.4g} kPa at {x[worst]:.4f}) is "
            f"{abs(residuals[worst]):.3g} kPa off",
            do="check that pair, and take it again",
        )


def _check_gain(slope: float) -> None:
    """A board that prints pressures prints nearly the right ones."""
    if 0.75 <= slope <= 4 / 3:
        return
    for factor, said, do in _SLIPS:
        if abs(math.log(slope / factor)) < 0.12:
            units = _TAKEN_FOR.search(said)  # which of the two was taken for the other no number tells
            readings = f", or the readings like {units[2]} taken for {units[1]}" if units is not None else ""
            raise SettingError(
                f"the pressures change {slope:.3g} times as much as the readings: {said}{readings}",
                do=f"{do}, or give the readings' own unit with --bare",
            )
    raise SettingError(
        f"the pressures change {slope:.3g} times as much as the readings",
        do="check the unit of the pressures (--unit) and of the readings (--bare)",
    )


def _check_span(span: float, full_scale_kpa: float | None) -> None:
    low, high = LIKELY_FULL_SCALE_KPA
    wanted = full_scale_kpa
    if wanted is not None and low <= span <= high and not low <= wanted <= high:
        raise SettingError(
            f"the span comes out as {span:.4g} kPa where the sensor has {wanted:.4g} kPa, and no usual one has that",
            do=f"give the sensor's full scale in the unit it is printed in: {span:.3g} kPa are "
            f"{span / 6.894757:.3g} psi or {span / 100.0:.3g} bar",
        )
    if wanted is not None:
        for factor, said, do in _SLIPS:
            if abs(math.log(span / wanted / factor)) < 0.12:
                raise SettingError(
                    f"the span comes out as {span:.4g} kPa where the sensor has {wanted:.4g} kPa: {said}", do=do
                )
        if not 0.75 <= span / wanted <= 4 / 3:
            raise SettingError(
                f"the span comes out as {span:.4g} kPa where the sensor has {wanted:.4g} kPa",
                do="check the sensor's full scale, the unit of the pressures and the full-scale counts",
            )
    elif not low <= span <= high:
        hint = "give --unit psi or bar if they are" if span < low else "give --unit kPa if they are"
        raise SettingError(
            f"these pairs make a sensor of {span:.4g} kPa full scale, usual ones have {low:g} to {high:g} kPa",
            do=f"are the pressures in another unit? {hint}, or give --full-scale",
        )
