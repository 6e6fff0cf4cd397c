"""When the levels tell of a slow valve what strokes do not."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.opening.onset import Opening
from recorder.analysis.opening.shuts import Shut
from recorder.analysis.opening.slow_valve import SlowValve
from recorder.analysis.opening.valve import ENOUGH, FITS, FITS_WELL, HARDLY_FITS
from recorder.analysis.opening.valve_strokes import AFTER_S
from recorder.analysis.strokes import Stroke
from recorder.analysis.trace.filters import median

if TYPE_CHECKING:
    from recorder.model import FloatArray

__all__ = ["is_slow", "seat_of", "shuts_at", "shuts_lower", "went_on"]

# where no source is named beside a number: common practice, no source
# 1/s: so slow that strokes, looked at for WAIT_S after, do not show the half of it; and where they show no valve at all
SLOW_PER_S, UNSEEN_PER_S = 0.8, 2.0
SHUTS_ABOVE = 0.85  # of its opening: what falls further at once a hand let down; common practice, no source
BRINGS = 0.75  # of what a stroke brings: more of it does not stay where a valve is open
CREEPS = 30.0  # log likelihood ratio that a hose's creep, taken for exponentials, does not bring; no source
SHUT_DOUBT = 0.1  # of the height up to the top: the laws of a valve are not quite right; common practice, no source


def shuts_at(slow: SlowValve | None, top_kpa: float) -> tuple[float, float] | None:
    """Where a valve shuts (kPa), with its uncertainty, where the levels show it and what is looked at after a stroke
    does not: more than 1/e of its lift is left by then. top_kpa: the highest pressure."""
    if slow is None or not math.isfinite(slow.closed_s) or slow.gain < CREEPS or slow.misfit > FITS:
        return None
    if slow.per_s * AFTER_S > 1.0 or slow.close_kpa < SHUTS_ABOVE * slow.open_kpa:
        return None
    return slow.close_kpa, math.hypot(slow.close_u, SHUT_DOUBT * max(top_kpa - slow.close_kpa, 0.0))


def seat_of(later: Shut | None, strokes: Sequence[Stroke]) -> tuple[float, float] | None:
    """Where a valve shuts (kPa), with its uncertainty, where it was seen to after the last stroke (``later``)."""
    if later is None:
        return None
    top = max(s.top_kpa for s in strokes)
    return later.kpa, math.hypot(later.u, SHUT_DOUBT * max(top - later.kpa, 0.0))


def shuts_lower(levels: SlowValve, later: Shut) -> bool:
    """Whether what seemed to be the moment of shutting was only that of less lift: the levels afterwards plainly show a
    valve that went on letting out, down to a lower pressure."""
    if not math.isfinite(levels.closed_s) or levels.closed_s < later.at_s or levels.gain < CREEPS:
        return False
    return levels.misfit < FITS and later.kpa - levels.close_kpa > 2.0 * math.hypot(later.u, levels.close_u)


def is_slow(slow: SlowValve, found: Opening | None, last: Stroke) -> bool:
    """Whether the levels show a valve that strokes do not show well, or not at all: one that shuts in sight."""
    if not math.isfinite(slow.closed_s) or slow.close_kpa < 0.5 * slow.open_kpa:
        return False
    if found is None and slow.gain > 2.0 * CREEPS and slow.close_kpa > SHUTS_ABOVE * slow.open_kpa:
        return slow.misfit < HARDLY_FITS  # so plain, however quick: the stroke that opened it was not seen
    # what only sinks after the last stroke may be a hose, which creeps as no three exponentials do
    enough = CREEPS if found is None and slow.opened_s >= last.start_s else 2.0 * ENOUGH
    believed = slow.gain > enough and slow.misfit < (FITS if found is None else FITS_WELL)
    return believed and slow.per_s < (SLOW_PER_S if found is not None else UNSEEN_PER_S)


def went_on(strokes: Sequence[Stroke], level: FloatArray, open_kpa: float, until: int) -> bool:
    """Whether strokes, two or more, went on bringing what those before had brought from ``open_kpa`` on, up to number
    ``until``: no valve was open then, however slow."""
    first = next((j for j, s in enumerate(strokes) if s.base_kpa > open_kpa), until)
    if until - first < 2 or first < 3:
        return False
    gains = np.diff(level)
    before = gains[max(first - 9, 0) : first - 1]
    return float(gains[first - 1 : until - 1].mean()) > BRINGS * median(before)
