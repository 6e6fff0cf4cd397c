"""What is fitted with a valve has to begin where the strokes before plainly left the valve shut.

Where a valve passes less than the pump brings, strokes that it is open for go on raising the pressure, and seem to be
full ones on a closed valve. Then a closed space is learnt from them, and the opening is read too high.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeAlias

import numpy as np

from recorder.analysis.opening.closed import Response
from recorder.analysis.opening.relief import WAIT_S
from recorder.analysis.opening.valve import ENOUGH, ValveFit
from recorder.analysis.strokes import Stroke
from recorder.analysis.trace.filters import median

__all__ = ["ENOUGH_STROKES", "PAUSE_S", "Fitted", "Tried", "from_shut"]

# where no source is named beside a number: common practice, no source
ENOUGH_STROKES = 4  # they tell what a closed valve makes of a stroke; no source
PAUSE_S = 4.0  # between strokes: after it the air has cooled, and what is held may have fallen
FULL = 0.93  # of the median gain of those before: a stroke that brought less may have met a valve; no source
USED = 5  # strokes before
ALIKE_U = 0.5  # standard uncertainties by which an opening is the same
# the fit, the numbers of the strokes that were fitted, and what those before were like; Tried: where there may be none
Fitted: TypeAlias = tuple[ValveFit, list[int], Response]
Tried: TypeAlias = tuple[ValveFit | None, list[int], Response]


def from_shut(
    strokes: Sequence[Stroke], found: Fitted, most: float, again: Callable[[list[int]], Tried]
) -> Fitted:
    """What was ``found``, or the same with strokes before it, until the first of all, or the one before that, left the
    valve shut; not where that changes nothing. most: the misfit that is believed; again: fits a valve to the strokes of
    these numbers."""
    while found[1][0] > ENOUGH_STROKES and _may_have_met(strokes, found[1][0], found[0]):
        first, *rest = found[1]
        # four strokes at most, for time: those that come first, and the last, which shows where it shuts
        fit, near, response = again(sorted({first - 1, first, *rest[:1], found[1][-1]}))
        if fit is None or fit.gain < ENOUGH or fit.misfit > most:
            break
        if _left_shut(strokes[near[0]], fit) and abs(fit.open_kpa - found[0].open_kpa) < ALIKE_U * found[0].open_u:
            break  # of a shut valve the more strokes before tell the more
        found = fit, near, response
    return found


def _left_shut(stroke: Stroke, fit: ValveFit) -> bool:
    return fit.opened_s > stroke.end_s + WAIT_S


def _may_have_met(strokes: Sequence[Stroke], first: int, fit: ValveFit) -> bool:
    """Whether the ``first`` of those that were fitted is said to have opened the valve, and the one before it may have:
    it went as high, or left less than those before it. After a pause it tells nothing."""
    if _left_shut(strokes[first], fit) or strokes[first].start_s - strokes[first - 1].end_s > PAUSE_S:
        return False
    if strokes[first - 1].top_kpa > fit.open_kpa - 2.0 * fit.open_u:
        return True
    gains = np.diff([s.base_kpa for s in strokes[max(first - USED, 0) : first + 1]])
    return bool(gains[-1] < FULL * median(gains[:-1]))
