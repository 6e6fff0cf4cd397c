"""What the audit says of a calibration's date and of a hold that was cut short."""

from __future__ import annotations

import json

import pytest

from recorder.audit.row import _short, audit_bytes


def audited(started: str | None, calibration: dict[str, object] | None) -> str:
    """Of a recording in which nothing was pumped."""
    head = ['# test: "cap"']
    if started is not None:
        head.append(f'# started: "{started}"')
    if calibration is not None:
        head.append(f"# calibration: {json.dumps({'coefficients_kPa': [-25.0, 250.0], **calibration})}")
    rows = "".join(f"{k / 10:.1f},0.0\n" for k in range(50))
    row = audit_bytes(("\n".join(head) + "\ntime_s,pressure_kPa\n" + rows).encode(), "x.csv")
    assert row.error is None
    return row.calibration


@pytest.mark.parametrize(("started", "calibration", "said"), [
    ("2027-03-14T23:00:00Z", {"due": "2027-03-14"}, "in date"),
    ("2027-03-15T01:00:00Z", {"due": "2027-03-14"}, "out of date"),
    ("2027-03-14T10:00:00Z", {"date": "2026-03-14"}, "in date"),  # a year; common practice, no source
    ("2027-03-15T10:00:00Z", {"date": "2026-03-14"}, "out of date"),
    ("2027-03-15T10:00:00Z", {"date": "2026-03-14", "due": "2028-01-01"}, "in date"),
    ("2027-03-15T10:00:00Z", {}, "no date"), (None, {"date": "2026-03-14"}, "no date"),
    ("2027-03-15T10:00:00Z", None, "none"),
    # tested before there was this calibration: a clock was wrong, or it was put in later. A day apart may be a zone.
    ("2026-03-12T23:59:00Z", {"date": "2026-03-14", "due": "2027-03-14"}, "made later"),
    ("2026-03-13T00:00:00Z", {"date": "2026-03-14", "due": "2027-03-14"}, "in date"),
    ("2026-03-12T10:00:00Z", {"date": "soon", "due": "2027-03-14"}, "in date"),
])  # fmt: skip
def test_in_date_on_the_day_of_the_test(started: str | None, calibration: dict[str, object] | None, said: str) -> None:
    assert audited(started, calibration) == said


@pytest.mark.parametrize(("outcome", "start_s", "end_s", "said"), [
    ("undecided", 20.0, 80.0, "the hold lasted 60 s of 120 s"), ("undecided", 20.0, 139.5, None),
    ("undecided", 20.0, 138.5, "the hold lasted 118 s of 120 s"),
    ("undecided", None, None, "the hold lasted 0 s of 120 s"),
    ("pass", 20.0, 80.0, None), ("fail", 20.0, 80.0, None), ("void", 20.0, 80.0, None),
])  # fmt: skip
def test_a_hold_that_was_ended_early_is_told_where_the_answer_is_missing(
    outcome: str, start_s: float | None, end_s: float | None, said: str | None
) -> None:
    hold = None if start_s is None else {"start_s": start_s, "end_s": end_s}
    assert _short({"outcome": outcome, "hold": hold}, 120.0) == said
    assert _short(None, 120.0) is _short({"outcome": outcome, "hold": hold}, None) is None
