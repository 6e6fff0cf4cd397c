"""The audit's totals: each file counts where it belongs, a copy nowhere but as a copy."""

from __future__ import annotations

import time
from dataclasses import replace
from typing import Any

import pytest

from recorder.audit import AuditRow, Totals
from recorder.audit.row import DIGITS, OUTCOME
from recorder.audit.totals import _seconds
from recorder.cli._audit_ledgers import Ledgers
from recorder.cli._audit_words import totals_lines

GOOD = AuditRow("a.csv", started="2026-03-14T10:00:00Z", adapter="hose-7", stored="pass", recomputed="pass", same=True,
                intact=True, calibration="in date")


def counted(*rows: AuditRow) -> dict[str, Any]:
    totals = Totals()
    for row in rows:
        totals.add(row)
    return totals.to_json()


@pytest.mark.parametrize(("change", "where"), [
    ({"same": False}, "differing"), ({"raw": ("pressure",)}, "raw_differs"), ({"cut": True}, "cut"),
    ({"short": "the hold lasted 60 s of 120 s"}, "short"), ({"holes": 3}, "with_holes"),
    ({"simulated": True}, "simulated"),
    ({"intact": False}, "altered"), ({"error": "unreadable"}, "errors"),
])  # fmt: skip
def test_each_trouble_is_counted_once_a_file(change: dict[str, Any], where: str) -> None:
    troubles = ("differing", "raw_differs", "cut", "short", "with_holes", "simulated", "altered", "errors")
    plain, got = counted(GOOD, GOOD), counted(GOOD, replace(GOOD, **change))
    assert {name: got[name] - plain[name] for name in troubles} == {name: int(name == where) for name in troubles}
    assert got["files"] == 2 and not any(plain[name] for name in troubles)


def test_a_file_of_which_it_is_not_known_is_no_trouble() -> None:
    got = counted(replace(GOOD, same=None, intact=None, stored=None))
    assert (got["differing"], got["altered"], got["outcomes"]) == (0, 0, {"pass": 1})


def test_outcomes_adapters_and_months() -> None:
    got = counted(
        GOOD, replace(GOOD, recomputed="fail"), replace(GOOD, started="2026-04-01T00:30:00+02:00", recomputed="fail"),
        replace(GOOD, adapter=None, started=None, recomputed=None), replace(GOOD, intact=False),
        replace(GOOD, error="unreadable"),
    )
    assert got["outcomes"] == {"altered": 1, "error": 1, "fail": 2, "none": 1, "pass": 1}
    assert got["adapters"] == {"hose-7": {"altered": 1, "fail": 2, "pass": 1}, "unknown": {"none": 1}}
    # half past midnight in Cairo is still March in UTC
    assert got["months"] == {"2026-03": {"altered": 1, "fail": 2, "pass": 1}, "unknown": {"none": 1}}


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="the zone of a process can be set in POSIX only")
def test_the_day_of_a_calibration_is_the_same_on_every_computer(monkeypatch: pytest.MonkeyPatch) -> None:
    """Seconds since 1970 in UTC, as of ``date -u -d 2026-03-14 +%s``."""
    try:
        for zone in ("UTC0", "EST5EDT", "AEST-10"):
            monkeypatch.setenv("TZ", zone)
            time.tzset()
            assert _seconds("2026-03-14") == 1_773_446_400.0
            assert _seconds("2026-03-14T09:00:00+02:00") == 1_773_446_400.0 + 7 * 3600
    finally:
        monkeypatch.undo()
        time.tzset()


def test_a_copy_is_a_copy_and_nothing_else() -> None:
    got = counted(GOOD, replace(GOOD, copy_of="a.csv", same=False, intact=False, cut=True))
    assert (got["files"], got["copies"]) == (2, 1)
    assert got["outcomes"] == {"pass": 1} and not (got["differing"] or got["altered"] or got["cut"])


def test_calibrations_by_adapter() -> None:
    said = ("out of date", "out of date", "no date", "none", "made later")
    got = counted(*(replace(GOOD, calibration=one) for one in said))
    assert (got["calibration_out_of_date"], got["calibration_without_date"]) == ({"hose-7": 2}, {"hose-7": 1})
    assert got["calibration_made_later"] == {"hose-7": 1}
    got = counted(replace(GOOD, calibration="not calibrated"), replace(GOOD, calibration="none"))
    assert (got["not_calibrated"], got["calibration_without_date"]) == ({"hose-7": 1}, {})


def test_another_outcome_and_other_digits_are_told_apart_and_so_is_another_program() -> None:
    got = counted(
        replace(GOOD, same=False, difference=DIGITS, other_program=True, program="0.0.9"),
        replace(GOOD, same=False, difference=DIGITS), replace(GOOD, same=False, difference=OUTCOME),
        replace(GOOD, other_program=True, program="0.0.9"), replace(GOOD, other_program=False, program="0.1.0"), GOOD,
    )
    assert (got["differing"], got["other_outcome"], got["other_digits"]) == (3, 1, 2)
    assert got["other_program"] == {"0.0.9": 2}


def test_calibrations_that_changed_are_named_by_what_differs() -> None:
    def said(*changes: dict[str, Any]) -> str:
        known = replace(GOOD, zero_kpa=0.1, zero_uncertainty_kpa=0.02, span_kpa=258.55, offset_kpa=-25.855,
                        calibration_u_kpa=0.2, calibration_date="2026-01-02")
        totals = Totals()
        for day, change in enumerate(changes, 14):
            totals.add(replace(known, started=f"2026-03-{day}T10:00:00Z", **change))
        [line] = [line for line in totals_lines(totals, Ledgers((), (), ())) if "its calibration changed" in line]
        return line.removeprefix("adapter hose-7: its calibration changed ")

    new = {"calibration_date": "2026-03-15"}
    assert said({}, new) == "(that of 2026-01-02, that of 2026-03-15)"
    assert said({}, {**new, "span_kpa": 259.0}) == (
        "(that of 2026-01-02: span 258.55 kPa, that of 2026-03-15: span 259.00 kPa)")
    assert said({}, {"span_kpa": 258.5503}) == (
        "(that of 2026-01-02: span 258.5500 kPa, that of 2026-01-02: span 258.5503 kPa)")
    assert said({}, {"offset_kpa": -25.5}) == (
        "(that of 2026-01-02: -25.86 kPa at no counts, that of 2026-01-02: -25.50 kPa at no counts)")
    assert said({}, {"calibration_date": None}) == (
        "(that of 2026-01-02, one without a date, first used 2026-03-15 10:00)")


def test_what_an_altered_or_void_file_says_of_the_gauge_does_not_count() -> None:
    """The zero and the span of a good one do."""
    def spans(*rows: AuditRow) -> int:
        totals = Totals()
        for row in rows:
            totals.add(row)
        return sum(map(len, totals._zeros.values())) + 100 * sum(map(len, totals._calibrations.values()))

    known = replace(GOOD, zero_kpa=0.1, zero_uncertainty_kpa=0.02, span_kpa=258.0, offset_kpa=-25.8,
                    calibration_u_kpa=0.2, calibration_date="2026-01-02")
    assert spans(known, known) == 102
    assert spans(known, replace(known, intact=False)) == spans(known, replace(known, recomputed="void")) == 101
    assert spans(replace(known, started="once")) == spans(replace(known, adapter=None)) == 0
    assert spans(known, replace(known, span_kpa=259.0)) == 202
