"""Which of several holds is judged: at the pressure that the test is about, on a cap once it has opened; of those the
last that says something, as what was tightened or seated anew in between counts as it is now."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from recorder.analysis.opening import Opening
    from recorder.analysis.phases import Stretches
    from recorder.analysis.setup import Setup
    from recorder.analysis.trace.signal import Prepared

__all__ = ["at_its_pressure", "judged_hold"]

# Common practice, no source.
NEARLY = 0.9  # of the target, or of the highest hold where that is lower
ENOUGH = 0.5  # of the hold's time: the last one that lasted so long counts, else the longest
# a hold of so many times its time is judged until so little of the pressure is left: a leak lets out less and less, and
# nothing more where next to nothing is left
LONG = ((1.0, 0.3), (3.0, 0.85))


def judged_hold(
    setup: Setup, x: Prepared, parts: Stretches, opening: Opening | None, *, now: bool
) -> tuple[float, float] | None:
    """Start and end (s) of the hold to judge; None where there is none. now: for a live view, the one under way."""
    holds = parts.holds
    if now and holds and parts.release_s is None and holds[-1][1] >= float(x.t[-1]):
        return holds[-1]
    if opening is not None:
        holds = tuple(h for h in holds if h[1] > opening.onset_s and h[0] < opening.until_s) or holds
    if len(holds) < 2:
        return holds[0] if holds else None
    held = [float(np.interp(h[0] + 0.5, x.t, x.smooth)) for h in holds]
    if opening is None:
        target = setup.target_kpa[0]
        high = min(max(held), target) if target is not None else max(held)
        holds = tuple(h for h, kpa in zip(holds, held, strict=True) if kpa >= min(NEARLY * high, high))
    enough = max(ENOUGH * setup.procedure.hold_s, setup.procedure.shortest_hold_s)
    long = [h for h in holds if h[1] - h[0] >= enough]
    return long[-1] if long else max(holds, key=lambda h: h[1] - h[0])


def at_its_pressure(setup: Setup, x: Prepared, hold: tuple[float, float]) -> tuple[float, float]:
    """The part of a hold that says what leaks at the pressure of the test, which is what a limit is for. Over a night
    any leak lets out next to nothing on average: at last nothing is left that could leak."""
    held = float(np.interp(hold[0] + 0.5, x.t, x.smooth))
    end_s = hold[1]
    for times, left in LONG:
        enough_s = hold[0] + times * setup.procedure.hold_s
        low = np.flatnonzero((x.t >= enough_s) & (x.t < end_s) & (x.smooth < left * held))
        end_s = float(x.t[low[0]]) if len(low) else end_s
    return hold[0], end_s
