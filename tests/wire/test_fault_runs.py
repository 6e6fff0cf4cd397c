"""Section 1 of the contracts: an adapter repeats a fault while it lasts, at most twice a second."""

from __future__ import annotations

from recorder.model import FaultRun
from recorder.wire import FaultRuns


def test_a_fault_that_lasts_is_told_once_and_its_length_when_it_is_over() -> None:
    runs = FaultRuns()
    assert runs.add("open", 10.0) == [FaultRun(10.0, "open")]
    assert [runs.add("open", 10.0 + k / 2) for k in range(1, 5)] == [[]] * 4
    assert runs.over(13.0) == []  # one line more may come
    assert runs.over(14.0) == [FaultRun(10.0, "open", 12.0, 5)]
    assert runs.over(20.0) == runs.over() == []


def test_one_line_that_is_lost_does_not_break_a_fault_in_two() -> None:
    runs = FaultRuns()
    runs.add("adc", 0.0)
    assert runs.add("adc", 1.0) == []
    assert runs.add("adc", 3.0) == [FaultRun(0.0, "adc", 1.0, 2), FaultRun(3.0, "adc")]
    assert runs.over() == [FaultRun(3.0, "adc", 3.0, 1)]


def test_two_faults_at_a_time_are_told_apart() -> None:
    runs = FaultRuns()
    assert runs.add("open", 1.0) + runs.add("supply", 1.2) == [FaultRun(1.0, "open"), FaultRun(1.2, "supply")]
    runs.add("supply", 1.7)
    assert runs.over(2.9) == [FaultRun(1.0, "open", 1.0, 1)]
    assert runs.over() == [FaultRun(1.2, "supply", 1.7, 2)]


def test_a_line_that_is_timed_before_the_last_one_shortens_nothing() -> None:
    """Of an adapter that has started again: its time is the computer's, which may be a little behind."""
    runs = FaultRuns()
    for at in (1.0, 1.5, 1.2):
        runs.add("open", at)
    assert runs.over() == [FaultRun(1.0, "open", 1.5, 3)]
