"""Steps of sequence and clock: which of them no running adapter makes."""

from __future__ import annotations

import numpy as np
import pytest

from recorder.wire.clock_speed import units_of
from recorder.wire.steps import Steps, steps_of


def steps(*rows: tuple[int, int]) -> Steps:
    """Samples of (sequence, clock in µs), 10 ms apart on the computer's clock."""
    seq, us = (np.array(column) for column in zip(*rows, strict=True))
    return steps_of(seq, us, np.arange(len(rows), dtype=float) * 0.01)


def test_what_a_running_adapter_sends() -> None:
    """Samples that are lost are a step of both, and no break; nor is a turn of either (16 and 32 bits)."""
    got = steps((65_533, 2**32 - 20_000), (65_534, 2**32 - 10_000), (3, 40_000), (4, 50_000))
    assert not got.broken.any() and (got.restarts, got.seq_back, got.clock_back, got.told) == (0, 0, 0, None)
    assert got.seq.tolist() == [1, 5, 1] and got.us.tolist() == [10_000, 50_000, 10_000]


@pytest.mark.parametrize(("rows", "restarts", "seq_back", "clock_back", "told"), [
    # sequence 1 twice, and 255 and 0 again: the clock runs on
    (((0, 0), (1, 10_000), (1, 20_000), (2, 30_000)), 0, 1, 0, "goes back once while its clock goes on (after 1)"),
    (((254, 0), (255, 10_000), (0, 20_000), (1, 30_000)), 0, 1, 0, "(after 255)"),
    # the clock stands, and is back
    (((0, 10_000), (1, 20_000), (2, 20_000), (3, 30_000)), 0, 0, 1, "goes back once while its sequence goes on"),
    (((0, 55_000), (1, 65_000), (2, 9_464), (3, 19_464)), 0, 0, 1, "(after 65000 us)"),
    # both are back, or both stand
    (((500, 5_000_000), (501, 5_010_000), (0, 1_000), (1, 11_000)), 1, 0, 0, None),
    (((0, 10_000), (1, 20_000), (1, 20_000), (2, 30_000)), 1, 0, 0, None),
    # the sequence is back after so long a silence that it is no turn
    (((500, 0), (501, 10_000), (0, 2_500_000), (1, 2_510_000)), 1, 0, 0, None),
])
def test_one_step_that_no_running_adapter_makes(
    rows: tuple[tuple[int, int], ...], restarts: int, seq_back: int, clock_back: int, told: str | None
) -> None:
    got = steps(*rows)
    assert got.broken.tolist() == [False, True, False]
    assert (got.restarts, got.seq_back, got.clock_back) == (restarts, seq_back, clock_back)
    assert got.told is None if told is None else told in (got.told or ("",))[0]


@pytest.mark.parametrize(("factor", "unit"), [
    (1000.0, "milliseconds"), (890.0, "milliseconds"), (870.0, None), (1110.0, "milliseconds"), (1130.0, None),
    (1e6, "seconds"), (0.7e6, "seconds"), (0.5e6, None), (1e-3, "nanoseconds"), (10.0, "too slow"), (0.1, "too fast"),
    (1.0, None), (3.0, None),
])
def test_units_of_a_clock(factor: float, unit: str | None) -> None:
    """An oscillator of resistor and capacitor is some 10 % off (common practice, no source): within 12 % it is the
    unit; of seconds only few have gone by, so that they are known less well."""
    found = units_of(factor)
    assert found is None if unit is None else found is not None and unit in found[0]
