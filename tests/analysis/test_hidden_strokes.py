"""A gas space from strokes that a hole in the trace hides is a guess of how many there were: none is told where that is
so for many, and what a short hole hides changes little. Truth: Boyle's law, V = p dn / dp of a space that is pumped in
equal strokes (isothermal, textbook physics)."""

from __future__ import annotations

import numpy as np
import pytest

from recorder.analysis import Analyser, Setup
from recorder.limits import resolve
from recorder.model import Judgement, Marking

AIR_KPA, STROKE_ML, SPACE_ML, STROKES = 101.325, 24.0, 400.0, 20


def told(hole: tuple[float, float] | None, eased: int = 4) -> Judgement:
    """Strokes of one second each from 4 s on, the last ones of a third, and a hold; no reading within ``hole`` (s)."""
    rng = np.random.default_rng(3)
    sizes = np.r_[np.ones(STROKES - eased), np.full(eased, 0.34)] * AIR_KPA * STROKE_ML / SPACE_ML
    t = np.arange(0.0, 4.0 + STROKES + 70.0, 0.02)
    p = sum(size * np.clip((t - 4.0 - k) / 0.5, 0.0, 1.0) for k, size in enumerate(sizes))
    p = p + rng.normal(0.0, 0.08, len(t))
    keep = np.ones(len(t), bool) if hole is None else (t <= hole[0]) | (t >= hole[1])
    limits = resolve("system", {"stroke_volume": {"value": STROKE_ML, "unit": "mL"}})
    analyser = Analyser(Setup("system", Marking(90.0, "kPa", 90.0), limits))
    analyser.feed(t[keep].round(6), p[keep].round(4))
    return analyser.judgement()


def test_of_strokes_that_are_seen_the_space_is_told() -> None:
    found = told(None).headspace
    assert found is not None and found.value == pytest.approx(SPACE_ML, rel=0.05)


def test_of_strokes_that_a_hole_hides_none_is_told() -> None:
    found = told((3.9, 19.9))  # all the full ones
    assert found.headspace is None and found.leak_flow is None


def test_what_a_short_hole_hides_changes_little() -> None:
    found = told((8.9, 10.9)).headspace
    assert found is not None and found.value == pytest.approx(SPACE_ML, rel=0.05)
