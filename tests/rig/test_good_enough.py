"""The table "Is mine good enough?" of docs/adapter.md is what the program answers, as far as a few tests can tell."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.benchmarks.good_enough import SENSORS, Sensor, open_hose, seen

PAGE = Path(__file__).parents[2] / "docs" / "adapter.md"


def lines() -> list[list[str]]:
    """The cells of the table, a line each."""
    part = PAGE.read_text("utf-8").split("## Is mine good enough?")[1].split("\n## ")[0]
    rows = [line for line in part.splitlines() if line.startswith("| ")][1:]
    return [[cell.strip() for cell in line.strip("| ").split(" | ")] for line in rows]


def line_of(sensor: Sensor) -> list[str]:
    return lines()[SENSORS.index(sensor)]


@pytest.mark.parametrize("sensor", SENSORS, ids=lambda s: f"{s.name}, {s.rate_hz:g}")
def test_each_sensor_is_described_and_its_adapter_is_judged_so(sensor: Sensor) -> None:
    name, count, noise, rate, verdict, *_ = line_of(sensor)
    assert len(lines()) == len(SENSORS) and name == sensor.name
    # 10 to 90 % of the supply over the full scale: 0.8 of the counts
    assert float(count) == pytest.approx(sensor.full_scale_kpa / 0.8 / sensor.counts, rel=0.02)
    assert [float(x) for x in (*noise.split(", "), rate)] == [sensor.white_kpa, sensor.slow_kpa, sensor.rate_hz]
    report = open_hose(sensor, 7)
    assert verdict == f"{report.verdict.upper()}, {report.smallest_fall_kpa:.2f}"


@pytest.mark.parametrize("sensor", [SENSORS[0], SENSORS[3], SENSORS[7]], ids=lambda s: f"{s.name}, {s.rate_hz:g}")
def test_what_a_hold_and_a_cap_show_is_about_what_the_table_says(sensor: Sensor) -> None:
    """Other seeds than the table's, and few: bounds are wide."""
    _, _, _, _, _, told, _, _, _, opening, off = line_of(sensor)
    got = seen(sensor, range(501, 504))
    half, most = map(float, told.split(" to "))
    assert half / 2 < 2 * np.median(got.smallest) < 1.5 * most
    assert np.median(got.opening_2u) == pytest.approx(float(opening.removeprefix("± ")), rel=0.4)
    assert np.max(np.abs(got.opening_error)) < 3 * float(off.split(", ")[1])
    assert got.tight["fail"] == 0 and all(leak["pass"] == 0 for leak in got.leaks)
