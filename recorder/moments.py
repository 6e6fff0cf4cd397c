"""Written times and job texts, made comparable: one clock (UTC), one spelling. No clock is read here."""

from __future__ import annotations

import re
import unicodedata
from datetime import UTC, datetime, tzinfo

__all__ = ["day_text", "job_key", "moment", "time_text", "utc_text"]

# RFC 3339, section 5.6: a blank may stand for the T, T and Z may be small, and the offset has to be there.
_RFC_3339 = re.compile(
    r"(\d{4}-\d{2}-\d{2})[Tt ](\d{2}:\d{2}):(\d{2})(\.\d+)?([Zz]|[+-]\d{2}:\d{2})", re.ASCII)


def moment(text: str | None) -> datetime | None:
    """The moment in UTC, to be sorted by; None where the text is no time of RFC 3339. Texts themselves do not
    sort: 20:00-05:00 is after 23:30Z."""
    found = _RFC_3339.fullmatch(text or "")
    if found is None:
        return None
    day, minute, second, part, offset = found.groups()
    second = "59" if second == "60" else second  # a leap second, which no datetime can hold
    try:
        return datetime.fromisoformat(f"{day}T{minute}:{second}{part or ''}{offset.upper()}").astimezone(UTC)
    except (ValueError, OverflowError):
        return None


def utc_text(text: str | None, timespec: str = "minutes") -> str | None:
    """``2026-03-02 09:00`` in UTC; None where the time is not known."""
    when = moment(text)
    return None if when is None else when.replace(tzinfo=None).isoformat(" ", timespec)


def time_text(text: str | None, zone: tzinfo | None = None) -> str | None:
    """``2026-03-02 10:00 (UTC+01:00)``, of the clock on a wall in that zone, or ``2026-03-02 09:00 UTC`` where none is
    given; None where the time is not known."""
    when = moment(text)
    if when is None:
        return None
    try:
        there = when.astimezone(zone or UTC)
    except OverflowError:  # the last day that there is, further east
        there, zone = when, None
    written = there.replace(tzinfo=None).isoformat(" ", "minutes")
    return f"{written} UTC" if zone is None else f"{written} (UTC{there.isoformat()[-6:]})"


def day_text(text: str | None, zone: tzinfo | None = None) -> str:
    """``2026-03-02``, the day in that zone (UTC where none is given); empty where it is not known."""
    return (time_text(text, zone) or "")[:10]


def job_key(job: str) -> str:
    """The same for all texts that name the same job: whatever their capitals and spaces, and whether an accent was
    typed with its letter or after it (Unicode's canonical caseless match)."""
    folded = unicodedata.normalize("NFD", " ".join(job.split())).casefold()
    return unicodedata.normalize("NFC", folded)
