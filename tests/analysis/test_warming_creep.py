"""A system that warms up steadily while it is held: its slow rise is no row of strokes. How much it rises is the ideal
gas law's, p / T of a closed space (common textbook physics): 12 K more than 290 K add 9 kPa to 220 kPa absolute."""

from __future__ import annotations

import numpy as np
import pytest

from recorder.analysis import Analyser, Setup
from recorder.limits import resolve
from recorder.model import Judgement, Marking

AIR_KPA, COLD_K = 101.325, 290.0
STROKES, STROKE_KPA, CADENCE_S, HELD_S = 108, 1.1, 1.1, 125.0


def told(seed: int, *, warms_k: float, eased: int = 0) -> Judgement:
    """Strokes of 1.1 kPa, at the end ``eased`` ones of a quarter, and a hold in which the gas warms by ``warms_k``."""
    rng = np.random.default_rng(seed)
    begins = 5.0 + np.cumsum(CADENCE_S * rng.normal(1.0, 0.08, STROKES + eased))
    sizes = np.r_[np.full(STROKES, 1.0), np.full(eased, 0.25)] * STROKE_KPA * rng.normal(1.0, 0.05, STROKES + eased)
    until = float(begins[-1]) + 0.5
    t = np.arange(0.0, until + HELD_S + 4.0, 0.01)
    p = sum(s * np.clip((t - b) / 0.45, 0.0, 1.0) for b, s in zip(begins, sizes, strict=True))
    warm = np.clip((t - until - 3.0) / (HELD_S - 3.0), 0.0, 1.0) * warms_k / COLD_K
    p = (p + AIR_KPA) * (1.0 + warm) - AIR_KPA
    p = np.where(t > until + HELD_S, p * np.exp(-np.maximum(t - until - HELD_S, 0.0) / 0.2), p)
    p = np.round((p + rng.normal(0.0, 0.06, len(t))) / 0.04) * 0.04
    analyser = Analyser(Setup("system", Marking(108.0, "kPa", 108.0), resolve("system", {})))
    analyser.feed(t.round(6), p.round(4))
    return analyser.judgement()


@pytest.mark.parametrize("seed", range(3))
def test_a_steady_rise_in_the_hold_is_warmth(seed: int) -> None:
    found = told(seed, warms_k=12.0)
    assert found.strokes is not None and abs(found.strokes - STROKES) <= 1
    assert found.hold is not None and found.hold.end_s - found.hold.start_s > 120.0
    rise = (STROKES * STROKE_KPA + AIR_KPA) * 12.0 / COLD_K
    assert found.hold.drop.value == pytest.approx(-rise, rel=0.1)
    assert found.outcome != "pass" and "warming" in [n["code"] for n in found.extra["notes"]]


def test_eased_last_strokes_still_count() -> None:
    assert told(7, warms_k=0.0, eased=6).strokes == STROKES + 6
