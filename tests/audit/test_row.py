"""What the audit says of a calibration's date and of a hold that was cut short."""

from __future__ import annotations

import json

import pytest

from recorder.analysis import judge
from recorder.audit.row import DIGITS, OUTCOME, _short, audit_bytes
from recorder.cli._audit_words import found
from recorder.recording import parse, program_versions


def audited(started: str | None, calibration: dict[str, object] | None, *more: str) -> str:
    """Of a recording in which nothing was pumped."""
    head = ['# test: "cap"', *more]
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
    ("2027-03-15T10:00:00Z", {"due": "2027-03-15T09:00:00Z"}, "in date"),  # a calibration file may have a time as well
    ("2027-03-15T10:00:00Z", {"due": "2027-03-14T09:00:00Z"}, "out of date"),
    ("2027-03-15T10:00:00Z", {"date": "2026-03-14T09:00:00+02:00"}, "out of date"),
    ("2026-03-12T10:00:00Z", {"date": "2026-03-14 09:00", "due": "2027-03-14"}, "made later"),
    ("2027-03-15T10:00:00Z", {}, "no date"), (None, {"date": "2026-03-14"}, "no date"),
    ("2027-03-15T10:00:00Z", None, "none"),
    # tested before there was this calibration: a clock was wrong, or it was put in later. A day apart may be a zone.
    ("2026-03-12T23:59:00Z", {"date": "2026-03-14", "due": "2027-03-14"}, "made later"),
    ("2026-03-13T00:00:00Z", {"date": "2026-03-14", "due": "2027-03-14"}, "in date"),
    ("2026-03-12T10:00:00Z", {"date": "soon", "due": "2027-03-14"}, "in date"),
])  # fmt: skip
def test_in_date_on_the_day_of_the_test(started: str | None, calibration: dict[str, object] | None, said: str) -> None:
    assert audited(started, calibration) == said


def test_a_gauge_that_nobody_calibrated_is_told_from_a_calibration_without_a_date() -> None:
    day, bare = "2027-03-15T10:00:00Z", '# adapter: {"bare": "psi"}'
    assert audited(day, {}, "# nominal: true") == audited(day, None, bare) == "not calibrated"
    assert audited(day, {"date": "2027-01-01", "bare": True}, bare) == "in date"


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


def judged(change: dict[str, object], program: dict[str, str] | None = None) -> bytes:
    """A recording in which nothing was pumped, with its judgement changed before it was stored."""
    head = '# test: "cap"\n' + (f"# recorder: {json.dumps(program)}\n" if program else "")
    rows = "".join(f"{k / 10:.1f},0.0\n" for k in range(50))
    text = f"{head}time_s,pressure_kPa\n{rows}"
    stored = {**judge(parse(text.encode())).to_json(), **change}
    return f"{text}# judgement: {json.dumps(stored)}\n".encode()


@pytest.mark.parametrize(("change", "said"), [
    ({}, None), ({"strokes": 3}, DIGITS), ({"outcome": "pass"}, OUTCOME), ({"outcome": "pass", "strokes": 3}, OUTCOME),
    ({"outcome": None}, OUTCOME),
])  # fmt: skip
def test_another_outcome_is_told_from_other_digits(change: dict[str, object], said: str | None) -> None:
    row = audit_bytes(judged(change), "x.csv")
    assert row.difference == said and row.same is (said is None) and row.good is (said is None)


def test_a_judgement_by_another_version_is_named_as_such() -> None:
    own = program_versions()
    rows = [audit_bytes(judged({"strokes": 3}, program), "x.csv")
            for program in (None, own, {**own, "version": "0.0.9"}, {**own, "scipy": "1.0"})]
    assert [row.other_program for row in rows] == [None, False, True, True]
    assert ["judged by another version: " in found(row) for row in rows] == [False, False, True, True]
    assert not any(row.good for row in rows)
    said = f"DIFFERS, same outcome, other digits (judged by another version: 0.0.9, numpy {own['numpy']}"
    assert said in found(rows[2])
    assert rows[3].program == f"{own['version']}, numpy {own['numpy']}, scipy 1.0"


@pytest.mark.parametrize("broken", [AttributeError("made by a test"), MemoryError(), AssertionError(), OSError("eh"),
                                    RecursionError("deep")])
@pytest.mark.parametrize("place", ["parse", "judge", "verify_raw"])
def test_what_nobody_foresaw_is_the_files_row(monkeypatch: pytest.MonkeyPatch, broken: Exception, place: str) -> None:
    def breaks(*given: object) -> object:
        raise broken

    monkeypatch.setattr(f"recorder.audit.row.{place}", breaks)
    row = audit_bytes(judged({}), "x.csv")
    assert row.error is not None and f" ({type(broken).__name__}" in row.error and not row.good


def test_ctrl_c_is_no_fault_of_a_file(monkeypatch: pytest.MonkeyPatch) -> None:
    def breaks(*given: object) -> object:
        raise KeyboardInterrupt

    monkeypatch.setattr("recorder.audit.row.parse", breaks)
    with pytest.raises(KeyboardInterrupt):
        audit_bytes(judged({}), "x.csv")


def test_a_full_scale_without_end_is_no_fault_of_the_program() -> None:
    """JSON has whole numbers of any length, and no float is so large."""
    head = ('# test: "cap"\n# adapter: {"full_scale_counts": 1' + "0" * 400 + "}\n"
            '# calibration: {"coefficients_kPa": [-25.0, 250.0]}\ntime_s,pressure_kPa,counts\n')
    row = audit_bytes((head + "".join(f"{k / 10:.1f},0.00,102\n" for k in range(50))).encode(), "x.csv")
    assert row.error is None and row.recomputed is not None
    assert row.raw == ("pressure of row 1 is 0, its raw columns give -25 (50 rows differ)",)
