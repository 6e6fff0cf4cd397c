"""The early answer: Wald's sequential test (Ann. Math. Stat. 16 (1945) 117-186) on the steady rate.

Tight (rate 0) against leaking (rate twice the smallest that matters); the rate's uncertainty carries the settling that
cannot be told apart yet, so no answer comes before it can. Nor does one before the rate is clear of what matters by two
standard uncertainties, as the verdict asks of it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from statistics import NormalDist
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np

from recorder.analysis.hold import Before, Beginning, HoldFit
from recorder.analysis.setup import Setup, side

if TYPE_CHECKING:
    from recorder.analysis.trace.signal import Prepared

__all__ = ["ALPHA", "BETA", "SHORTEST_S", "Early", "answer", "answer_now", "first_answer", "thresholds"]

Early: TypeAlias = tuple[Literal["leak", "tight"], float]  # what is said, and from when on, s

# where no source is named beside a number: common practice, no source
ALPHA = 0.01  # a tight one called leaking
BETA = 0.01  # a leaking one called tight
SHARES = (1 / 6, 1 / 3, 1 / 2, 3 / 4)  # of the hold, when it is looked at
LOOKS = len(SHARES)
FEWEST = 8  # readings
SHORTEST_S = 10.0  # cooling of compressed air takes seconds: no answer before


def thresholds(alpha: float = ALPHA, beta: float = BETA) -> tuple[float, float]:
    """Wald's bounds (A, B) of the likelihood ratio: accept 'leak' at A = (1 - beta) / alpha or above,
    'tight' at B = beta / (1 - alpha) or below."""
    return (1.0 - beta) / alpha, beta / (1.0 - alpha)


def answer(
    rate: float, u: float, matters: float, *, alpha: float = ALPHA, beta: float = BETA
) -> Literal["leak", "tight"] | None:
    """The answer at this moment, or None. Rate, its standard uncertainty and the rate that matters in one unit.

    Log likelihood ratio of 2 ``matters`` against 0 for a normal estimate: 2 m (r - m) / u^2. Against larger leaks it
    wastes time while u is wide: a rate above 2 ``matters`` by more than chance gives in ``alpha`` of ``LOOKS`` looks
    together (Bonferroni) is a leak as well.
    """
    if u <= 0 or matters <= 0:
        return None
    log_ratio = 2.0 * matters * (rate - matters) / (u * u)
    high, low = thresholds(alpha, beta)
    if log_ratio >= math.log(high) or rate - NormalDist().inv_cdf(1.0 - alpha / LOOKS) * u > 2.0 * matters:
        return "leak"
    return "tight" if log_ratio <= math.log(low) else None


def _said(setup: Setup, rate_kpa_per_s: float, u: float) -> Literal["leak", "tight"] | None:
    """What a hold's rate and its standard uncertainty (kPa/s) say."""
    limit = setup.procedure.steady_fall_allowed_kpa_per_min
    rate, u = setup.net_of_tester(60.0 * rate_kpa_per_s, 60.0 * u)
    # between its two rates the test says either, and what is called certain has to be what the verdict would be
    return None if side(rate, u, limit) == "unclear" else answer(rate, u, limit)


def answer_now(
    setup: Setup, hold: tuple[float, float], fit: HoldFit, again: Callable[[], HoldFit] | None
) -> Early | None:
    """What is certain at the end of the ``hold`` so far (s), as the verdict on it would be. again: fits it with all
    models, where ``fit`` is of fewer; it is asked for only where that one says something."""
    if hold[1] - hold[0] < SHORTEST_S:
        return None
    said = _said(setup, fit.rate_kpa_per_s, fit.rate_u)
    if said is not None and again is not None:
        fit = again()
        said = said if said == _said(setup, fit.rate_kpa_per_s, fit.rate_u) else None
    return None if said is None else (said, hold[1])


def first_answer(
    setup: Setup, x: Prepared, hold: tuple[float, float], fit: HoldFit, before: Before
) -> Early | None:
    """When a sequential decision was first reached that the whole hold bears out: the hold is looked at again at
    growing lengths. Quick looks tell when a full one is due. fit: of all of it."""
    last_word = _said(setup, fit.rate_kpa_per_s, fit.rate_u)
    if last_word is None:
        return None
    for end in (hold[0] + q * setup.procedure.hold_s for q in SHARES):
        if end - hold[0] < SHORTEST_S or end > hold[1]:
            continue
        first, last = np.searchsorted(x.t, hold[0]), np.searchsorted(x.t, end, "right")
        if last - first < FEWEST:
            continue
        beginning = Beginning(
            x.t[first:last], x.p[first:last], step_kpa=x.step_kpa, noise_kpa=x.noise_kpa, before=before, whole=fit,
            coolant=setup.test == "system",
        )  # fmt: skip
        if _said(setup, *beginning.rate(quick=True)) is None:
            continue
        if _said(setup, *beginning.rate(quick=False)) == last_word:
            return last_word, end
    return None
