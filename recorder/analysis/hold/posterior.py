"""The posterior of a hold's level, rate and settling amplitudes at many time constants, and their weights.

For given time constants everything is linear and Gaussian, so it is integrated in closed form. The time constants are
covered by a logarithmic grid and by draws beside it, weighted together as one sample of a known density (Owen & Zhou
2000, J. Am. Stat. Assoc. 95, 135). Derivation in docs/hold.md.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.hold.bins import NONE
from recorder.analysis.hold.draws import LIKELY, Modes, Ridge, apart
from recorder.analysis.hold.grid import FULL, QUICK, THREE, TWO, Family, log_prior
from recorder.analysis.hold.laws import Law
from recorder.analysis.hold.line import LOG_SLOW, Line, Problem, Solved
from recorder.analysis.trace.normal import normal_cdf

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from recorder.analysis.hold.creep import Creep
    from recorder.model import FloatArray, IntArray

__all__ = ["TIGHT", "Points", "best_three", "moments", "posterior", "top", "total"]

# where no source is named beside a number: common practice, no source
_AIR_SHARE, _AIR_SHARE_U = 0.2, 0.115  # of what a change of pressure brings, undone by air's cooling: 0 to gamma - 1
_RUBBER_SHARE = 0.02  # and by what a hose still gives
# quicker than this the gauge may lag, and rise after the stroke; else what is quick hardly rises
_LOG_LAGS = math.log(2.0)
# sizes below which one is as likely as another: of a leak, kPa/s; of what is to give, in standard deviations of it
_LEAST_LEAK, _LEAST_GIVE = 0.1 / 60.0, 0.15
# coolant does not pass what is fine enough, so a system may leak nothing at all: before anything is seen that is as
# likely as all leaks smaller than the least. Mass in units of 1 / (1 + x / x0), kPa/s
TIGHT = _LEAST_LEAK * math.log(2.0)
_NODES, _NODE_WEIGHTS = np.polynomial.legendre.leggauss(8)
_NODES, _NODE_WEIGHTS = (_NODES + 1.0) / 2.0, _NODE_WEIGHTS / 2.0
_FAR = 4.5  # standard deviations: no further does a quadrature go
_HOPELESS = 1.0  # log evidence by which a model with one more exponential is behind
_FEW = 128  # points, which are quicker tried all at once
_OUTSIDE, _NO_WEIGHT = 0.05, 1e-4  # share of what may be, beyond twice the uncertainty; of a point's weight


@dataclass(frozen=True, slots=True, eq=False)
class Points:
    """Posterior at m sets of k time constants, of one law. Log taus (k, m); log_weight (m); of level, rate and
    amplitudes mean (2 + k, m) and cov (2 + k, 2 + k, m). within_s (k, m): what the leak lets fall within each time
    constant, in seconds of its mean rate. creep: what creeps beside them, where something does."""

    law: Law
    theta: FloatArray
    log_weight: FloatArray
    mean: FloatArray
    cov: FloatArray
    within_s: FloatArray
    length_s: float
    creep: Creep | None = None

    def follows_s(self) -> FloatArray:
        """Seconds of its mean rate by which a leak's fall goes further once each mode has followed it (k, m). At the
        start nothing follows yet, and a time constant later all does: what is missing looks as if it settled."""
        return np.asarray(np.where(self.theta < LOG_SLOW, _AIR_SHARE, _RUBBER_SHARE) * self.within_s)

    def whole_rate(self) -> tuple[FloatArray, FloatArray]:
        """Mean rate of all of a leak's fall (m) over that of its own part, and the standard uncertainty."""
        more = self.follows_s() * -np.expm1(-self.length_s * np.exp(-self.theta)) / self.length_s
        fast = np.where(self.theta < LOG_SLOW, more, 0.0).sum(axis=0)
        return 1.0 + more.sum(axis=0), fast * (_AIR_SHARE_U / _AIR_SHARE)


