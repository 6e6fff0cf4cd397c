"""Rows that have an adapter's word for a fault: a blink is a hole in the hold, what lasts voids the test, and so do
blinks that come again and again (docs/recording.md)."""

from __future__ import annotations

import numpy as np
import pytest

from recorder.analysis import Analyser, Setup
from recorder.analysis.trace.faults import Reported, usable
from recorder.limits import resolve
from recorder.model import FaultRun, Marking
from tests.analysis.other_physics import make


def outcome(*faults: tuple[float, float]) -> str:
    """Of a tight system, 100 readings a second, with ``faults`` (after so long a hold, for so long, s)."""
    made = make(31, rate_hz=100.0, stroke_kpa=9.0, target_kpa=108.0, hold_s=140.0)
    flags = [""] * len(made.time_s)
    for after_s, for_s in faults:
        first, last = np.searchsorted(made.time_s, made.hold_start_s + after_s + np.array([0.0, for_s]))
        flags[first:last] = ["fault-open"] * (last - first)
    analyser = Analyser(Setup("system", Marking(98.0, "kPa", 98.0), resolve("system", {})))
    analyser.feed(made.time_s.round(6), made.pressure_kpa.round(4), tuple(flags))
    return analyser.judgement().outcome


@pytest.mark.parametrize(("faults", "said"), [
    ([(50.0, 0.3)], "pass"),  # 30 rows, as another program's file has them; an adapter says it twice a second
    ([(20.0, 0.3), (50.0, 0.3), (90.0, 0.3)], "pass"),
    ([(20.0, 0.3), (50.0, 0.3), (70.0, 0.3), (90.0, 0.3)], "void"),
    ([(50.0, 2.0)], "void"),
])
def test_a_blink_is_one_however_many_rows_have_its_word(faults: list[tuple[float, float]], said: str) -> None:
    assert outcome(*faults) == said


def test_a_fault_that_is_not_over_is_none_that_passed() -> None:
    """Its first line alone is told at once; how long it lasted follows."""
    t = np.arange(0.0, 100.0, 0.1)
    begun, over = FaultRun(30.0, "open"), FaultRun(30.0, "open", 30.4, 2)
    good, cut = usable(t, Reported(runs=(begun,)))
    assert cut is not None and cut.from_s == 30.0 and not good[t > 30.0].any()
    good, cut = usable(t, Reported(runs=(begun, over)))
    assert cut is None and good[t > 32.0].all()
