"""The early answer: Wald's sequential test (Ann. Math. Stat. 16 (1945) 117-186) on the steady rate.

Tight (rate 0) against leaking (rate twice the smallest that matters); the rate's uncertainty carries the settling that
cannot be told apart yet, so no answer comes before it can.
"""

from __future__ import annotations

import math
from typing import Literal

__all__ = ["ALPHA", "BETA", "SHORTEST_S", "answer", "thresholds"]

ALPHA = 0.01  # a tight one called leaking
BETA = 0.01  # a leaking one called tight
SHORTEST_S = 10.0  # cooling of compressed air takes seconds: no answer before


def thresholds(alpha: float = ALPHA, beta: float = BETA) -> tuple[float, float]:
    """Wald's bounds (A, B) of the likelihood ratio: accept 'leak' at A = (1 - beta) / alpha or above,
    'tight' at B = beta / (1 - alpha) or below."""
    return (1.0 - beta) / alpha, beta / (1.0 - alpha)


def answer(
    rate: float, u: float, matters: float, *, alpha: float = ALPHA, beta: float = BETA
) -> Literal["leak", "tight"] | None:
    """The answer at this moment, or None. Rate, its standard uncertainty and the rate that matters in one unit.

    Log likelihood ratio of 2 ``matters`` against 0 for a normal estimate: 2 m (r - m) / u^2.
    """
    if u <= 0 or matters <= 0:
        return None
    log_ratio = 2.0 * matters * (rate - matters) / (u * u)
    high, low = thresholds(alpha, beta)
    if log_ratio >= math.log(high):
        return "leak"
    return "tight" if log_ratio <= math.log(low) else None
