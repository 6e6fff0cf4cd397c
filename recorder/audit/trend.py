"""A straight line through values over time, and whether it is more than chance."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

__all__ = ["CONFIDENCE", "Drift", "calibration_drift", "zero_drift"]

YEAR_S = 365.25 * 86400
CONFIDENCE = 0.99  # of the interval that has to leave out zero: one steady adapter in a hundred is named wrongly
_FEWEST_DAYS = 5
_SHORTEST_S = 14 * 86400.0  # of what is told by the year; common practice, no source
_NIGHT_S, _LONGEST_DAY_S = 6 * 3600.0, 20 * 3600.0  # a pause that ends a day of work, wherever midnight is

Point = tuple[float, float, float]  # time in s, value in kPa, its standard uncertainty in kPa
Zero = tuple[float, float, float, str]  # the same, and which calibration it was read with


@dataclass(frozen=True, slots=True)
class Drift:
    """How the vented zero of an adapter, or its span from one calibration to the next, moves.

    points: days of tests (zero) or calibrations (span). factor: how many standard uncertainties make the
    interval of 99 % (Student's t where the uncertainty is of the points' own scatter).
    """

    adapter: str
    what: Literal["zero", "span"]
    points: int
    days: float
    kpa_per_year: float
    standard_uncertainty: float
    factor: float

    @property
    def certain(self) -> bool:
        return abs(self.kpa_per_year) > self.factor * self.standard_uncertainty

    def to_json(self) -> dict[str, Any]:
        return {
            "adapter": self.adapter, "what": self.what, "points": self.points, "days": self.days,
            "certain": self.certain, "coverage_factor": self.factor,
            "drift": {"value": self.kpa_per_year, "standard_uncertainty": self.standard_uncertainty,
                      "unit": "kPa/year"},
        }


def zero_drift(adapter: str, zeros: Iterable[Zero]) -> Drift | None:
    """One slope by least squares, with an offset of its own for each calibration, since a new calibration moves
    the zero at once. The zeros of a day are one point, their mean, and every day counts alike: what scatters them from
    day to day (air temperature, a gauge that warms up, a hose not quite vented) is the same all day and not in their
    own uncertainty. The slope's uncertainty is from that scatter, or from the stated uncertainties where those are
    larger. None where there are too few days, or too close together."""
    from scipy.stats import linregress, t

    given = _days(sorted(zeros))
    points = np.array([one[:3] for one in given], float).reshape(-1, 3)
    names, group = np.unique([one[3] for one in given], return_inverse=True)
    freedom = len(points) - len(names) - 1
    if len(points) < _FEWEST_DAYS or freedom < _FEWEST_DAYS - 2 or np.ptp(points[:, 0]) < _SHORTEST_S:
        return None
    size = np.bincount(group)
    years, values = (
        column - (np.bincount(group, column) / size)[group]
        for column in ((points[:, 0] - points[0, 0]) / YEAR_S, points[:, 1])
    )
    if (years**2).sum() <= 0:
        return None
    fit = linregress(years, values)
    # the library has no number for values that are all the same
    scatter = float(np.nan_to_num(fit.stderr)) * float(np.sqrt((len(points) - 2) / freedom))
    stated = float(np.sqrt((points[:, 2] ** 2).mean() / (years**2).sum()))
    return Drift(adapter, "zero", len(points), float(np.ptp(points[:, 0])) / 86400, float(fit.slope),
                 max(scatter, stated), float(t.ppf((1 + CONFIDENCE) / 2, freedom)))


def _days(zeros: list[Zero]) -> list[Zero]:
    """The mean of each day of work with one calibration, in order of time. The uncertainty is that of a single zero of
    that day (root mean square): what the zeros of a day have in common does not average out."""
    days: dict[str, list[list[Zero]]] = {}
    for one in zeros:
        own = days.setdefault(one[3], [])
        if not own or one[0] - own[-1][-1][0] > _NIGHT_S or one[0] - own[-1][0][0] > _LONGEST_DAY_S:
            own.append([])
        own[-1].append(one)
    out = []
    for used, own in days.items():
        for day in own:
            when, value, u = np.array([one[:3] for one in day], float).T
            out.append((float(when.mean()), float(value.mean()), float(np.sqrt((u**2).mean())), used))
    return sorted(out)


def calibration_drift(adapter: str, spans: Iterable[Point]) -> Drift | None:
    """Least squares weighted by the calibrations' own uncertainties, made larger where the spans scatter more
    than those say. None where there are fewer than two, no uncertainty is stated, or all of one day."""
    from scipy.stats import norm, t

    points = np.array(sorted(spans), float).reshape(-1, 3)
    if len(points) < 2 or np.ptp(points[:, 0]) <= 0 or not (points[:, 2] > 0).all():
        return None
    years = (points[:, 0] - points[:, 0].mean()) / YEAR_S
    weights = 1.0 / points[:, 2]
    line, covariance = np.polyfit(years, points[:, 1], 1, w=weights, cov="unscaled")
    uncertainty, factor = float(np.sqrt(covariance[0, 0])), float(norm.ppf((1 + CONFIDENCE) / 2))
    freedom = len(points) - 2
    if freedom > 0:
        rest = (points[:, 1] - np.polyval(line, years)) * weights
        scatter = float(np.sqrt((rest**2).sum() / freedom))
        if scatter > 1:
            uncertainty *= scatter
            factor = float(t.ppf((1 + CONFIDENCE) / 2, freedom))
    return Drift(adapter, "span", len(points), float(np.ptp(points[:, 0])) / 86400, float(line[0]),
                 uncertainty, factor)
