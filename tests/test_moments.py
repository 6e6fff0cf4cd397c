"""Written times: what is one, and in which order they were."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from recorder.moments import job_key, moment, utc_text


@pytest.mark.parametrize(("text", "utc"), [
    # The examples of RFC 3339, section 5.8; the last two are leap seconds, held a second early.
    ("1985-04-12T23:20:50.52Z", "1985-04-12T23:20:50.520000"),
    ("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57"),
    ("1990-12-31T23:59:60Z", "1990-12-31T23:59:59"),
    ("1990-12-31T15:59:60-08:00", "1990-12-31T23:59:59"),
    ("1937-01-01T12:00:27.87+00:20", "1937-01-01T11:40:27.870000"),
    # What that section allows besides.
    ("2026-03-02t09:00:00z", "2026-03-02T09:00:00"),
    ("2026-03-02 09:00:00.123456789-00:00", "2026-03-02T09:00:00.123456"),
])
def test_what_is_a_time(text: str, utc: str) -> None:
    assert moment(text) == datetime.fromisoformat(utc).replace(tzinfo=UTC)


@pytest.mark.parametrize("text", [
    None, "", "yesterday evening", "2026-03-02", "2026-03-02T09:00:00", "2026-03-02T09:00Z", "2026-W10-1T09:00:00Z",
    "20260302T090000Z", "2026-02-30T09:00:00Z", "2026-03-02T24:00:00Z", "0000-01-01T00:00:00Z",
    "0001-01-01T00:00:00+01:00", "9999-12-31T23:59:59-01:00", "2026-03-02T09:00:00+25:00", " 2026-03-02T09:00:00Z",
    "\u0662\u0660\u0662\u0666-03-02T09:00:00Z", "2026-03-02T09:00:00Z\n",
])
def test_what_is_none(text: str | None) -> None:
    assert moment(text) is None and utc_text(text) is None


@given(st.datetimes(datetime(1900, 1, 1), datetime(2200, 1, 1)), st.integers(-23 * 60, 23 * 60))
def test_any_offset_is_the_same_moment(when: datetime, minutes: int) -> None:
    aware = when.replace(tzinfo=UTC)
    text = aware.astimezone(timezone(timedelta(minutes=minutes))).isoformat()
    assert moment(text) == aware
    assert utc_text(text) == f"{when:%Y-%m-%d %H:%M}"
    assert utc_text(text, "seconds") == f"{when:%Y-%m-%d %H:%M:%S}"


def test_texts_of_one_job() -> None:
    assert len({job_key(text) for text in ("M\u00fcller Van", " mu\u0308ller  VAN")}) == 1
    assert job_key("1042 blue van") != job_key("1043 blue van")
