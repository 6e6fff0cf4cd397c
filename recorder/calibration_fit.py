"""Coefficients and their uncertainty from pairs of reference pressure and reading.

Least squares with the covariance of the coefficients as in JCGM 100:2008 (GUM) annex H.3; what the
reference may be off by as a whole is added as in H.3.6. The reading is the regressor: a test turns
readings into pressures, so this is the direction the coefficients are used in.

A scatter that was found from a few pairs is not known well: 95 of 100 lie within Student's t of it, not within
2 (GUM G.3 and table G.2: 12.71 with 1 degree of freedom, 2.23 with 10). The standard uncertainty stated is half
of what covers 95 of 100, so that whoever doubles it is right.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from recorder.calibration_pairs import check_line, check_pairs, levels_of
from recorder.errors import SettingError
from recorder.units import format_pressure

if TYPE_CHECKING:
    from recorder.model import FloatArray

__all__ = ["CalibrationFit", "Pair", "Polynomial", "fit", "fit_polynomial", "with_direction"]

Direction = Literal["up", "down"]

EARNED_P = 0.01
COVERED = 0.95
_STEP_BY_SD = math.sqrt(12.0)  # of a rectangular distribution one step wide (GUM 4.3.7, F.2.2.1)
_USUAL_MOST_KPA = 140.0  # a test may go so high: common practice, no source
NOTHING_KPA = 0.001  # no reference and no reading of this job is as good; common practice, no source


@dataclass(frozen=True, slots=True)
class Pair:
    """One reference pressure (kPa gauge) and the reading at it: ratio of full scale, 0..1, or what a board
    that prints pressures has printed, in kPa.

    direction: whether the pressure was reached from below or from above; None where not noted. reference_step_kpa,
    ratio_step: the last place that each was written with, in its own unit; 0 where it was not typed.
    """

    reference_kpa: float
    ratio: float
    direction: Direction | None = None
    reference_step_kpa: float = 0.0
    ratio_step: float = 0.0


def with_direction(pair: Pair, before: Sequence[Pair]) -> Pair:
    """The pair, with whether it was reached from below or from above; the same pressure again is reached as it was."""
    if not before:
        return replace(pair, direction="up")
    last = before[-1]
    if pair.reference_kpa == last.reference_kpa:
        return replace(pair, direction=last.direction)
    return replace(pair, direction="down" if pair.reference_kpa < last.reference_kpa else "up")


@dataclass(frozen=True, slots=True, eq=False)
class Polynomial:
    """y = sum of coefficient i * x**i with what is known about it.

    covariance: of the coefficients, from the scatter alone plus the systematic part (intercept).
    residual_sd, dof: the scatter about the curve, in y's unit, and its degrees of freedom.
    """

    coefficients: FloatArray
    covariance: FloatArray
    residuals: FloatArray
    residual_sd: float
    dof: int

    def at(self, x: FloatArray | float) -> tuple[FloatArray, FloatArray]:
        """The curve at ``x`` and its standard uncertainty, covariances included (GUM H.3.4)."""
        powers = np.vander(np.atleast_1d(np.asarray(x, float)), len(self.coefficients), increasing=True)
        var = np.einsum("ij,jk,ik->i", powers, self.covariance, powers)
        return powers @ self.coefficients, np.sqrt(np.maximum(var, 0.0))

    @property
    def sum_of_squares(self) -> float:
        return float(self.residuals @ self.residuals)


def fit_polynomial(
    x: FloatArray, y: FloatArray, degree: int, *, systematic_u: float = 0.0
) -> Polynomial:
    """Ordinary least squares; ``systematic_u`` is what every y may be off by together (GUM H.3.6)."""
    x, y = np.asarray(x, float), np.asarray(y, float)
    scale = float(np.max(np.abs(x))) or 1.0  # keeps the columns of like size
    design = np.vander(x / scale, degree + 1, increasing=True)
    q, r = np.linalg.qr(design)
    inverse = np.linalg.inv(r)
    scaled = inverse @ (q.T @ y)
    residuals = y - design @ scaled
    dof = len(x) - degree - 1
    s2 = float(residuals @ residuals) / dof if dof > 0 else math.nan
    back = scale ** -np.arange(degree + 1.0)
    covariance = s2 * (inverse @ inverse.T) * np.outer(back, back)
    covariance[0, 0] += systematic_u**2
    return Polynomial(scaled * back, covariance, residuals, math.sqrt(s2), dof)


@dataclass(frozen=True, slots=True, eq=False)
class CalibrationFit:
    """A calibration with its evidence. Pressures kPa.

    residuals_kpa: reference minus curve, in the order of the pairs.
    standard_uncertainty_kpa: half of what 95 in 100 readings that were taken as the pairs were (averaged as long)
        lie within, the largest over the range: the curve and the scatter about it, both times ``coverage_factor``
        / 2, and the reference.
    coverage_factor: Student's t for 95 % at the curve's degrees of freedom.
    hysteresis_kpa: largest difference of the curve's error between up and down at one level; None where
        no level was met both ways.
    repeatability_kpa: pooled standard deviation within level and direction; None where nothing was repeated.
    f_statistic, f_p, aicc_line, aicc_quadratic: what the quadratic had to show; None with too few levels.
    """

    pairs: tuple[Pair, ...]
    curve: Polynomial
    coefficients_kpa: tuple[float, ...]
    residuals_kpa: tuple[float, ...]
    standard_uncertainty_kpa: float
    coverage_factor: float
    reference_u_kpa: float
    hysteresis_kpa: float | None
    repeatability_kpa: float | None
    f_statistic: float | None
    f_p: float | None
    aicc_line: float | None
    aicc_quadratic: float | None
    range_kpa: tuple[float, float]
    notes: tuple[str, ...] = ()

    @property
    def quadratic(self) -> bool:
        return len(self.coefficients_kpa) == 3


def _aicc(n: int, parameters: int, rss: float) -> float:
    """Akaike's criterion with the small-sample correction; the variance counts as a parameter."""
    k = parameters + 1
    if n - k - 1 <= 0:
        return math.inf
    return n * math.log(max(rss, 1e-300) / n) + 2 * k + 2 * k * (k + 1) / (n - k - 1)


