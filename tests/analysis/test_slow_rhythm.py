"""A rhythm that is slow, or that looks so because readings are few (aliasing; Shannon 1949, Proc. IRE 37, 10). Against
``other_physics``."""

from __future__ import annotations

import numpy as np
import pytest

from recorder.model import Judgement
from tests.analysis.judging import held_beside_a_beat, judged
from tests.analysis.other_physics import Made, make


def with_engine(made: Made, hz: float, kpa: float) -> Judgement:
    engine = kpa * np.sin(2.0 * np.pi * hz * made.time_s + 1.0) * np.clip(made.pressure_kpa / 20.0, 0.0, 1.0)
    return judged("system", made.time_s, made.pressure_kpa + engine)


@pytest.mark.parametrize("hz", [0.08, 0.2, 20.11])
def test_it_is_named_and_no_stroke_and_no_leak(hz: float) -> None:
    made = make(86, rate_hz=20.0, stroke_kpa=9.0, target_kpa=108.0, hold_s=120.0)
    held_beside_a_beat(with_engine(made, hz, 2.5), made.strokes)


def test_without_one_none_is_named() -> None:
    made = make(86, rate_hz=20.0, stroke_kpa=9.0, target_kpa=108.0, hold_s=120.0)
    told = with_engine(made, 0.1, 0.0)
    assert told.outcome == "pass"
    assert "rhythmic" not in [n["code"] for n in told.extra.get("notes", [])]