@dataclass(frozen=True, slots=True, eq=False)
class _Leak:
    """A leak by its law; fall (n): at the times ``t_s``, from the start to the end, one a second on average."""

    law: Law
    t_s: FloatArray
    fall: FloatArray

    def points(self, theta: FloatArray, log_weight: FloatArray, mean: FloatArray, cov: FloatArray) -> Points:
        length_s, tau = float(self.t_s[-1]), np.exp(theta)
        within_s = np.interp(tau, self.t_s, self.fall) + np.maximum(tau - length_s, 0.0)
        return Points(self.law, theta, log_weight, mean, cov, within_s, length_s)


def _signs(
    problem: Problem, mean: FloatArray, cov: FloatArray, theta: FloatArray, none: float | None
) -> FloatArray:
    """Amplitudes and (unless ``none`` is None) the rate given the prior of their signs and sizes: changes means and
    covariances, and gives the log of the evidence's factor. One after the other, each by its moments. none: prior mass
    of no leak at all."""
    log = np.zeros(theta.shape[1])
    slow = theta >= LOG_SLOW
    quick = ~slow & (theta > _LOG_LAGS) & (problem.back_kpa < problem.fast_kpa)
    for j in range(len(theta) + 1, 1, -1):
        may_rise = quick[j - 2] & (mean[j] < _FAR * np.sqrt(np.maximum(cov[j, j], 0.0)))
        for which, gives in ((slow[j - 2], True), (may_rise, False)):
            use = np.flatnonzero(which)
            if not len(use):
                continue
            some_mean, some_cov = mean[:, use], cov[:, :, use]
            if gives:
                log[use] += _sign(some_mean, some_cov, j, _LEAST_GIVE * problem.slow_kpa) - _GIVE_MASS
            else:
                log[use] += _hardly_rises(some_mean, some_cov, j, problem.back_kpa**-2.0 - problem.fast_kpa**-2.0)
            mean[:, use], cov[:, :, use] = some_mean, some_cov
    if none is not None:
        log += _sign(mean, cov, 1, _LEAST_LEAK, none)
    return log


def _to(mean: FloatArray, cov: FloatArray, j: int, value: FloatArray, left: FloatArray) -> None:
    """Changes means and covariances to those where number ``j`` has the mean ``value`` and the variance ``left``."""
    var = np.maximum(cov[j, j], 1e-18)
    column = cov[j] / var
    mean += column * (value - mean[j])
    cov -= (column * np.minimum(var - left, 0.9999 * var))[:, None] * column


def _hardly_rises(mean: FloatArray, cov: FloatArray, j: int, more: float) -> FloatArray:
    """The prior of an amplitude, number ``j``, that is more precise by ``more`` (1/kPa^2) below zero than above it:
    changes means and covariances, and gives the log mass."""
    m, var = mean[j], np.maximum(cov[j, j], 1e-18)
    shrunk = 1.0 + more * var
    falls, fall, fall_var = _sized(m, np.sqrt(var), math.inf)
    rises, rise, rise_var = _sized(-m / shrunk, np.sqrt(var / shrunk), math.inf)
    rises = rises - 0.5 * (np.log(shrunk) + more * m * m / shrunk)
    both = np.logaddexp(falls, rises)
    share = np.exp(falls - both)
    value = share * fall - (1.0 - share) * rise
    _to(mean, cov, j, value, share * (fall_var + fall**2) + (1.0 - share) * (rise_var + rise**2) - value**2)
    return np.asarray(both)


def _sign(mean: FloatArray, cov: FloatArray, j: int, least: float, none: float = 0.0) -> FloatArray:
    """The prior of sizes for number ``j``: changes means and covariances, and gives the log mass. none: prior mass of
    nothing at all, in units of the number."""
    var = np.maximum(cov[j, j], 1e-18)
    sd = np.sqrt(var)
    kept, value, left = _sized(mean[j], sd, least)
    if none > 0.0:
        z = mean[j] / sd
        nothing = math.log(none / math.sqrt(2.0 * math.pi)) - 0.5 * z * z - np.log(sd)
        both = np.logaddexp(kept, nothing)
        some = np.exp(kept - both)
        left = some * (left + (1.0 - some) * value * value)
        kept, value = both, some * value
    _to(mean, cov, j, value, left)
    return kept