def _spread(pairs: Sequence[Pair], y: FloatArray, residuals: FloatArray) -> tuple[float | None, float | None]:
    """Hysteresis and repeatability, kPa."""
    differences, squares, dof = [], 0.0, 0
    for group in levels_of(y):
        ways: dict[str | None, list[float]] = {}
        for i in group:
            ways.setdefault(pairs[i].direction, []).append(float(residuals[i]))
        if "up" in ways and "down" in ways:
            differences.append(abs(float(np.mean(ways["up"]) - np.mean(ways["down"]))))
        for values in ways.values():
            squares += float(np.sum((np.array(values) - np.mean(values)) ** 2))
            dof += len(values) - 1
    return max(differences, default=None), math.sqrt(squares / dof) if dof else None


def _rounding_kpa(pairs: Sequence[Pair], slope: float) -> tuple[float, float]:
    """Standard uncertainties (kPa) of what was rounded away where references and readings were written: rectangular,
    half of the last place / sqrt(3) (GUM 4.3.7, F.2.2.1). The finest place of each column is the column's, as zeros at
    the end are often left away."""
    def finest(steps: list[float]) -> float:
        return min((step for step in steps if step > 0), default=0.0) / _STEP_BY_SD

    return finest([p.reference_step_kpa for p in pairs]), slope * finest([p.ratio_step for p in pairs])


