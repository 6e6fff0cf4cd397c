"""The normal distribution: the standard library's error function for few values, scipy's for many.

Loading scipy takes longer than judging most recordings; only many rounded readings are worth it.
"""

from __future__ import annotations

import math
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from recorder.model import FloatArray

__all__ = ["normal_cdf", "normal_quantile"]

_MANY = 4096
_ROOT_HALF = math.sqrt(0.5)
_erfc = np.frompyfunc(math.erfc, 1, 1)
_quantile = np.frompyfunc(NormalDist().inv_cdf, 1, 1)


def normal_cdf(x: FloatArray) -> FloatArray:
    """Cumulative distribution of the standard normal at each of ``x``."""
    if x.size > _MANY:
        from scipy.special import ndtr

        return np.asarray(ndtr(x))
    return np.asarray(0.5 * _erfc(-_ROOT_HALF * x), float)


def normal_quantile(share: FloatArray) -> FloatArray:
    """Where the standard normal's cumulative distribution is each of ``share`` (between 0 and 1)."""
    return np.asarray(_quantile(share), float)