def _sized(
    m: FloatArray, sd: FloatArray, least: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Log mass, mean and variance of a normal (m, sd) times the prior of a size x: none below zero, flat below
    ``least``, above it flat in its logarithm, 1 / (1 + x / least). By quadrature, to 2 % of the standard deviation."""
    a = m / sd
    below = np.minimum(a, 0.0)
    low = np.maximum(-a, -_FAR)
    root = np.sqrt(below * below + _FAR * _FAR)
    # far below zero differences of squares would be all rounding: their products are not
    width = np.where(a < 0.0, _FAR * _FAR / (root + np.abs(low)), root - low)
    on = width * _NODES[:, None]
    z = low + on
    above = np.where(a < 0.0, 0.0, low)
    w = np.exp(-0.5 * (on * (2.0 * low + on) + above * above)) / (1.0 + (m + sd * z) / least)
    mass = _NODE_WEIGHTS @ w
    w *= z
    mean = _NODE_WEIGHTS @ w / mass
    w *= z
    var = np.maximum(_NODE_WEIGHTS @ w / mass - mean * mean, 1e-12)
    log = np.log(mass * width) - 0.5 * (below * below + math.log(2.0 * math.pi))
    return log, m + sd * mean, sd * sd * var


def _groups(starts: Sequence[int], m: int) -> IntArray:
    """Number of the group of each of m columns, from where each group begins."""
    return np.repeat(np.arange(len(starts)), np.diff([*starts, m]))


@dataclass(frozen=True, slots=True, eq=False)
class _Weighed:
    """Points of one group (as many exponentials each) that weigh anything: log taus (k, m), log weights without the
    prior's, means, covariances; ``use`` which they were."""

    use: IntArray
    theta: FloatArray
    weight: FloatArray
    mean: FloatArray
    cov: FloatArray


def _with_signs(
    line: Line, theta: FloatArray, starts: Sequence[int], counts: Sequence[int], found: Solved, none: float | None
) -> list[_Weighed]:
    """The points that weigh anything, with their signs; groups of ``counts`` exponentials begin at ``starts``."""
    log = found.log
    group = _groups(starts, len(log))
    best = np.maximum.reduceat(log, starts)
    likely = log > (best - LIKELY)[group]
    tried = likely if len(log) > _FEW else np.ones_like(likely)
    while True:
        use = np.flatnonzero(tried)
        mean, cov = line.whole(found, use)
        weight = log[use] + _signs(line.problem, mean, cov, theta[:, use], none)
        # what was left out weighs little against these
        most = np.maximum.reduceat(np.where(likely[use], weight, -np.inf), np.searchsorted(use, starts))
        likely = likely | (most <= best - 0.5 * LIKELY)[group]
        if not (likely & ~tried).any():
            break
        tried = likely
    if len(use) > np.count_nonzero(likely):
        kept = likely[use]
        use, weight, mean, cov = use[kept], weight[kept], mean[:, kept], cov[:, :, kept]
    cuts = np.searchsorted(use, starts)
    out = []
    for k, begin, a, b in zip(counts, starts, cuts, [*cuts[1:], len(use)], strict=True):
        some = use[a:b]
        out.append(
            _Weighed(some - begin, theta[:k, some], weight[a:b], mean[: 2 + k, a:b], cov[: 2 + k, : 2 + k, a:b])
        )
    return out


_GIVE_MASS = float(_sized(np.zeros(1), np.ones(1), _LEAST_GIVE)[0][0]) + math.log(2.0)


def _side_by_side(parts: Iterable[FloatArray]) -> tuple[FloatArray, list[int]]:
    """Log time constants (k, m) of many structures as one array, ``NONE`` where there are fewer, and at which column
    each begins."""
    parts = list(parts)
    starts = [0]
    for part in parts:
        starts.append(starts[-1] + part.shape[1])
    out = np.full((max(len(part) for part in parts), starts[-1]), NONE)
    for part, a, b in zip(parts, starts[:-1], starts[1:], strict=True):
        out[: len(part), a:b] = part
    return out, starts[:-1]


def _modes(line: Line, parts: list[_Weighed]) -> list[tuple[Modes, FloatArray, float]]:
    """Of each of ``parts`` the draws about up to three optima, the best of these (k), and its log evidence."""
    theta, starts = _side_by_side(part.theta[:, apart(part.theta, part.weight)] for part in parts)
    modes, covs, values = line.newton(theta.T)
    out = []
    for part, a, b in zip(parts, starts, [*starts[1:], len(modes)], strict=True):
        k, best = len(part.theta), a + int(np.argmax(values[a:b]))
        good = a + np.flatnonzero(values[a:b] > values[best] - 8.0)[:3]
        out.append((Modes(modes[good, :k], covs[good, :k, :k]), modes[best, :k], float(values[best])))
    return out


def _family(
    line: Line,
    leak: _Leak,
    family: Family,
    bests: dict[int, tuple[FloatArray, float]],
    *,
    draw: bool,
    none: float | None,
) -> list[Points]:
    """All points of one leak with each number of exponentials, weighted so that their weights add up to the evidence.
    bests: the best time constants of each number of them and its log evidence, which are added to."""
    found = line.on_grid(family.index)
    parts = _with_signs(line, family.theta, family.starts, family.counts, found, none)
    priors = [s.log_prior[part.use] for s, part in zip(family.structures, parts, strict=True)]
    if not draw:
        return [
            leak.points(part.theta, part.weight + prior - math.log(1.0 / s.cell), part.mean, part.cov)
            for s, part, prior in zip(family.structures, parts, priors, strict=True)
        ]
    some = [i for i, k in enumerate(family.counts) if k]
    ways: dict[int, list[Modes | Ridge]] = {}
    for i, (about, best, value) in zip(some, _modes(line, [parts[i] for i in some]), strict=True):
        k = family.counts[i]
        ways[i], bests[k] = [about], (best, value)
        if k - 1 in bests and bests[k - 1][1] > value - LIKELY:
            ways[i].append(Ridge(line, bests[k - 1][0], value))
    drawn = {i: points for i in some if (points := np.concatenate([way.drawn() for way in ways[i]], axis=1)).size}
    more: dict[int, _Weighed] = {}
    if drawn:
        theta, starts = _side_by_side(drawn.values())
        counts = [len(points) for points in drawn.values()]
        weighed = _with_signs(line, theta, starts, counts, line.solve(theta), none)
        more = dict(zip(drawn, weighed, strict=True))
    out = []
    for i, (s, part, prior) in enumerate(zip(family.structures, parts, priors, strict=True)):
        theta, weight, mean, cov = part.theta, part.weight, part.mean, part.cov
        density: FloatArray | float = 1.0 / s.cell
        if i in more:
            new = more[i]
            theta = np.concatenate([theta, new.theta], axis=1)
            weight, mean = np.append(weight, new.weight), np.concatenate([mean, new.mean], axis=1)
            cov = np.concatenate([cov, new.cov], axis=2)
            prior = np.append(prior, log_prior(new.theta, s.volumes))
            density = density + sum(way.density(theta) for way in ways[i])
        out.append(leak.points(theta, weight + prior - np.log(density), mean, cov))
    return out


def posterior(
    problem: Problem, law: Law, shape: FloatArray, *, quick: bool, none: float | None = 0.0, sharp: bool = False
) -> list[Points]:
    """Points with none, one, two and, unless ``quick`` or a second one brought nothing, three exponentials; shape (n):
    the leak's fall at the bins. none: prior mass of no leak at all, ``TIGHT`` or nothing; None where the rate may have
    either sign. sharp: between the places of the grid as well, where ``quick``."""
    line = Line(problem, shape)
    end = problem.length_s
    leak = _Leak(law, np.array([0.0, *problem.b.t, end]), np.array([0.0, *shape, end]))
    bests: dict[int, tuple[FloatArray, float]] = {}
    out = _family(line, leak, QUICK if quick else FULL, bests, draw=sharp or not quick, none=none)
    if not quick:
        seen = [total([part]) for part in out]
        if seen[2] >= max(seen[:2]) - _HOPELESS:  # else a third would bring nothing either
            out += _family(line, leak, THREE, bests, draw=True, none=none)
    return out


def best_three(problem: Problem, shape: FloatArray) -> tuple[FloatArray, float]:
    """Log time constants (3) of the three exponentials that leave least, and by how much their log evidence is above
    that of the best two, were the noise what they leave; shape (n): the leak's fall at the bins."""
    line = Line(problem, shape)
    best = []
    for family in (TWO, THREE):
        log = line.on_grid(family.index).log
        modes, _, values = line.newton(family.theta[:, apart(family.theta, log)].T)
        best.append((modes[i := int(np.argmax(values))], float(values[i])))
    (_, two), (theta, three) = best
    noise = line.left(theta) / max(len(problem.y) - 5, 1)
    return theta, (three - two) / max(noise, 1.0)


def top(points: list[Points]) -> tuple[Points, int]:
    """The likeliest point: of which structure, and which of it."""
    best = max(points, key=lambda q: float(q.log_weight.max()))
    return best, int(np.argmax(best.log_weight))


def total(points: list[Points]) -> float:
    """Log evidence."""
    log = np.concatenate([q.log_weight for q in points])
    most = float(log.max())
    return most + math.log(float(np.exp(log - most).sum()))


def moments(points: list[Points]) -> tuple[float, float]:
    """Mean of the rate (kPa/s) and its standard uncertainty: the standard deviation, or where that leaves more than
    ``_OUTSIDE`` of what may be beyond twice of it, half of how far that reaches (GUM 6.2.1, and JCGM 101 7.7)."""
    w = np.concatenate([q.log_weight for q in points])
    w = np.exp(w - w.max())
    w /= w.sum()
    gains = [q.whole_rate() for q in points]
    m = np.concatenate([g * q.mean[1] for (g, _), q in zip(gains, points, strict=True)])
    v = np.concatenate(
        [g * g * q.cov[1, 1] + (u * q.mean[1]) ** 2 for (g, u), q in zip(gains, points, strict=True)]
    )
    mean, v = float(w @ m), np.maximum(v, 0.0)
    return mean, _covering(w, m - mean, np.sqrt(v), float(np.sqrt(w @ (v + (m - mean) ** 2))))


def _covering(w: FloatArray, off: FloatArray, sd: FloatArray, u: float) -> float:
    """``u``, or as much more as it takes that of normals ``off`` (m) the mean, of standard deviations ``sd`` (m) and
    weights ``w`` (m), no more than ``_OUTSIDE`` is beyond twice of it: where one of two stories is far likelier, their
    standard deviation hides the other."""
    keep = w > _NO_WEIGHT
    w, off, sd = w[keep], off[keep], np.maximum(sd[keep], 1e-12)

    def outside(far: float) -> float:
        return float(w @ (normal_cdf((off - far) / sd) + normal_cdf((-off - far) / sd)))

    low, high = 2.0 * u, u / math.sqrt(_OUTSIDE)  # no further by Chebyshev's inequality
    if outside(low) <= _OUTSIDE:
        return u
    for _ in range(12):
        middle = (low + high) / 2.0
        low, high = (middle, high) if outside(middle) > _OUTSIDE else (low, middle)
    return high / 2.0
