"""Whether a cap leaked before it opened, or only since: seen in the pauses between strokes.

In a pause the pressure falls by what the last strokes' air cools, which goes with their rises, and by the leak, which
goes with the pressure. So the pauses at a low pressure show the cooling, those at a high one both.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.strokes import Stroke
from recorder.analysis.trace.signal import Prepared

if TYPE_CHECKING:
    from recorder.model import FloatArray

__all__ = ["leaked_before"]

# where no source is named beside a number: common practice, no source
RUNS_S = 0.12  # beyond a stroke's end: it may not be over
EDGE = 0.3  # of a pause, that is averaged at either end of it
COOLS_S = (0.2, 0.5, 1.2, 3.0, 8.0)  # time constants that air may cool with
DIFFERS = (0.005, 0.015, 0.05)  # of a stroke's rise: by so much falls may differ from each other
FEWEST = 5


def leaked_before(
    x: Prepared, strokes: Sequence[Stroke], leak_kpa_per_s: float, at_kpa: float, leak_n: float
) -> float:
    """Probability, from even odds, that the leak that loses ``leak_kpa_per_s`` at ``at_kpa``, and goes as the pressure
    to the power of ``leak_n``, was there while ``strokes`` were made. Even odds where there are too few pauses."""
    falls, leaks, rises, u, times = [], [], [], [], []
    for s, then in pairwise(strokes):
        a, b = np.searchsorted(x.t, [s.end_s + RUNS_S, then.start_s - x.dt_s])
        n = max(round(EDGE * (b - a)), 1)
        if b - a < 2 or s.rise_kpa <= 0.0:
            continue
        t0, t1 = float(x.t[a : a + n].mean()), float(x.t[b - n : b].mean())
        falls.append(float(x.p[a : a + n].mean() - x.p[b - n : b].mean()))
        leaks.append(leak_kpa_per_s * (t1 - t0) * (max(float(x.p[a:b].mean()), 0.0) / max(at_kpa, 1.0)) ** leak_n)
        rises.append(s.rise_kpa)
        u.append(x.sd_kpa * math.sqrt(2.0 / n))
        times.append((t0, t1))
    if len(falls) < FEWEST:
        return 0.5
    fall, leak, noise, when, made = (np.array(v) for v in (falls, leaks, u, times, rises))
    warm = np.array([(s.start_s + s.end_s) / 2.0 for s in strokes])
    rise = np.array([max(s.rise_kpa, 0.0) for s in strokes])

    def misfit(share: float, tau_s: float, differs: float) -> float:
        """Less its logarithm, the likelihood, with as much cooling as fits, none at least."""
        sd = np.hypot(noise, differs * made)
        heat = [np.where(t[:, None] > warm, np.exp(-np.maximum(t[:, None] - warm, 0.0) / tau_s), 0.0) for t in when.T]
        cools = ((heat[0] - heat[1]) @ rise) / sd
        rest = (fall - share * leak) / sd
        size = float(cools @ cools)
        by = max(float(cools @ rest) / size, 0.0) if size > 0.0 else 0.0
        # one odd pause does not decide
        off: FloatArray = np.minimum(np.abs(rest - by * cools), 4.0)
        return 0.5 * float(off @ off) + float(np.log(sd).sum())

    cost = np.array([[misfit(share, tau, d) for tau in COOLS_S for d in DIFFERS] for share in (0.0, 1.0)])
    weight = np.exp(-(cost - cost.min())).sum(axis=1)
    return float(weight[1] / weight.sum())
