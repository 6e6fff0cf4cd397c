"""The gas space of a test: what the strokes, the hold and the opening tell ``headspace``."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.headspace import Leak, Settles, Space, either, headspace, with_uncounted
from recorder.analysis.strokes.holes import holes_of
from recorder.analysis.trace.filters import STEP_TO_SD, median

if TYPE_CHECKING:
    from collections.abc import Sequence

    from recorder.analysis.hold import HoldFit
    from recorder.analysis.opening import Opening
    from recorder.analysis.phases import Stretches
    from recorder.analysis.setup import Setup
    from recorder.analysis.strokes import Stroke
    from recorder.analysis.trace.signal import Prepared

__all__ = ["headspace_of"]

# where no source is named beside a number: common practice, no source
_LEVEL_S = 0.15  # over which a level is averaged
_STAYS = 0.05  # of the highest pressure: less between the strokes is as good as none
# the pressure rises by so much more than in the strokes that are counted, in shares of it and in standard deviations
_MORE, _MORE_SURE = 0.1, 3.0
_HIDDEN = 0.25  # of the strokes


def headspace_of(
    setup: Setup, x: Prepared, parts: Stretches, opening: Opening | None, fit: HoldFit | None
) -> Space | None:
    """Gas space at the hold's start, or where the strokes ended, from the strokes before the cap opened."""
    volume = setup.procedure.stroke_volume_ml
    until = opening.onset_s if opening is not None else fit.time_s[0] + 0.5 if fit is not None else math.inf
    pumped = _last_attempt(parts, float(until))
    if volume is None or len(pumped) < 3 or _hidden(x, pumped) > _HIDDEN * len(pumped):
        return None  # how many there were in a hole is a guess
    later = [s.start_s for s in parts.strokes if s.start_s > pumped[-1].end_s]
    after = later[0] if later else pumped[-1].end_s
    levels = [_level(x, s.start_s) for s in pumped]
    levels.append(_level(x, after) if later else pumped[-1].top_kpa)
    if median(levels) - levels[0] < _STAYS * max(s.top_kpa for s in pumped):
        return None  # of what strokes bring nothing is left before the next one
    cools = fit is not None and fit.cooling_s > 0.2
    # a hold in which nothing settles quickly shows that the strokes' heat was gone at once, or goes slowly
    cold = opening is None and fit is not None and not cools
    noise_kpa = x.noise_kpa / math.sqrt(max(_LEVEL_S / x.dt_s, 1.0))

    settles = Settles()
    if fit is not None:
        # a cap that opened has let out what would tell how warm the strokes were
        warm_kpa = fit.cooling_kpa if cools and opening is None else None
        settles = Settles(0.05 if cold else fit.cooling_s if cools else None, warm_kpa, fit.slow_kpa, fit.slow_s)

    def space(kpa_per_s: float) -> Space | None:
        return headspace(
            np.array([s.start_s for s in pumped]),
            np.array([s.end_s for s in pumped]),
            np.array(levels),
            after,
            volume,
            setup.procedure.local_air_pressure_kpa,
            at_kpa=fit.start_kpa if fit is not None else levels[-1],
            settles=settles,
            leak=Leak(kpa_per_s, fit.leak_n, fit.leak_m) if fit is not None else Leak(kpa_per_s),
            trace=(x.t, x.p),
            level_u_kpa=math.hypot(noise_kpa, x.step_kpa / STEP_TO_SD),
        )

    leak = fit.leak_start_kpa_per_s if fit is not None else 0.0
    if opening is None or fit is None or leak <= 0.0:
        found = space(leak)
    else:  # a cap may leak only since it opened
        from recorder.analysis.opening.leak_begins import leaked_before

        found = either(space(leak), space(0.0), leaked_before(x, pumped, leak, fit.start_kpa, fit.leak_n))
    more = _uncounted(x, pumped, levels, noise_kpa)
    return with_uncounted(found, more) if found is not None and more > 0.0 else found


def _hidden(x: Prepared, pumped: Sequence[Stroke]) -> int:
    """How many of the strokes lie in holes of the trace, where they are counted by what the pressure gained."""
    holes = holes_of(x)
    middles = np.array([(s.start_s + s.end_s) / 2.0 for s in pumped])
    return int(np.count_nonzero((middles[:, None] > x.t[holes]) & (middles[:, None] < x.t[holes + 1])))


def _uncounted(x: Prepared, pumped: Sequence[Stroke], levels_kpa: Sequence[float], level_u_kpa: float) -> float:
    """By what share the pressure rose from stroke to stroke beyond what it rose in them; nothing where that may be
    chance. Only strokes raise it, so others were not seen."""
    starts, ends = np.array([(s.start_s, s.end_s) for s in pumped]).T
    after = np.minimum(ends[:-1] + _LEVEL_S / 2.0, (ends[:-1] + starts[1:]) / 2.0)
    own = float((np.interp(after, x.t, x.smooth) - levels_kpa[: len(after)]).sum())
    chance = level_u_kpa * math.sqrt(2.0 * len(after))
    more = levels_kpa[len(after)] - levels_kpa[0] - own
    return more / own if own > 0.0 and more > max(_MORE * own, _MORE_SURE * chance) else 0.0


def _last_attempt(parts: Stretches, until_s: float) -> list[Stroke]:
    """Strokes before ``until_s``, since some pressure was last let down and pumped up again."""
    pumped = [s for s in parts.strokes if s.end_s <= until_s]
    for _, again_s in parts.let_downs:
        pumped = [s for s in pumped if s.start_s >= again_s - 0.5] or pumped
    return pumped


def _level(x: Prepared, at_s: float) -> float:
    near = (x.t > at_s - _LEVEL_S) & (x.t <= at_s)
    return float(np.mean(x.p[near])) if near.any() else float(np.interp(at_s, x.t, x.p))
