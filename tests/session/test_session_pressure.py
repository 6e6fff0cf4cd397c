"""From what arrives to kPa, by the one calibration that is known."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from recorder.errors import SettingError
from recorder.model import BareBlock, Calibration, SampleBlock
from recorder.session.config import SessionConfig
from recorder.session.pressure import Pressure, halves
from recorder.wire import RATIO_FLAG, TimedBlock, Timeline

FULL_SCALE = 1000


def block(*counts: int, supply: float = float("nan")) -> TimedBlock:
    n = len(counts)
    samples = SampleBlock(np.arange(n), np.arange(n) * 10_000, np.array(counts), np.full(n, supply), np.full(n, np.nan))
    return Timeline().add(samples, 0.0)


def pressure(**more: Any) -> Pressure:
    return Pressure(SessionConfig("system", **more))


def test_counts_over_full_scale_or_over_the_supply() -> None:
    """A sensor of 200 kPa that gives 10 to 90 % of its supply: half of it is 100 kPa."""
    rows, latest_odd = pressure(full_scale_kpa=200.0).of_counts(block(100, 500, 900), FULL_SCALE)
    assert rows.pressure_kpa.tolist() == pytest.approx([0.0, 100.0, 200.0]) and not latest_odd
    rows, _ = pressure(full_scale_kpa=200.0).of_counts(block(90, 450, 810, supply=900.0), FULL_SCALE)
    assert rows.pressure_kpa.tolist() == pytest.approx([0.0, 100.0, 200.0]) and rows.flag is None
    own = Calibration((-25.855, 258.55), 0.2)  # the contract's example
    rows, _ = pressure(calibration=own, full_scale_kpa=999.0).of_counts(block(100), FULL_SCALE)
    assert rows.pressure_kpa.tolist() == pytest.approx([0.0])


def test_rows_that_no_sensor_gives_are_flagged_and_can_be_recorded() -> None:
    far = Calibration((0.0, 1.0, 1e9))
    rows, latest_odd = pressure(calibration=far).of_counts(block(1, 2, 5000), FULL_SCALE)
    assert rows.flag is not None and list(rows.flag) == ["", "", RATIO_FLAG] and latest_odd
    assert rows.pressure_kpa[2] == 1e5 and rows.pressure_kpa[0] == pytest.approx(1e-3 + 1e3)
    _, latest_odd = pressure(calibration=far).of_counts(block(5000, 2), FULL_SCALE)
    assert not latest_odd


def plain(line: Timeline, *values: float, at_s: float) -> tuple[TimedBlock, Any]:
    block = line.add_bare(BareBlock(np.array(values)), at_s)
    return block, block.value


@pytest.mark.parametrize("joined", [(101102.0,), (101102.0, 103104.0)])
def test_two_plain_readings_without_the_line_end_between_them_end_no_test(joined: tuple[float, ...]) -> None:
    """101 and 102 kPa, and a byte that was lost. A test broke off for it ("101102 kPa, which no cooling system
    has")."""
    line, made = Timeline(), pressure(bare_unit="kPa")
    assert made.of_plain(*plain(line, 100.0, *joined, 103.0, at_s=0.0)).pressure_kpa.tolist() == [100.0, 103.0]
    line.lost()
    rows = made.of_plain(*plain(line, *joined, at_s=1.0))  # alone in its block, behind a break
    assert len(rows) == 0 and made.left_out == 2 * len(joined)
    rows = made.of_plain(*plain(line, 104.0, 105.0, at_s=2.0))
    assert rows.pressure_kpa.tolist() == [104.0, 105.0] and rows.flag == ["gap", ""]


def test_plain_readings_that_stay_wild_are_of_a_wrong_unit_and_are_not_left_out() -> None:
    line, made = Timeline(), pressure(bare_unit="MPa")
    seen = [len(made.of_plain(*plain(line, 103.0, at_s=float(n)))) for n in range(4)]
    assert seen == [0, 0, 1, 1] and made.left_out == 2


def test_plain_readings_are_in_their_unit() -> None:
    """1 psi = 6.894757 kPa (NIST SP 811)."""
    plain = Timeline().add_bare(BareBlock(np.array([0.0, 10.0])), 0.0)
    assert plain.value is not None
    rows = pressure(bare_unit="psi").of_plain(plain, plain.value)
    assert rows.pressure_kpa.tolist() == pytest.approx([0.0, 68.94757], rel=1e-6)
    corrected = pressure(bare_unit="psi", calibration=Calibration((1.0, 1.1), bare=True))
    assert corrected.of_plain(plain, plain.value).pressure_kpa.tolist() == pytest.approx([1.0, 1.0 + 1.1 * 68.94757])
    with pytest.raises(SettingError, match="plain readings are not samples"):
        corrected.of_counts(plain, FULL_SCALE)


def test_nothing_is_known_of_the_gauge() -> None:
    with pytest.raises(SettingError, match="neither a calibration nor the gauge's full scale"):
        pressure()
    with pytest.raises(SettingError, match="is of counts"):
        pressure(bare_unit="psi", calibration=Calibration((0.0, 1.0)))
    assert pressure(bare_unit="psi").calibration is None


@pytest.mark.parametrize("n", [2, 5])
def test_halves_are_the_whole(n: int) -> None:
    rows, _ = pressure(full_scale_kpa=200.0).of_counts(block(*range(100, 100 + n)), FULL_SCALE)
    first, rest = halves(rows)
    assert (len(first), len(rest)) == (n // 2, n - n // 2)
    assert [*first.pressure_kpa, *rest.pressure_kpa] == rows.pressure_kpa.tolist()
    assert first.seq is not None and rest.seq is not None and [*first.seq, *rest.seq] == list(range(n))
    assert first.flag is rest.flag is None
