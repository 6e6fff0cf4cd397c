"""A relief valve on a closed space, fitted to the strokes that open it.

It opens at p_open and is shut again at p_close. Several laws are tried and averaged by how well they explain the
strokes. "even": the lift follows p - p_open while the pressure rises, p - p_close while it falls, and stays where it
is between the two (friction). "pops": it follows p - p_close as soon as it is open. "half": it pops half of that way,
and friction holds it for the other half. "ajar": as "pops", but once open it
does not shut quite, so that later strokes find it open. "some ajar": only some of them do. "snaps": it is wholly open
until it shuts. "soon", "late", "later": as "even", but the lift is late by a time constant: milliseconds for any
valve's own weight and friction, tenths of a second for a sluggish one. Valves that open suddenly are late by a few
milliseconds, or ("pops late", "snaps late") by some more, "pops slow" by a tenth of a second. What flows
out lowers the pressure by k times the lift a second.

Opening and gain are laid out on a grid; at each point the strokes' own numbers are found by least squares
(``valve_strokes``), and the posterior is summed over the grid.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.opening.closed import Response
from recorder.analysis.opening.valve_strokes import (
    CLOSE,
    LAGS_S,
    Grid,
    Law,
    MetStrokes,
    weights,
    window,
)
from recorder.analysis.strokes import Stroke
from recorder.analysis.trace.signal import Prepared

if TYPE_CHECKING:
    from recorder.model import FloatArray

__all__ = ["ENOUGH", "FITS", "FITS_WELL", "HARDLY_FITS", "NOT_ALIKE", "ValveFit", "fit_valve"]

# where no source is named beside a number: common practice, no source
ENOUGH = 5.0  # log likelihood ratio: three parameters gain as much by chance in about 2 % of closed caps (chi square)
NOT_ALIKE = 1.05  # residuals' variance over what noise explains: no law explains all strokes alike
FITS_WELL = 2.0  # residuals' variance over what noise explains: else only strokes that fell back are looked at
FITS = 3.0  # residuals' variance over what noise explains, beyond which no law of the valve is believed
HARDLY_FITS = 5.0  # the same where nothing fell back: a hand that lets a stroke fade looks like a valve; no source
LIKELY = 18  # points of the first grid that are worth more than one look
SHUT_SHARE = 0.02  # of its greatest lift: next to nothing passes any more
LAW_TEMPER = 4.0  # all laws are wrong somewhere: a slightly better fit does not decide between them
SLOW_LOG_K = math.log(12.0)  # 1/s: what a stroke brought is out within some tenths of a second or later
MOST_TURNS, GAINED = 9, 0.5  # a finer grid is worth while as long as it fits better by so much (log likelihood)
FAR_WORSE = 4.0  # log likelihood ratio beyond which a law no longer counts
OWN = 2.5  # of a stroke's five numbers: what they take up of the cost, of which what is known of them is a part
GOOD = 2.0  # residuals' variance over what noise explains: so good a fit without one stroke says that it was disturbed
SUDDEN: tuple[tuple[Law, Law], ...] = (("pops", "pops late"), ("snaps", "snaps late"))
LAWS: tuple[Law, ...] = (
    "even", "pops", "soon", "half", "late", "later", "pops slow", "ajar", "some ajar", "snaps", "pops late",
    "snaps late",
)
LATE = {late for _, late in SUDDEN}  # how late one that opens suddenly is, only its opening tells
MISS_S = 0.05  # for so long a misfit of the response's shape lasts


@dataclass(frozen=True, slots=True, eq=False)
class ValveFit:
    """Pressures (kPa) at which the valve opens and closes, standard uncertainties of the fit; apart_kpa: how far apart
    friction and popping put the opening; when it opened first and closed last (s, the latter nan where not seen); gain:
    how much better (log likelihood) it explains the strokes than a closed space does; top_kpa: the highest reading;
    misfit: residuals' variance over what the noise explains; unexplained: by how much it is more than 1 and chance, 0
    or more, and the same as a standard deviation (kPa); eased: whether a stroke is more like an eased one than like
    those before; odd: number of the one stroke without which the others are explained well; lag_s: by how much one
    that opens suddenly is late, of all laws by their shares; a sluggish one shows its lag by how it lets out."""

    open_kpa: float
    open_u: float
    apart_kpa: float
    close_kpa: float
    close_u: float
    opened_s: float
    closed_s: float
    gain: float
    top_kpa: float
    misfit: float
    unexplained: float
    misfit_kpa: float
    eased: bool
    odd: int | None
    lag_s: float


def fit_valve(
    x: Prepared,
    strokes: Sequence[Stroke],
    which: Sequence[int],
    r: Response,
    end_s: float,
    correlated: float,
    *,
    may_ease: bool = False,
    shuts: tuple[float, float] | None = None,
    seat: tuple[float, float] | None = None,
) -> ValveFit | None:
    """The valve that explains strokes number ``which``, all of which meet it; None where there are
    too few readings, or strokes before bring nothing.

    correlated: how much larger the variance of averages is than white noise would make it. may_ease: strokes on the
    valve may be weaker than those before. shuts: where it shuts, and u (kPa); seat: the same, seen after the last
    stroke, which counts where a stroke does not show it.
    """
    met = {j: w for j in which if (w := window(x, strokes, j, end_s, r)) is not None}
    windows = list(met.values())
    if not windows or r.amount_kpa <= 0.0:
        return None
    fit = MetStrokes(windows, r, may_ease=may_ease, shuts=shuts, seat=seat)
    n = sum(len(w.t) for w in windows)
    free = OWN * len(windows) + 2
    # what the response leaves unexplained goes on for a while: fewer independent readings
    part = r.miss_kpa**2 / windows[0].sd ** 2
    correlated = correlated * (1.0 - part) + max(MISS_S / x.dt_s, 1.0) * part
    shut = fit.closed()
    fit.improve(shut, 6, "even")
    laws = _laws(fit, n, free, correlated)
    names, found = list(laws), list(laws.values())
    costs = np.array([float(g.cost.min()) for g in found])
    excess = _excess(found[int(np.argmin(costs))], n, free)
    chi = excess * correlated
    each = [weights(g.cost, chi) for g in found]
    # evidence of a law: what its grid holds together, not its best point alone
    held = [c - chi * math.log(np.exp(-(g.cost - c) / chi).mean()) for c, g in zip(costs, found, strict=True)]
    share = weights(np.array(held), LAW_TEMPER * chi)
    opens = np.array([w @ g.p_open for w, g in zip(each, found, strict=True)])
    close = [g.own[CLOSE, :, -1] for g in found]
    closes = np.array([w @ c for w, c in zip(each, close, strict=True)])
    open_var = np.array([w @ (g.p_open - o) ** 2 for w, g, o in zip(each, found, opens, strict=True)])
    close_var = np.array([w @ (c - o) ** 2 for w, c, o in zip(each, close, closes, strict=True)])

    def mixed(value: FloatArray, var: FloatArray) -> tuple[float, float]:
        mean = float(share @ value)
        return mean, math.sqrt(float(share @ (var + (value - mean) ** 2)))

    best = int(np.argmax(share))
    unexplained = _unexplained(float(costs.min()), n, correlated)
    apart = float(abs(opens[names.index("even")] - opens[names.index("pops")]))
    return ValveFit(
        *mixed(opens, open_var), apart, *mixed(closes, close_var),
        *_times(fit, found[best], names[best]), (float(shut.cost.min()) - float(costs.min())) / chi, fit.top,
        excess, unexplained, windows[0].sd * math.sqrt(unexplained), fit.eased(found[best]),
        None if (odd := _odd(found, [len(w.t) for w in windows], excess)) is None else list(met)[odd],
        float(share @ np.array([LAGS_S[law] if law in LATE else 0.0 for law in laws])),
    )  # fmt: skip


def _laws(fit: MetStrokes, n: int, free: float, correlated: float) -> dict[Law, Grid]:
    """Each law that is worth a try, on a grid that was made finer where it is likely."""
    found: dict[Law, Grid] = {}

    def explore(law: Law) -> None:
        g = fit.first_grid(law)
        g = g.best(LIKELY)  # most points of the grid are hopeless
        fit.improve(g, 2, law)
        for turn in range(MOST_TURNS):
            before = float(g.cost.min())
            g = fit.finer(g, _excess(g, n, free) * correlated)
            fit.improve(g, 1 if turn == 1 else 2, law)
            least = float(g.cost.min())
            gains = before - least
            hopeless = turn > 0 and least - 2.0 * gains > min(map(bound, found.values()), default=math.inf)
            if hopeless or (turn > 1 and gains < GAINED):
                break
        found[law] = g

    def bound(g: Grid) -> float:
        """The cost from which on another law is far worse."""
        return float(g.cost.min()) + FAR_WORSE * LAW_TEMPER * _excess(g, n, free) * correlated

    explore("soon")  # the best one of most valves goes first: the sooner is seen which of the others are hopeless
    explore("even")
    explore("pops")
    explore("half")
    # a lift that is late lets out slowly, and looks like a small gain
    if min(float(g.log_k[int(np.argmin(g.cost))]) for g in found.values()) < SLOW_LOG_K:
        explore("late")
        explore("later")
        explore("pops slow")
    even, pops = found["even"], found["pops"]
    it_pops = float(pops.cost.min()) <= bound(even)
    if it_pops and len(fit.windows) > 1:
        explore("ajar")
        if fit.sort(pops, found["ajar"]):
            explore("some ajar")
    explore("snaps")
    for sudden, late in SUDDEN:
        if float(found[sudden].cost.min()) <= min(map(bound, found.values())):
            explore(late)
    return {law: found[law] for law in LAWS if law in found}


def _odd(found: Sequence[Grid], n: list[int], excess: float) -> int | None:
    """The stroke that alone spoils a fit: a knock, say. Of all laws and strokes, the one without which a law explains
    the others best."""
    if excess < GOOD or len(n) < 2:
        return None
    each = np.array([g.parts[int(np.argmin(g.cost))] for g in found])
    left = (each.sum(axis=1, keepdims=True) - each) * 2.0
    others = left / np.maximum(sum(n) - np.array(n) - OWN * (len(n) - 1) - 2, 1.0)
    worst = int(np.argmin(others.min(axis=0)))
    return worst if float(others[:, worst].min()) < GOOD else None


def _excess(g: Grid, n: int, free: float) -> float:
    """How much larger the residuals are than noise explains, as a factor of their variance, 1 or
    more."""
    return max(2.0 * float(g.cost.min()) / max(n - free, 1), 1.0)


def _unexplained(cost: float, n: int, correlated: float) -> float:
    """Variance beyond what noise, and a standard deviation of chance in ``n`` readings, explain, in noise's own. The
    strokes' own numbers are held by their priors, which are part of the cost: only opening and gain are free."""
    return max(2.0 * cost / max(n - 2, 1) - 1.0 - math.sqrt(2.0 * correlated / n), 0.0)


def _times(fit: MetStrokes, g: Grid, law: Law) -> tuple[float, float]:
    """When the valve opened first, and closed after the last stroke (s; the latter nan where not
    seen)."""
    one = g.best(1)
    p = fit.run(one, one.own[:, None], law)[0][:, 0, 0]
    p_open = float(one.p_open[0])
    highest = int(np.argmax(p.max(axis=0)))
    w = fit.windows[highest]
    opened = w.stroke.start_s + float(w.grid[int(np.argmax(p[:, highest]))])
    for i, w in enumerate(fit.windows):
        over = np.flatnonzero(p[:, i] >= p_open - 1e-6)
        if len(over):
            opened = w.stroke.start_s + float(w.grid[over[0]])
            break
    w, p_close = fit.windows[-1], float(one.own[CLOSE, 0, -1])
    top = int(np.argmax(p[:, -1]))
    lift = p[top:, -1] - p_close
    shut = np.flatnonzero(lift <= SHUT_SHARE * max(float(lift[0]), 0.1))
    closed = w.stroke.start_s + float(w.grid[top + shut[0]]) if len(shut) else math.nan
    return opened, closed
