"""A valve with friction that is still letting out half a second after a stroke, and is seen to shut after the last one:
it has one seat, so what the strokes tell of the opening has to agree with that.

Against Boyle's law, the first law for a space that gas enters and leaves, and choked flow, which goes with the absolute
pressure (Moran & Shapiro, Fundamentals of Engineering Thermodynamics, control volumes, nozzles; from memory), stepped a
millisecond at a time."""

from __future__ import annotations

import numpy as np
import pytest

from tests.analysis.judging import judged

AIR_KPA, GAMMA, SPACE_ML = 101.325, 1.4, 160.0
BEGINS_S, STROKE_S, ENDS_S, STEP_S = 3.0, 0.25, 60.0, 0.001


def pumped(
    opens: float, shuts: float, per_s: float, *, tau_s: float, each_s: float, ml: float, most: int, hand: int
) -> np.ndarray:
    """Pressures (kPa) each millisecond: strokes up to ``most`` beyond the one that opens the valve, whose lift follows
    p - opens up and p - shuts down, and stays between; it lets out ``per_s`` of its lift a second at ``opens``.
    hand: seed of how far strokes fall short of ``ml``, from the eighth on."""
    amount, warm, lift, last = AIR_KPA * SPACE_ML, 1.0, 0.0, 10**6
    shares = 1.0 - np.abs(np.random.default_rng(hand).normal(0.0, 0.15, 40)) * (np.arange(40) > 6)
    at = np.arange(0.0, ENDS_S, STEP_S)
    p = np.empty(len(at))
    for i, t in enumerate(at):
        gauge = amount * warm / SPACE_ML - AIR_KPA
        p[i] = gauge
        n, part = divmod(t - BEGINS_S, each_s)
        stroke = 0 <= n <= last and part < STROKE_S
        flow = np.pi / (2 * STROKE_S) * np.sin(np.pi * part / STROKE_S)
        come = AIR_KPA * ml * shares[int(n)] * flow if stroke else 0.0
        lift = max(min(max(lift, gauge - opens), gauge - shuts), 0.0)
        if lift and last == 10**6:
            last = int(n) + most
        lift = lift if lift > 0.05 else 0.0
        gone = per_s / GAMMA * lift * SPACE_ML * (gauge + AIR_KPA) / (opens + AIR_KPA) / warm
        energy = amount * warm + GAMMA * (come - gone * warm) * STEP_S
        amount += (come - gone) * STEP_S
        warm = 1.0 + (energy / amount - 1.0) * (1.0 - STEP_S / tau_s)
    return p


# opening, closing (kPa), gain (1/s), cooling (s), air of a stroke (mL), strokes from the one that opens it, the hand
CASES = [(103.7, 85.0, 12.0, 2.0, 10.7, 4, 6), (98.0, 80.4, 20.0, 2.0, 11.7, 3, 3), (99.6, 81.7, 36.0, 2.0, 14.7, 3, 0)]


@pytest.mark.parametrize(("opens", "shuts", "per_s", "tau_s", "ml", "most", "hand"), CASES)
def test_the_seat_that_is_seen_counts(
    opens: float, shuts: float, per_s: float, tau_s: float, ml: float, most: int, hand: int
) -> None:
    p = pumped(opens, shuts, per_s, tau_s=tau_s, each_s=0.7, ml=ml, most=most, hand=hand)[::20]
    t = np.arange(len(p)) * 20 * STEP_S
    told = judged("cap", t, p + np.random.default_rng(5).normal(0.0, 0.1, len(t))).opening
    assert told is not None and abs(told.value - opens) < 2.0 * told.standard_uncertainty
    assert abs(told.value - opens) < 3.0
