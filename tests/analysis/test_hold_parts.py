"""Parts of the hold's fit that are reckoned in a short way, against numpy's and the long way."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import log_ndtr
from scipy.stats import norm

from recorder.analysis.hold.bins import GRID, NONE, Bins, bin_hold
from recorder.analysis.hold.draws import Ridge
from recorder.analysis.hold.fit import _Readings, fit_hold
from recorder.analysis.hold.grid import FULL, log_prior
from recorder.analysis.hold.laws import NEAR_LAW, leak_shape
from recorder.analysis.hold.line import Line, Problem, _inverse
from recorder.analysis.hold.noise import Noise, NoiseFinder
from recorder.analysis.hold.posterior import (
    TIGHT,
    _hardly_rises,
    _sign,
    _signs,
    _sized,
    posterior,
    total,
)
from recorder.analysis.hold.summary import rate_of, summary
from recorder.analysis.trace.filters import median, medians, quantile


def readings(seed: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 40.0, 0.05)
    wander = np.zeros(len(t))
    for i in range(1, len(t)):
        wander[i] = 0.967 * wander[i - 1] + 0.02 * rng.normal()
    return t, 100.0 - 0.02 * t + 1.5 * np.exp(-t / 5.0) + wander + rng.normal(0.0, 0.1, len(t))


def made_bins(seed: int) -> Bins:
    t, p = readings(seed)
    return bin_hold(t, p, 0.3, 100.0 - 0.02 * t + 1.5 * np.exp(-t / 5.0))


@pytest.mark.parametrize("n", [1, 2, 3, 10, 11, 1000])
def test_median(n: int) -> None:
    values = np.round(np.random.default_rng(n).normal(size=n), 1)
    assert median(values) == median(values.tolist()) == np.median(values)
    assert np.array_equal(medians(np.stack([values, -values])), [np.median(values), np.median(-values)])
    for share in (0.0, 0.2, 0.5, 0.75, 0.9, 1.0):
        assert quantile(values, share) == np.quantile(values, share)


def test_the_median_of_nothing_is_none() -> None:
    assert math.isnan(median(np.zeros(0))) and math.isnan(median([]))


@pytest.mark.parametrize("k", [1, 2, 3])
def test_inverse(k: int) -> None:
    root = np.random.default_rng(k).normal(size=(50, k, k + 2))
    a = root @ root.transpose(0, 2, 1)
    inverse, log_det = _inverse(np.ascontiguousarray(a.transpose(1, 2, 0)))
    assert inverse.transpose(2, 0, 1) == pytest.approx(np.linalg.inv(a), rel=1e-8, abs=1e-10)
    assert log_det == pytest.approx(np.linalg.slogdet(a)[1], rel=1e-9, abs=1e-9)


def test_size_far_below_zero() -> None:
    """A flat prior's mass is the normal's above zero (scipy's log_ndtr); what is left is as wide as sd^2 / |m|."""
    m, sd = -np.array([3.0, 30.0, 3e3, 3e6, 2.8e8]), np.ones(5)
    with np.errstate(all="raise"):
        log, mean, var = _sized(m, sd, 1e12)
    assert log == pytest.approx(log_ndtr(m), rel=1e-3)
    assert mean[1:3] == pytest.approx(1.0 / -m[1:3], rel=0.02)
    assert (np.abs(mean[3:]) < 1e-6).all() and (var <= 0.1).all()


def test_an_exponential_that_is_not_there_changes_nothing() -> None:
    b = made_bins(1)
    problem = Problem(NoiseFinder(b), Noise(0.1), 100.0, 3.0)
    line = Line(problem, b.t)
    one, none = line.solve(np.log([[2.0, 20.0]])), line.solve(np.array([np.log([2.0, 20.0]), [NONE, NONE]]))
    assert none.log == pytest.approx(one.log, rel=1e-12)
    assert none.mean[0] == pytest.approx(one.mean[0], rel=1e-9)
    assert (none.mean[1] == 0.0).all()
    first, _, values = line.newton(np.array([[np.log(20.0), NONE]]))
    alone, _, best = line.newton(np.array([[np.log(20.0)]]))
    assert first[0, 0] == pytest.approx(alone[0, 0], rel=1e-9)
    assert first[0, 1] == NONE
    assert values == pytest.approx(best, rel=1e-9)


@pytest.mark.parametrize(("seed", "size_kpa", "tau_s"), [(5, 4.0, 6.0), (6, 2.0, 9.0), (4, 3.0, 12.0)])
def test_the_evidence_of_two_exponentials_where_one_is_enough(seed: int, size_kpa: float, tau_s: float) -> None:
    """One time constant is sharp then and the other may be anything: the posterior is a ridge, narrower than the grid's
    places are apart. The sum over grid and draws, against one over places 21 times as near (235,000 sets)."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 120.0, 0.1)
    p = 100.0 - 0.02 * t + size_kpa * np.exp(-t / tau_s) + rng.normal(0.0, 0.05, len(t))
    b = bin_hold(t, p, 0.05, p)
    problem = Problem(NoiseFinder(b), Noise(0.05), 100.0, 8.0)
    shape = leak_shape(b.t, NEAR_LAW, b.t, b.y, 120.0)
    two = posterior(problem, NEAR_LAW, shape, quick=False)[2]
    line, step = Line(problem, shape), (GRID[1] - GRID[0]) / 21
    places = GRID[0] - 10 * step + step * np.arange(21 * len(GRID))
    log, rates = [], []
    for first in places:
        second = places[places > first + 0.1]
        if not len(second):
            break
        theta = np.stack([np.full(len(second), first), second])
        found = line.solve(theta)
        mean, cov = line.whole(found, np.arange(len(second)))
        log.append(found.log + _signs(problem, mean, cov, theta, 0.0)
                   + log_prior(theta, FULL.structures[2].volumes))
        rates.append(mean[1])
    every, rate = np.concatenate(log), np.concatenate(rates)
    weight = np.exp(every - every.max())
    wanted = float(every.max() + np.log(weight.sum() * step * step))
    assert total([two]) == pytest.approx(wanted, abs=0.4)
    of_two = np.exp(two.log_weight - two.log_weight.max())
    middle = float(weight @ rate / weight.sum())
    sd = float(np.sqrt(weight @ (rate - middle) ** 2 / weight.sum()))
    assert float(of_two @ two.mean[1] / of_two.sum()) == pytest.approx(middle, abs=0.3 * sd)


def test_the_density_of_draws_along_a_ridge_is_how_many_there_are() -> None:
    """Its integral over any part of the plane is the number of draws there: counted in many times as many of them."""
    b = made_bins(2)
    problem = Problem(NoiseFinder(b), Noise(0.05), 100.0, 8.0)
    line = Line(problem, b.t)
    ridge = Ridge(line, np.log([5.0]), -np.inf)
    step = 0.004
    places = np.arange(GRID[0] - 0.1, GRID[-1] + 0.1, step)
    rng = np.random.default_rng(3)
    free = np.repeat(ridge.free, 4000) + (rng.random(4000 * len(ridge.free)) - 0.5) * (GRID[1] - GRID[0])
    width = np.where(rng.random(len(free)) < 0.5, 1.1, 2.5)
    middles, roots = np.repeat(ridge.middles[:, 0], 4000), np.repeat(ridge.roots[:, 0, 0], 4000)
    sharp = middles + rng.normal(size=len(free)) * width * roots
    low, high = np.minimum(free, sharp), np.maximum(free, sharp)
    for below in (1.5, 4.0, 30.0):
        first, second = places[places < np.log(below)], places[places >= np.log(below)]
        theta = np.stack([np.repeat(first, len(second)), np.tile(second, len(first))])
        wanted = 4 * np.count_nonzero((low < np.log(below)) & (high >= np.log(below))) / 4000
        assert float(ridge.density(theta).sum() * step * step) == pytest.approx(wanted, rel=0.02, abs=0.3)
    assert ridge.drawn().shape[1] <= 4 * len(ridge.free)


def test_the_noise_of_several_designs_at_once_has_the_greatest_restricted_likelihood() -> None:
    b = made_bins(6)
    x = np.stack([np.ones_like(b.t), b.t, np.exp(-b.t / 5.0), np.exp(-b.t), np.exp(-b.t / 9.0)])
    finder = NoiseFinder(b)
    designs = [[0, 1, 2], [0, 1, 3, 4]]
    for design, found in zip(designs, finder.find(x, designs, 0.01), strict=True):
        def log_likelihood(noise: Noise, design: list[int] = design) -> float:
            white, log_det = finder.whitener(noise)
            if white.ndim == 1:
                white = np.diag(white)
            xw, yw = white @ x[design].T, white @ b.y
            rest = yw - xw @ np.linalg.lstsq(xw, yw, rcond=None)[0]
            return float(log_det - 0.5 * rest @ rest - 0.5 * np.linalg.slogdet(xw.T @ xw)[1])

        best = max(
            log_likelihood(Noise(float(white), float(wander), kind[0]))
            for kind in finder.kinds
            for white in np.geomspace(0.02, 0.3, 12)
            for wander in np.geomspace(0.01, 1.0, 14)
        )
        assert log_likelihood(found) > best - 0.3


def test_the_rate_alone_is_the_summarys() -> None:
    t, p = readings(3)
    r = _Readings(t, p, step_kpa=0.0, noise_kpa=0.1, last_rise_kpa=3.0, before=None)
    points, first = r.points(quick=False)

    def shape(at: np.ndarray, law: tuple[float, ...]) -> np.ndarray:
        return leak_shape(at, NEAR_LAW, r.b.t, r.b.y, r.length_s)

    whole = summary(points, r.middle_kpa, shape, r.length_s, 0.0, first.noise, 3.0, False)
    assert rate_of(points, r.middle_kpa, r.length_s) == pytest.approx((whole.rate_kpa_per_s, whole.rate_u), rel=1e-9)


@pytest.mark.parametrize("mean", [-0.001, 0.0005, 0.003])
@pytest.mark.parametrize("none", [0.0, TIGHT])
def test_the_moments_of_a_rate_that_may_be_none(mean: float, none: float) -> None:
    """Against SciPy's quadrature: a normal likelihood times 1 / (1 + x / x0) above nothing, and a mass at nothing."""
    sd, least = 0.001, 0.1 / 60.0
    means, cov = np.array([[0.0], [mean]]), np.array([[1.0, 0.0], [0.0, sd * sd]])[:, :, None]

    def over(power: int) -> float:
        return float(quad(lambda x: x**power * norm.pdf(x, mean, sd) / (1.0 + x / least), 0.0, 0.02, limit=200)[0])

    mass = over(0) + none * norm.pdf(0.0, mean, sd)
    value = over(1) / mass
    log = _sign(means, cov, 1, least, none)
    assert log[0] == pytest.approx(np.log(mass), abs=0.02)
    assert means[1, 0] == pytest.approx(value, abs=0.02 * sd)
    assert np.sqrt(cov[1, 1, 0]) == pytest.approx(np.sqrt(over(2) / mass - value**2), abs=0.03 * sd)


def test_a_system_may_leak_nothing_at_all() -> None:
    """A hose that creeps evenly in the logarithm of time (Ferry, as in docs/physics.md) is no leak."""
    rates = []
    for seed in range(8):
        t = np.arange(0.0, 120.0, 0.05)
        p = 110.0 - 0.35 * np.log1p(t / 6.0) + np.random.default_rng(seed).normal(0.0, 0.25, len(t))
        kinds = [fit_hold(t, p, step_kpa=0.0, noise_kpa=0.25, last_rise_kpa=1.0, coolant=c) for c in (False, True)]
        rates.append([(60.0 * f.rate_kpa_per_s, 60.0 * f.rate_u) for f in kinds])
    gas, coolant = np.array(rates).transpose(1, 2, 0)
    assert (coolant[0] < gas[0]).all() and (coolant[1] > 0.8 * gas[1]).all()
    assert np.mean(coolant[0] / coolant[1]) < 0.9 * np.mean(gas[0] / gas[1])


@pytest.mark.parametrize(("m", "sd"), [(3.0, 1.0), (0.3, 1.0), (-0.4, 0.5), (-3.0, 0.4), (-40.0, 1.5), (1.0, 0.01)])
def test_what_hardly_rises(m: float, sd: float) -> None:
    """Mass, mean and spread of a normal times a prior that falls off faster below zero, against scipy's quad. A second
    number goes along by their covariance."""
    more = 0.2**-2.0 - 4.0**-2.0
    mean, cov = np.array([[5.0], [m]]), np.array([[[2.0], [0.3 * sd]], [[0.3 * sd], [sd * sd]]])
    mass = _hardly_rises(mean, cov, 1, more)

    def moment(k: int) -> float:
        middle = m if m > 0.0 else m / (1.0 + more * sd * sd)
        return float(quad(lambda x: x**k * norm.pdf(x, m, sd) * np.exp(-0.5 * more * min(x, 0.0) ** 2),
                          middle - 9.0 * sd, middle + 9.0 * sd, points=[0.0, middle], limit=200)[0])  # fmt: skip

    zeroth, first = moment(0), moment(1) / moment(0)
    assert mass[0] == pytest.approx(np.log(zeroth), abs=0.02)
    assert mean[1, 0] == pytest.approx(first, abs=0.02 * sd)
    assert cov[1, 1, 0] == pytest.approx(moment(2) / zeroth - first * first, rel=0.06)
    assert mean[0, 0] == pytest.approx(5.0 + 0.3 / sd * (mean[1, 0] - m), abs=1e-9)


@pytest.mark.parametrize(("tau_s", "leak_s"), [(6.0, 60.0), (4.0, 90.0), (2.0, 40.0)])
def test_what_follows_a_leak_follows_the_rate_at_which_it_begins(tau_s: float, leak_s: float) -> None:
    """Of a leak that lets out exp(-t / leak_s) cold gas takes 0.2 more, for tau_s each (convolved by scipy): that is
    0.2 S(t) less 0.2 S(0) exp(-t / tau_s) with S = tau_s leak_s / (leak_s - tau_s) exp(-t / leak_s). The first bends
    like the leak; the second looks as if it settled, and is the leak's."""
    length = 120.0
    t = np.linspace(0.5, length - 0.5, 120)
    p = 100.0 * np.exp(-t / leak_s) + 1e-3 * np.random.default_rng(3).normal(size=len(t))
    b = bin_hold(t, p, 1e-3, p)
    begins = tau_s * leak_s / (leak_s - tau_s)
    cold = quad(lambda s: np.exp(-s / leak_s - (length - s) / tau_s), 0.0, length, points=[length - 3.0 * tau_s])[0]
    assert cold == pytest.approx(begins * (np.exp(-length / leak_s) - np.exp(-length / tau_s)), rel=1e-3)
    whole = leak_s * (1.0 - np.exp(-length / leak_s))
    own = leak_s * (1.0 - np.exp(-b.t / leak_s)) * length / whole
    one = posterior(Problem(NoiseFinder(b), Noise(1e-3), 100.0, 3.0), NEAR_LAW, own, quick=True)[1]
    at = int(np.argmin(np.abs(one.theta[0] - np.log(tau_s))))
    near_s = float(np.exp(one.theta[0, at]))
    begins = near_s * leak_s / (leak_s - near_s)
    assert (one.whole_rate()[0][at] - 1.0) * whole == pytest.approx(0.2 * begins, rel=0.2)
    assert near_s * whole / length < 0.7 * begins  # what follows the mean rate is too little
