"""A stroke that stops midway and goes on is one: two rises with no time between them to draw the pump back."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.strokes.stroke import Stroke
from recorder.analysis.trace.filters import median

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["without_halves"]

STOPS_S = 0.5  # how long a hand stops midway, at most; common practice, no source
# of the cadence: nobody draws the pump back and pushes again within less; the second where a whole stroke follows, so
# that it is no hand that eases at the end
SOONER, LATER = 0.6, 0.75
PART = 0.85  # of a usual stroke: more is a whole one
WHOLE = 0.25  # of a usual stroke: by so much both together may differ from it
NEAR = 5  # strokes to each side that tell what is usual
DRAWS_S = 0.1  # to draw the pump back takes longer; common practice, no source


def without_halves(strokes: Sequence[Stroke]) -> list[Stroke]:
    """Two rises that follow each other far sooner than strokes do, made one: where they bring together what one
    brings, or where nobody could draw the pump back between them."""
    if len(strokes) < 5:
        return list(strokes)
    start = np.array([s.start_s for s in strokes])
    rise = np.array([s.rise_kpa for s in strokes])
    cadence_s = median(np.diff(start))
    out: list[Stroke] = []
    k = 0
    while k < len(strokes):
        first = strokes[k]
        k += 1
        if k < len(strokes):
            second = strokes[k]
            others = np.r_[rise[max(k - 1 - NEAR, 0) : k - 1], rise[k + 1 : k + 1 + NEAR]]
            usual = median(others)
            goes_on = k + 1 < len(strokes) and strokes[k + 1].rise_kpa > PART * usual
            step_s, pause_s = second.start_s - first.start_s, second.start_s - first.end_s
            soon = step_s < (LATER if goes_on else SOONER) * cadence_s and pause_s < STOPS_S
            parts = max(first.rise_kpa, second.rise_kpa) < PART * usual
            both = np.array([second.top_kpa - first.base_kpa, first.rise_kpa + second.rise_kpa])
            at_once = step_s < SOONER * cadence_s and pause_s < DRAWS_S and bool((both < (1.0 + WHOLE) * usual).all())
            if at_once or (soon and parts and bool((np.abs(both - usual) < WHOLE * usual).all())):
                first = Stroke(first.start_s, second.end_s, first.base_kpa, second.top_kpa)
                k += 1
        out.append(first)
    return out
