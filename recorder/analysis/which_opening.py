"""A cap that is pumped up more than once in one recording: each time is looked at by itself, and the last one that says
something counts, as what was cleaned or seated anew in between counts as it is now."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.opening import find_opening
from recorder.analysis.phases.let_down import GONE
from recorder.analysis.strokes import QUIET_S

if TYPE_CHECKING:
    from recorder.analysis.opening import Opening
    from recorder.analysis.phases import Stretches
    from recorder.analysis.strokes import Stroke
    from recorder.analysis.trace.signal import Prepared

__all__ = ["attempts", "last_opening"]

_BACK_S = 0.5  # before all was let go, and after: common practice, no source


def attempts(x: Prepared, parts: Stretches, end_s: float) -> list[tuple[list[Stroke], float]]:
    """The strokes of each time the pressure was built up, and when all of it was let go (s), in order. end_s: of the
    last one."""
    out: list[tuple[list[Stroke], float]] = []
    pumped: list[Stroke] = []
    for stroke in parts.strokes:
        until = _let_go(x, parts, pumped[-1], stroke) if pumped else None
        if until is not None:
            out.append((pumped, until))
            pumped = []
        pumped.append(stroke)
    return [*out, (pumped, end_s)] if pumped else out


def _let_go(x: Prepared, parts: Stretches, last: Stroke, following: Stroke) -> float | None:
    """When (s) all of the pressure was let go between two strokes; None where it was not."""
    for start, end in parts.let_downs:
        held, left = np.interp([start - _BACK_S, end], x.t, x.smooth)
        if last.start_s < start < following.start_s and left < GONE * held:
            return start
    # right after a stroke no fall is told from the stroke's own
    if following.start_s - last.end_s > QUIET_S and following.base_kpa < GONE * last.top_kpa:
        gone = np.flatnonzero((x.t > last.end_s) & (x.smooth < 0.5 * last.top_kpa))
        return float(x.t[gone[0]]) if len(gone) else None
    return None


def last_opening(
    x: Prepared, parts: Stretches, end_s: float, *, least_hold_s: float, air_kpa: float, quick: bool
) -> Opening | None:
    """The opening of the last time the cap was pumped up that shows one, and a hold of ``least_hold_s`` where any does.
    None where none does, or where it later held more than it had opened at. Arguments as of ``find_opening``."""
    tries = attempts(x, parts, end_s)
    found: tuple[int, Opening] | None = None
    later_kpa = -np.inf
    for n, (strokes, until) in reversed(list(enumerate(tries))):
        opening = find_opening(x, strokes, until, air_kpa=air_kpa, quick=quick)
        if opening is None:
            held = float(np.interp(until - _BACK_S, x.t, x.smooth))
            later_kpa = max(later_kpa, held, *(s.base_kpa for s in strokes))
            continue
        if opening.onset_kpa + 2.0 * opening.onset_u < later_kpa:
            break
        holds = any(min(b, until) - a >= least_hold_s for a, b in parts.holds if b > opening.onset_s and a < until)
        if found is None or holds:
            found = n, replace(opening, until_s=until)
        if holds:
            break
    if found is None:
        return None
    before = (find_opening(x, s, until, air_kpa=air_kpa, quick=quick) for s, until in tries[: found[0]])
    return replace(found[1], earlier=tuple(opening for opening in before if opening is not None))
