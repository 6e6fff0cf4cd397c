"""Zero and span that drift from recording to recording: found where they do, not named where they do not."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from scipy import stats

from recorder.audit import AuditRow, Totals
from recorder.audit.trend import YEAR_S, Drift, Zero, calibration_drift, zero_drift

DAY_S = 86400.0


def zeros(slope: float, n: int, seed: int, *, scatter: float = 0.15, years: float = 1.0) -> list[Zero]:
    """Zeros of one adapter with one calibration, one a day; slope kPa a year."""
    rng = np.random.default_rng(seed)
    t = np.sort(rng.choice(round(365 * years), n, replace=False)) / 365.25
    return [(x * YEAR_S, float(slope * x + rng.normal(0, scatter)), 0.02, "a") for x in t]


def test_it_is_the_librarys_fit() -> None:
    """Outside: scipy.stats.linregress on the same points."""
    points = zeros(0.8, 40, 1)
    found = zero_drift("hose-7", points)
    assert found is not None and found.certain
    fit = stats.linregress([p[0] / YEAR_S for p in points], [p[1] for p in points])
    assert found.kpa_per_year == pytest.approx(fit.slope, rel=1e-9)
    assert found.standard_uncertainty == pytest.approx(fit.stderr, rel=1e-9)
    assert found.factor == pytest.approx(stats.t.ppf(0.995, 38))


def test_a_steady_adapter_is_named_as_often_as_said() -> None:
    """99 % intervals: of 1000 adapters that do not drift, about 10 are named; binomial, 99.9 %: at most 22."""
    named = sum(d.certain for d in (zero_drift("a", zeros(0.0, 12, seed)) for seed in range(1000)) if d)
    assert 1 <= named <= stats.binom.ppf(0.999, 1000, 0.01)


def test_a_drift_of_a_kpa_a_year_is_found() -> None:
    found = [d for d in (zero_drift("a", zeros(1.0, 30, seed)) for seed in range(200)) if d]
    assert sum(d.certain for d in found) >= 195
    inside = sum(abs(d.kpa_per_year - 1.0) <= d.factor * d.standard_uncertainty for d in found)
    assert inside >= stats.binom.ppf(0.001, 200, 0.99)


def test_a_new_calibration_is_no_drift_and_hides_none() -> None:
    rng = np.random.default_rng(5)
    days = np.arange(0, 400, 8.0)
    late = days > 200

    def made(slope: float) -> Drift:
        value = slope * days / 365.25 + np.where(late, -2.0, 0.0) + rng.normal(0, 0.1, len(days))
        points = [(d * DAY_S, float(v), 0.02, "second" if x else "first")
                  for d, v, x in zip(days, value, late, strict=True)]
        found = zero_drift("a", points)
        assert found is not None
        return found

    assert not made(0.0).certain
    drifting = made(1.5)
    assert drifting.certain and drifting.kpa_per_year == pytest.approx(1.5, abs=0.5)


def test_too_few_or_all_at_once_say_nothing() -> None:
    assert zero_drift("a", zeros(5.0, 4, 1)) is None
    assert zero_drift("a", [(i * DAY_S, 0.1 * i, 0.02, "a") for i in range(14)]) is None  # told by the year
    assert zero_drift("a", [(i * DAY_S, 0.1 * i, 0.02, "a") for i in range(15)]) is not None
    assert zero_drift("a", [(7.0, 0.1 * i, 0.02, "a") for i in range(9)]) is None
    assert zero_drift("a", [(i * DAY_S, 0.1 * i, 0.02, str(i)) for i in range(9)]) is None
    assert calibration_drift("a", [(0, 200, 0.2)]) is None
    assert calibration_drift("a", [(0, 200, 0.2), (9, 201, 0.0)]) is None


def test_many_tests_a_day_make_no_drift_certain() -> None:
    """Ten tests a day read one zero ten times: 0.1 kPa from day to day (a cold workshop, a warm one), 0.02 in one.
    Of 400 steady adapters about 4 are named; binomial, 99.9 %: at most 11."""
    named = 0
    for seed in range(400):
        rng = np.random.default_rng(seed)
        points = [(day * 3 * DAY_S + test * 1800.0, float(shared + rng.normal(0, 0.02)), 0.02, "a")
                  for day, shared in enumerate(rng.normal(0, 0.1, 8)) for test in range(10)]
        found = zero_drift("a", points)
        assert found is not None and found.points == 8
        named += found.certain
    assert named <= stats.binom.ppf(0.999, 400, 0.01)


def test_a_gauge_that_warms_up_does_not_drift() -> None:
    """One morning of tests, and mornings of tests: it rises by 0.35 kPa each time, and is where it was the next day."""
    rng = np.random.default_rng(3)
    morning = [(k * 1800.0, 0.05 * k, 0.02) for k in range(8)]
    assert zero_drift("a", [(*one, "a") for one in morning]) is None
    found = zero_drift("a", [(at + day * DAY_S, value + rng.normal(0, 0.05), u, "a")
                             for day in range(0, 60, 4) for at, value, u in morning])
    assert found is not None and not found.certain and found.points == 15


def test_a_day_of_work_ends_with_the_night_wherever_midnight_is() -> None:
    """Two hours before and after midnight UTC are one day in Auckland; a calibration in between makes two."""
    late = [(day * 3 * DAY_S + hour * 3600.0, 0.1 * day, 0.02, "a") for day in range(1, 9) for hour in (-2, 2)]
    found = zero_drift("a", late)
    assert found is not None and found.points == 8
    halves = zero_drift("a", [(*one[:3], "b" if one[0] > 12 * DAY_S else "a") for one in late])
    assert halves is not None and halves.points == 9


def test_exact_zeros_keep_their_stated_uncertainty() -> None:
    found = zero_drift("a", [(i * DAY_S, 0.0, 0.02, "a") for i in range(20)])
    assert found is not None and not found.certain and found.standard_uncertainty > 0


@pytest.mark.parametrize(("change", "certain"), [(0.6, False), (2.0, True)])
def test_two_calibrations(change: float, certain: bool) -> None:
    """By hand: the difference of two has the uncertainty sqrt(0.2**2 + 0.2**2) = 0.283 kPa; 2.576 of it are 0.73."""
    found = calibration_drift("a", [(0, 206.8, 0.2), (YEAR_S, 206.8 + change, 0.2)])
    assert found is not None and found.certain is certain
    assert found.kpa_per_year == pytest.approx(change)
    assert found.standard_uncertainty == pytest.approx(0.2 * 2**0.5)
    assert found.factor == pytest.approx(2.5758, abs=1e-4)  # the normal's 99.5 % point, any table


def test_scattering_calibrations_count_less() -> None:
    calm = calibration_drift("a", [(i * YEAR_S, 206 + 0.5 * i, 0.2) for i in range(5)])
    wild = calibration_drift("a", [(i * YEAR_S, 206 + 0.5 * i + 3 * (-1) ** i, 0.2) for i in range(5)])
    assert calm is not None and wild is not None and calm.certain and not wild.certain


def row(i: int, *, adapter: str, zero: float, span: float = 258.0, date: str = "2026-01-02", day: float | None = None,
        outcome: str = "pass", dated: str = "in date") -> AuditRow:
    started = datetime(2026, 1, 3, tzinfo=UTC) + timedelta(days=7 * i if day is None else day)
    return AuditRow(
        f"{i}.csv", started=started.isoformat(), test="system", adapter=adapter, zero_kpa=zero,
        zero_uncertainty_kpa=0.02, recomputed=outcome, calibration=dated, calibration_date=date,
        calibration_u_kpa=0.2, offset_kpa=-25.8, span_kpa=span,
    )


def test_totals_name_the_adapter_that_drifts() -> None:
    rng = np.random.default_rng(2)
    totals = Totals()
    for i in range(50):
        noise = rng.normal(0, 0.1, 2)
        totals.add(row(i, adapter="steady", zero=float(noise[0])))
        late = i >= 25
        totals.add(row(i, adapter="tired", zero=float(noise[1] + 1.2 * i * 7 / 365.25),
                       span=260.0 if late else 258.0, date="2026-07-01" if late else "2026-01-02",
                       dated="in date" if late else "out of date"))
        totals.add(row(i, adapter="steady", zero=float(40 * i), outcome="void"))  # says nothing of the zero
    assert {(d.adapter, d.what) for d in totals.drifts() if d.certain} == {("tired", "zero"), ("tired", "span")}
    assert list(totals.span_changes()) == ["tired"]
    assert totals.out_of_date == {"tired": 25}
    json.dumps(totals.to_json(), allow_nan=False)