def fit(
    pairs: Sequence[Pair],
    *,
    reference_u_kpa: float = 0.0,
    full_scale_kpa: float | None = None,
    resolution: float = 0.0,
    bare: bool = False,
) -> CalibrationFit:
    """A straight line, or a quadratic where it earns its place (F test at 1 % and lower AICc, 5 levels).

    reference_u_kpa: standard uncertainty of the reference, common to all pairs, kPa.
    full_scale_kpa: the sensor's full scale where known, to catch unit slips.
    resolution: one count as ratio, 0 where not known; its rectangular share (GUM F.2.2.1) is the least
        scatter a reading has.
    bare: the readings are pressures in kPa that a board prints, not ratios; resolution is in kPa then.
    Where neither scatter nor resolution shows, the scatter is what was rounded away as the pairs were written.
    Raises SettingError where the pairs cannot be a calibration, with the reason.
    """
    from scipy.special import stdtrit

    if not (math.isfinite(reference_u_kpa) and reference_u_kpa >= 0):
        raise SettingError(f"a reference uncertainty of {reference_u_kpa:g} kPa is not possible")
    x = np.array([p.ratio for p in pairs], float)
    y = np.array([p.reference_kpa for p in pairs], float)
    check_pairs(x, y, full_scale_kpa, bare)
    line = fit_polynomial(x, y, 1, systematic_u=reference_u_kpa)
    check_line(float(line.coefficients[1]), line.residuals, x, y, full_scale_kpa, bare)

    curve, f_stat, f_p, aicc1, aicc2 = _line_or_bent(x, y, line, reference_u_kpa)
    hysteresis, repeatability = _spread(pairs, y, curve.residuals)
    grid = np.linspace(float(x.min()), float(x.max()), 101)
    _, u_curve = curve.at(grid)
    k = float(stdtrit(curve.dof, 0.5 + COVERED / 2))
    # The reference's share is in the covariance of the intercept, and so everywhere the same.
    fitted = math.sqrt(max(float(u_curve.max()) ** 2 - reference_u_kpa**2, 0.0))
    scatter = max(k / 2.0 * curve.residual_sd, resolution * float(line.coefficients[1]) / _STEP_BY_SD)
    rounded = _rounding_kpa(pairs, float(line.coefficients[1])) if scatter < NOTHING_KPA else (0.0, 0.0)
    u = math.hypot(k / 2.0 * fitted, scatter, reference_u_kpa, *rounded)
    if u < NOTHING_KPA:
        raise SettingError(
            f"nothing tells how far off a reading may be: {len(x)} pairs lie on the curve to the last digit, and "
            "neither the reference's uncertainty nor the reading's resolution is known",
            do="give --reference-u, other than 0, and take more pairs, up and down",
        )
    notes = _notes(pairs, rounded, scatter, reference_u_kpa, float(y.max()))
    return CalibrationFit(
        tuple(pairs), curve, tuple(float(c) for c in curve.coefficients),
        tuple(float(r) for r in curve.residuals), u, k, reference_u_kpa,
        hysteresis, repeatability, f_stat, f_p, aicc1, aicc2, (float(y.min()), float(y.max())), tuple(notes),
    )


def _line_or_bent(
    x: FloatArray, y: FloatArray, line: Polynomial, reference_u_kpa: float
) -> tuple[Polynomial, float | None, float | None, float | None, float | None]:
    """The line, or the quadratic where it earns its place; F, its probability, and AICc of both where asked."""
    if len(levels_of(y)) < 5 or len(x) <= 5:
        return line, None, None, None, None
    from scipy.stats import f as f_distribution

    bent = fit_polynomial(x, y, 2, systematic_u=reference_u_kpa)
    noise = max(bent.sum_of_squares / bent.dof, 1e-18)
    f_stat = max(line.sum_of_squares - bent.sum_of_squares, 0.0) / noise
    f_p = float(f_distribution.sf(f_stat, 1, bent.dof))
    aicc1, aicc2 = _aicc(len(x), 2, line.sum_of_squares), _aicc(len(x), 3, bent.sum_of_squares)
    earned = f_p < EARNED_P and aicc2 < aicc1
    return bent if earned else line, f_stat, f_p, aicc1, aicc2


def _notes(
    pairs: Sequence[Pair], rounded: tuple[float, float], scatter: float, reference_u_kpa: float, highest_kpa: float
) -> list[str]:
    """What has to be said beside the fit. rounded: what the uncertainty takes from rounding, kPa."""
    notes = []
    if any(rounded):
        most = "readings" if rounded[1] > rounded[0] else "references"
        also = "the reference's and " if reference_u_kpa else ""
        notes.append("the pairs lie on the curve to the last digit, and the reading's resolution is not known: the "
                     f"uncertainty is {also}what was rounded away as they were written, half of the last place by the "
                     f"square root of 3, most of it in the {most}; write every digit that was read, 0.5000 and not 0.5")
    elif scatter < NOTHING_KPA:
        notes.append("the pairs lie on the curve to the last digit, and the reading's resolution is not known: "
                     "the uncertainty is the reference's alone")
    if not any(p.direction == "down" for p in pairs):
        notes.append("no pair was taken coming down, so the hysteresis is not known")
    if reference_u_kpa == 0:
        notes.append("the reference was taken as perfect; give --reference-u where it is not")
    if highest_kpa < _USUAL_MOST_KPA:
        notes.append(f"readings above {format_pressure(highest_kpa, down=True)} are outside the calibrated range")
    return notes
