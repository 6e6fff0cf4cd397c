"""The gas space of a test: what the strokes, the hold and the opening tell ``headspace``."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.headspace import Space, either, headspace
from recorder.analysis.leak_begins import leaked_before

if TYPE_CHECKING:
    from recorder.analysis.hold import HoldFit
    from recorder.analysis.opening import Opening
    from recorder.analysis.phases import Stretches
    from recorder.analysis.setup import Setup
    from recorder.analysis.signal import Prepared
    from recorder.analysis.stroke import Stroke

__all__ = ["headspace_of"]

_LEVEL_S = 0.15  # over which a level is averaged


def headspace_of(
    setup: Setup, x: Prepared, parts: Stretches, opening: Opening | None, fit: HoldFit | None
) -> Space | None:
    """Gas space at the hold's start, or where the strokes ended, from the strokes before the cap opened."""
    volume = setup.procedure.stroke_volume_ml
    until = opening.onset_s if opening is not None else fit.time_s[0] + 0.5 if fit is not None else math.inf
    pumped = _last_attempt(parts, float(until))
    if volume is None or len(pumped) < 3:
        return None
    later = [s.start_s for s in parts.strokes if s.start_s > pumped[-1].end_s]
    after = later[0] if later else pumped[-1].end_s
    levels = [_level(x, s.start_s) for s in pumped]
    levels.append(_level(x, after) if later else pumped[-1].top_kpa)
    cools = fit is not None and fit.cooling_s > 0.2
    # a hold in which nothing settles quickly shows that the strokes' heat was gone at once, or goes slowly
    cold = opening is None and fit is not None and not cools
    noise_kpa = x.noise_kpa / math.sqrt(max(_LEVEL_S / x.dt_s, 1.0))

    def space(leak_kpa_per_s: float) -> Space | None:
        law = {"leak_n": fit.leak_n, "leak_m": fit.leak_m} if fit is not None else {}
        slow = {"slow_kpa": fit.slow_kpa, "slow_s": fit.slow_s} if fit is not None else {}
        return headspace(
            np.array([s.start_s for s in pumped]),
            np.array([s.end_s for s in pumped]),
            np.array(levels),
            after,
            volume,
            setup.procedure.local_air_pressure_kpa,
            at_kpa=fit.start_kpa if fit is not None else levels[-1],
            cooling_s=0.05 if cold else fit.cooling_s if fit is not None and cools else None,
            # a cap that opened has let out what would tell how warm the strokes were
            cooling_kpa=fit.cooling_kpa if fit is not None and cools and opening is None else None,
            leak_kpa_per_s=leak_kpa_per_s,
            trace=(x.t, x.p),
            level_u_kpa=math.hypot(noise_kpa, x.step_kpa / math.sqrt(12.0)),
            **law,
            **slow,
        )

    leak = fit.leak_start_kpa_per_s if fit is not None else 0.0
    if opening is None or fit is None or leak <= 0.0:
        return space(leak)
    # a cap may leak only since it opened
    return either(space(leak), space(0.0), leaked_before(x, pumped, leak, fit.start_kpa, fit.leak_n))


def _last_attempt(parts: Stretches, until_s: float) -> list[Stroke]:
    """Strokes before ``until_s``, since some pressure was last let down and pumped up again."""
    pumped = [s for s in parts.strokes if s.end_s <= until_s]
    for _, again_s in parts.let_downs:
        pumped = [s for s in pumped if s.start_s >= again_s - 0.5] or pumped
    return pumped


def _level(x: Prepared, at_s: float) -> float:
    near = (x.t > at_s - _LEVEL_S) & (x.t <= at_s)
    return float(np.mean(x.p[near])) if near.any() else float(np.interp(at_s, x.t, x.p))
