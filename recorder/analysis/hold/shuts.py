"""Leaks that shut within the hold: a fall that breaks off as nothing that settles does (``bends``).

A cap's valve that shuts late breaks it off as well, but where it has shut before.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from recorder.analysis.hold.bends import breaks_off
from recorder.analysis.hold.cases import CLEARLY, MOST_LAWS, Case, HoldCases
from recorder.analysis.hold.laws import shut_laws
from recorder.analysis.hold.line import settles_kpa
from recorder.analysis.hold.posterior import total

__all__ = ["shut_within"]

# log evidence from which both are weighed, and the odds then: one in fifty, and each of the laws tried as likely as any
# other; no source
_MAY_BE, _LOG_SHUTS = 5.0, math.log(0.02)


def shut_within(hold: HoldCases, cases: list[Case], fall_kpa: float) -> list[Case]:
    """``cases``, or leaks that shut within the hold where these are clearly likelier, or both where they are somewhat
    so. Looked for where the fall breaks off. fall_kpa: by so much the pressure fell."""
    b, first = hold.finder.b, cases[0]
    if hold.known is not None or fall_kpa <= 0.0 or any(case.law.width_kpa > 0.0 for case in cases):
        return cases
    if not breaks_off(b, hold.length_s, min(hold.white.white_kpa, first.noise.white_kpa)):
        return cases
    end, shut = float(np.mean(b.y[-max(len(b.y) // 8, 1) :])), hold.before.shut_kpa
    if shut is not None and end > shut - settles_kpa(shut):
        return cases  # no lower than the cap's own valve let it fall before
    rate = max(fall_kpa / hold.length_s, 1e-6)
    laws = shut_laws(end, fall_kpa)
    found = hold.moved([Case(law, law, hold.white, rate) for law in laws])
    if not found:
        return cases
    closer = hold.likely(hold.likely(found)[:MOST_LAWS], quick=False)
    usual = max((total(hold.full(case)) for case in cases), default=-math.inf)
    gain = total(hold.full(closer[0])) - usual
    if gain > CLEARLY:
        return closer
    if gain < _MAY_BE:
        return cases
    log_odds = _LOG_SHUTS - math.log(len(laws))
    return hold.likely([*cases, *(replace(case, log_odds=log_odds) for case in closer)], quick=False)
