"""Which laws and noises a hold is tried with: each law moved to where the trace has it, and what is unlikely left out.

About where a law has been moved to, its exponents stay uncertain; to first order that is noise of one more shape each
(``laws.bows``), of the size of the leak. Where far more settles than hoses give, leaks that shut are tried too;
where settling takes three exponentials, hoses that creep by the logarithm of time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.hold.bends import speeds_up
from recorder.analysis.hold.creep import Creep, creep_shape
from recorder.analysis.hold.grid import LOG_ONE_LESS
from recorder.analysis.hold.laws import (
    LAWS,
    NEAR_LAW,
    Law,
    away,
    bows,
    leak_shape,
    moved,
    shut_laws,
)
from recorder.analysis.hold.line import LOG_SLOW, Problem, settles_kpa
from recorder.analysis.hold.noise import Noise, NoiseFinder
from recorder.analysis.hold.posterior import (
    Points,
    best_three,
    moments,
    posterior,
    top,
    total,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from recorder.model import FloatArray

__all__ = ["CLEARLY", "MOST_LAWS", "WARMS_S", "Before", "Case", "HoldCases"]

# where no source is named beside a number: common practice, no source
WARMS_S = 25.0  # no longer does gas take to warm up after some was let out
_STILL = 0.5  # spreads: a law that moves by less is where the trace has it
_FURTHEST, _TURNS, _SHORTER = 1.0, 8, 5  # of a leak that shuts: so many spreads at a time, so often, so many lengths
# more settles than is likely, in standard deviations: perhaps a leak that shuts. Or air that cools: that takes no
# longer, and is at most 1 - 1/gamma of the strokes' rises, each less by as long ago as it was
_TOO_MUCH, _COLD_S, _HEAT = 4.0, 25.0, 0.29
# some hoses give so many times as much as others, and so likely are they, at odds; no source
_MORE, _LOG_MORE = 3.0, math.log(0.1)
# creep that is even in the logarithm of time is so likely, at odds; no source. It takes the place of one slow
# exponential; of what hoses give, it is so much in the hold, and as much less or more
_LOG_CREEPS, _CREEPS = math.log(0.02), 0.5
_BEHIND = (8.0, 5.0)  # log evidence below the best: not looked at any closer; left out
# when a leak may begin that was none at first, in shares of the hold, and so likely, at odds; it has to be so much
# likelier than one that leaked all the time (log evidence); no source
_BEGINS, _LOG_BEGINS, CLEARLY = np.linspace(0.06, 0.86, 17), math.log(0.02), 8.0
_TELLS = 4.0  # log evidence of a third exponential's amplitude, at its best time constant, that is more than chance
_SHOWS = 0.2  # of a rise is seen late in the hold; else it is the bend of a leak that shuts
_SO_LIKELY = 3.0  # log likelihood by which another kind of noise may be behind
_HALVES = 4  # so often the time at which a leak begins is looked for twice as closely
MOST_LAWS, _MOST = 3, 5  # laws that are moved; laws and noises that are kept


@dataclass(frozen=True, slots=True)
class Case:
    """A law, moved from its home to where the trace has it, with the noise it leaves. rate_kpa_per_s: about so much
    leaks; 0 where too little falls to show a law. gives: hoses settle by so many times what they usually do. creeps: by
    the logarithm of time as well. log_odds: of the case against those it is weighed with."""

    law: Law
    home: Law
    noise: Noise
    rate_kpa_per_s: float
    gives: float = 1.0
    creeps: bool = False
    log_odds: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Before:
    """What came before a hold: how long before it each stroke ended (s), and its rise (kPa); by how much the pressure
    had fallen from its highest in the last ``WARMS_S``. shut_kpa: how far a cap's valve had let it fall between the
    strokes that opened it; None where none was seen to open."""

    ages_s: FloatArray
    rises_kpa: FloatArray
    fell_kpa: float
    shut_kpa: float | None = None


@dataclass(frozen=True, eq=False)
class HoldCases:
    """What all looks at one hold share: pressure at its start, the last stroke's rise, length; what came before; its
    noise where all of that is white, and the least white noise of a reading (kPa); known: the noise, where it need not
    be found; none: prior mass of no leak at all."""

    finder: NoiseFinder
    level_kpa: float
    rise_kpa: float
    length_s: float
    before: Before
    white: Noise
    least_kpa: float
    known: Noise | None
    none: float
    problems: dict[Case, Problem] = field(default_factory=dict)
    looks: dict[Case, list[Points]] = field(default_factory=dict)
    fulls: dict[Case, list[Points]] = field(default_factory=dict)
    shapes: dict[Law, FloatArray] = field(default_factory=dict)

    def crept(self, t: FloatArray) -> FloatArray:
        """The fall at ``t`` (s) by creep that is even in the logarithm of time, one at the end."""
        return creep_shape(t, self.before.ages_s, self.before.rises_kpa, self.level_kpa, self.length_s)

    @cached_property
    def creep(self) -> FloatArray:
        """The same at the bins."""
        return self.crept(self.finder.b.t)

    @property
    def creeps_kpa(self) -> float:
        """By so much it usually lowers the pressure in the hold."""
        return _CREEPS * settles_kpa(self.level_kpa)

    def problem(self, case: Case) -> Problem:
        if case not in self.problems:
            b, rate = self.finder.b, case.rate_kpa_per_s
            bend = -rate * bows(case.law, case.home, b.t, b.y, self.length_s) if rate > 0.0 else None
            by = away(case.law, case.home)
            if case.creeps:
                bend, by = -self.creeps_kpa * self.creep[None], np.array([-1.0])
            self.problems[case] = Problem(
                self.finder, case.noise, self.level_kpa, self.rise_kpa, bend, by, case.gives,
                self.before.fell_kpa,
            )
        return self.problems[case]

    def glance(self, case: Case) -> list[Points]:
        """Posterior at the places of the grid of time constants alone."""
        return self._points(case, quick=True)

    def look(self, case: Case) -> list[Points]:
        """Posterior of a quick look, made once; between the places of the grid as well, which are far apart against
        what noise leaves open where much falls."""
        if case not in self.looks:
            self.looks[case] = self._points(case, quick=True, sharp=True)
        return self.looks[case]

    def full(self, case: Case) -> list[Points]:
        """Posterior of a full look, made once."""
        if case not in self.fulls:
            self.fulls[case] = self._points(case, quick=False)
        return self.fulls[case]

    def _points(self, case: Case, *, quick: bool, sharp: bool = False) -> list[Points]:
        shape = self.shape(case.law)
        points = posterior(self.problem(case), case.law, shape, quick=quick, none=self.none, sharp=sharp)
        if case.creeps:
            creep = Creep(self.problem(case), shape, self.creeps_kpa, self.crept)
            return [replace(q, creep=creep) for q in _likelier(points, _LOG_CREEPS + LOG_ONE_LESS)]
        if case.law.begins_s > 0.0:
            return _likelier(points, np.full(4, _LOG_BEGINS - math.log(len(_BEGINS))))
        log_odds = case.log_odds + (0.0 if case.gives == 1.0 else _LOG_MORE)
        return _likelier(points, np.full(4, log_odds)) if log_odds else points

    def shape(self, law: Law) -> FloatArray:
        """The leak's fall at the bins."""
        if law not in self.shapes:
            b = self.finder.b
            self.shapes[law] = leak_shape(b.t, law, b.t, b.y, self.length_s)
        return self.shapes[law]

    def noises(self, case: Case, look: list[Points] | None = None) -> list[Noise]:
        """What the law leaves beside one, two, ... exponentials of ``look``, or of the case's own."""
        if self.known is not None:
            return [self.known]
        # what the nearest place of the grid misses would count as noise
        thetas = [some.theta[:, int(np.argmax(some.log_weight))] for some in (look or self.look(case))[1:]]
        return self.noises_beside(case, thetas)

    def noises_beside(self, case: Case, thetas: Sequence[FloatArray], *, within: float = 0.0) -> list[Noise]:
        """What the law leaves beside exponentials of each of the log time constants ``thetas``."""
        b = self.finder.b
        columns = [np.ones_like(b.t), self.shape(case.law)]
        if case.creeps:
            columns.append(self.creep)
        always = range(len(columns))
        designs = []
        for theta in thetas:
            designs.append([*always, *range(len(columns), len(columns) + len(theta))])
            columns += list(np.exp(-b.t * np.exp(-theta)[:, None]))
        return list(dict.fromkeys(self.finder.find(np.stack(columns), designs, self.least_kpa, within=within)))

    def near(self, *, quick: bool) -> list[Case]:
        """Where too little falls to show a law. Nearly all noises that are found are likely, so without ``quick`` full
        looks, which those are given anyway, decide."""
        case = Case(NEAR_LAW, NEAR_LAW, self.white, 0.0)
        usual = self.likely([replace(case, noise=n) for n in self.noises(case)], quick=quick)
        if quick:
            return usual
        usual = self.with_third(usual)
        if len(full := self.full(usual[0])) < 4 or total(full[3:]) < total(full[:3]):
            return usual
        case = replace(case, creeps=True)
        noises = dict.fromkeys([*self.noises(case), usual[0].noise])
        likeliest = max((replace(case, noise=n) for n in noises), key=lambda case: total(self.full(case)))
        if not self.falls(likeliest):
            return usual
        same = replace(usual[0], noise=likeliest.noise)  # what the one leaves to noise the other is tried with
        return self.likely([*usual, same, likeliest], quick=False)

    def with_third(self, cases: list[Case]) -> list[Case]:
        """``cases``, and where more than ``white`` is noise in the first, that with the noises that a third exponential
        leaves too: what two of them miss must not count as noise, or a third has nothing to tell."""
        first = cases[0]
        if self.known is not None or (first.noise.wander_kpa == 0.0 and first.noise.white_kpa <= self.white.white_kpa):
            return cases
        plain = replace(first, noise=self.white)
        theta, gain = best_three(self.problem(plain), self.shape(plain.law))
        if gain < _TELLS:
            return cases
        found = self.noises_beside(plain, [theta], within=_SO_LIKELY)
        return self.likely([*cases, *(replace(first, noise=n) for n in found)], quick=False)

    def falls(self, case: Case) -> bool:
        """Whether what creeps falls, in the likeliest of it: hoses give, and do not take."""
        best, i = top(self.full(case))
        by = self.problem(case).bent(self.shape(case.law), best.theta[:, i], best.mean[:, i])
        return 1.0 + float(by[-1]) > 0.0

    def rising(self, seen_kpa_per_s: float) -> Case | None:
        """The trace as one that rises beyond doubt, which no leak does; None where it does not, or where the late part
        is not seen to (``seen_kpa_per_s``). What a leak would leave of a rise must not count as noise, so the noise is
        that beside any slope."""
        case = Case(NEAR_LAW, NEAR_LAW, self.white, 0.0)
        shape = self.shape(NEAR_LAW)
        look = posterior(self.problem(case), NEAR_LAW, shape, quick=True, none=None, sharp=True)
        best: tuple[float, Case, list[Points]] | None = None
        for found in self.noises(case, look):
            other = replace(case, noise=found)
            points = posterior(self.problem(other), NEAR_LAW, shape, quick=True, none=None, sharp=True)
            if best is None or total(points) > best[0]:
                best = total(points), other, points
        if best is None:
            return None
        mean, u = moments(best[2])
        return best[1] if mean + 4.0 * u < 0.0 and seen_kpa_per_s > _SHOWS * -mean else None

    def points(self, cases: list[Case], *, quick: bool) -> list[Points]:
        """Posterior of all ``cases``: several noises of one model are no more likely than one."""
        points: list[Points] = []
        for case in cases:
            alike = sum(replace(other, noise=case.noise) == case for other in cases)
            some = self.glance(case) if quick else self.full(case)
            points += some if alike == 1 else [replace(q, log_weight=q.log_weight - math.log(alike)) for q in some]
        return points

    def far(self, fall_kpa: float) -> list[Case]:
        """Laws with the noise that each leaves, best first. fall_kpa: by so much the pressure fell."""
        return self.with_third(self.laws(fall_kpa))

    def begun(self, cases: list[Case], fall_kpa: float) -> list[Case]:
        """``cases``, or leaks that begin within the hold where these are clearly likelier: what then bends down at once
        would count as noise that wanders, and the fall as anything. Looked for where there is such noise."""
        first = cases[0]
        b = self.finder.b
        if self.known is not None or first.noise.wander_kpa == 0.0 or fall_kpa <= 0.0:
            return cases
        if not speeds_up(b, self.length_s, min(self.white.white_kpa, first.noise.white_kpa)):
            return cases

        def at(begins_s: float) -> Case:
            law = NEAR_LAW._replace(begins_s=begins_s)
            return Case(law, law, self.white, rate)

        rate = max(fall_kpa / self.length_s, 1e-6)
        best = max((at(float(share) * self.length_s) for share in _BEGINS), key=lambda case: total(self.look(case)))
        apart = float(_BEGINS[1] - _BEGINS[0]) * self.length_s
        for _ in range(_HALVES):
            apart /= 2.0
            near = [best, *(at(max(best.law.begins_s + way * apart, apart)) for way in (-1.0, 1.0))]
            best = max(near, key=lambda case: total(self.look(case)))
        found = self.likely([replace(case, noise=n) for case in {*near, best} for n in self.noises(case)])
        return found if total(self.full(found[0])) > max(total(self.full(c)) for c in cases) + CLEARLY else cases

    def laws(self, fall_kpa: float) -> list[Case]:
        """As ``far``, with the noise beside two exponentials at most."""
        most = fall_kpa / self.length_s
        usual = self.likely(self.moved([Case(law, law, self.white, most) for law in LAWS]))
        more = self.likely(self.moved([Case(law, law, self.white, most, _MORE) for law in LAWS]))
        # a quick look may miss what hoses give: the likely ones of each kind are looked at closer
        likely = self.likely(usual + more, quick=False)
        much, heat = self.strange(likely[0])
        y = self.finder.b.y
        end = float(np.mean(y[-max(len(y) // 8, 1) :]))
        if much < _TOO_MUCH:
            return likely

        def shut_over(fall: float) -> list[Case]:
            laws = shut_laws(end, fall)  # none where all of them would shut below zero
            return self.likely(self.moved([Case(law, law, self.white, most) for law in laws])) if laws else []

        shut, whole = shut_over(fall_kpa), float(y[0]) - end
        # quick settling may be in the first of the fall; where that explains less, what shuts is widest open there
        if whole > fall_kpa and not (shut and total(self.look(shut[0])) > total(self.look(likely[0]))):
            shut = shut_over(whole) or shut
        if not shut:
            return likely
        # where it may be heat its size says nothing: the shape alone has to speak for a leak that shuts
        if heat is not None and total(self.look(shut[0])) < total(self.look(usual[0])) + heat:
            return likely
        # a hose may take a third exponential, which a quick look has not
        return self.likely(likely[:MOST_LAWS] + shut[:MOST_LAWS], quick=False)

    def strange(self, case: Case) -> tuple[float, float | None]:
        """The most that settles, in standard deviations of what hoses give; where strokes' heat explains it, by how
        much its size costs the log evidence."""
        best, i = top(self.look(case))
        size, tau = np.abs(best.mean[2:, i]), np.exp(best.theta[:, i])
        much = size * np.sqrt(self.problem(replace(case, gives=1.0)).precision(best.theta[:, i]))
        heat = _HEAT * np.exp(-self.before.ages_s / tau[:, None]) @ self.before.rises_kpa
        large = much > _TOO_MUCH
        cold = (tau[large] > _COLD_S).any() or float(np.sum(size[large] / np.maximum(heat[large], 1e-9))) > 1.0
        return float(much.max(initial=0.0)), None if cold else 0.5 * float(much @ much)

    def moved(self, cases: list[Case]) -> list[Case]:
        """The best of ``cases``, each where the trace has it."""
        value = {case: total(self.look(case)) for case in cases}
        out = []
        for first in sorted(cases, key=lambda case: -value[case])[:MOST_LAWS]:
            if value[first] < max(value.values()) - _BEHIND[0]:
                break
            if first.law.width_kpa > 0.0:
                case = self._climbed(first)
            else:
                case = self._stepped(first)
                if float(np.abs(away(case.law, first.law)).max()) >= _STILL:
                    case = self._stepped(case)
            out += [replace(case, noise=n) for n in self.noises(case)]
        return out

    def _stepped(self, old: Case, furthest: float = math.inf) -> Case:
        """``old`` with its law moved to where the trace has it, by so many spreads at most."""
        best, i = top(self.look(old))
        was = away(old.law, old.home)
        bent = self.problem(old).bent(self.shape(old.law), best.theta[:, i], best.mean[:, i])
        law = moved(old.home, was + np.clip(bent - was, -furthest, furthest))
        return replace(old, law=law, rate_kpa_per_s=max(moments(self.look(old))[0], 1e-6))

    def _climbed(self, case: Case) -> Case:
        """The same of a leak that shuts, which bends a fall sharply: in steps to where it is likelier, each shorter
        where it was one too far."""
        for _ in range(_TURNS):
            value = total(self.look(case))
            tries = (self._stepped(case, _FURTHEST / 2.0**i) for i in range(_SHORTER))
            likelier = next((other for other in tries if total(self.look(other)) > value), None)
            if likelier is None:
                break
            case = likelier
        return case

    def likely(self, cases: list[Case], *, quick: bool = True) -> list[Case]:
        """Those that a look does not rule out, best first, each once."""
        if len(cases) == 1:
            return cases
        value = {case: total(self.look(case) if quick else self.full(case)) for case in cases}
        least = max(value.values()) - _BEHIND[1]
        return [c for c in sorted(value, key=lambda case: -value[case]) if value[c] > least][:_MOST]


def _likelier(points: list[Points], log: FloatArray) -> list[Points]:
    """The same, each so much likelier as ``log`` (4) has it for none to three slow exponentials."""
    slow = [(q.theta >= LOG_SLOW).sum(axis=0) for q in points]
    return [replace(q, log_weight=q.log_weight + log[n]) for q, n in zip(points, slow, strict=True)]
