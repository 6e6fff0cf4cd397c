"""One recording audited: a pure function from its bytes to a row."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass, fields, replace
from datetime import date, timedelta
from typing import Any

import numpy as np

from recorder import report
from recorder.analysis import Setup, judge
from recorder.calibration import due_of
from recorder.errors import FileError, RecorderError, as_text, fault_of
from recorder.model import Header, Recording
from recorder.recording import (
    altered_where,
    differing_keys,
    legible,
    of_file,
    parse,
    program_of,
    seal_of,
    verify_raw,
)

__all__ = ["DIGITS", "OUTCOME", "AuditRow", "audit_bytes"]

_CLOCK_PPM = 1000.0  # a crystal is some tens of ppm off, a bare RC oscillator up to a percent
_CLOCK_SHORTEST_S = 20.0
_CLOCK_ENDS_S = 2.0
_MOST_KEYS = 20
OUTCOME, DIGITS = "another outcome", "same outcome, other digits"  # how a stored judgement differs


@dataclass(frozen=True, slots=True)
class AuditRow:
    """What the audit says about one file. Pressures kPa, rate kPa/min; None where not known.

    same: every number and word of the stored judgement equals the one computed again; None where none is
    stored or it could not be computed. ``differing`` names the keys that are not equal.
    raw: what differs from the raw columns. where: of an altered file, where it is not what was sealed, as far
    as that can be told without a copy. cut: the file was cut off or never finished
    (a file from another program, which has no id, is so only where a line is cut). seal_missing: it has its judgement
    to the end, and no seal behind it. short: the hold was ended
    before its time and without an answer. calibration_*: the one it was made with; span from zero counts to
    full scale. simulated: no real vehicle was tested. file_sha256: of all bytes of the file, while ``sha256`` is of
    those before its seal. copy_of: an earlier file of the same audit that has all bytes of this one; same_id: one that
    has its id, and other bytes; counts_as: of these two, or of more, the one that counts in the totals (of those up
    to this file).
    difference: None where ``same`` is not False, else ``OUTCOME`` or ``DIGITS``. program: which one it says that it was
    judged by. other_program: whether that, its numpy or its scipy is another version than here; None where the file
    does not say. over: that it was pumped over the limit, or may have been, in words, as its trace gives it now.
    """

    file: str
    id: str | None = None
    started: str | None = None
    job: str = ""
    test: str | None = None
    marked: str | None = None
    adapter: str | None = None
    zero_kpa: float | None = None
    zero_uncertainty_kpa: float | None = None
    opening_kpa: float | None = None
    rate_kpa_per_min: float | None = None
    stored: str | None = None
    recomputed: str | None = None
    same: bool | None = None
    differing: tuple[str, ...] = ()
    intact: bool | None = None
    sha256: str | None = None
    raw: tuple[str, ...] = ()
    where: tuple[str, ...] = ()
    clock: str | None = None
    holes: int = 0
    restarts: int = 0
    calibration: str = "none"
    calibration_date: str | None = None
    calibration_u_kpa: float | None = None
    offset_kpa: float | None = None
    span_kpa: float | None = None
    cut: bool = False
    seal_missing: bool = False
    short: str | None = None
    error: str | None = None
    notes: tuple[str, ...] = ()
    simulated: bool = False
    file_sha256: str | None = None
    copy_of: str | None = None
    difference: str | None = None
    program: str | None = None
    other_program: bool | None = None
    same_id: str | None = None
    counts_as: str | None = None
    over: str = ""

    @property
    def good(self) -> bool:
        """Nothing differs, nothing was altered, and it could be judged. A file cut off is no fault of anyone."""
        return self.error is None and self.same is not False and self.intact is not False and not self.raw

    @property
    def digits_only(self) -> bool:
        """Whether the stored judgement differs, and its outcome is the recomputed one."""
        return self.difference == DIGITS

    def to_json(self) -> dict[str, Any]:
        return asdict(self)

    @classmethod
    def from_json(cls, given: Mapping[str, Any]) -> AuditRow:
        """The row of ``to_json``; TypeError or KeyError where it is not one."""
        values = {f.name: given[f.name] for f in fields(cls)}
        for name in ("differing", "raw", "where", "notes"):
            values[name] = tuple(values[name])
        return cls(**values)


def _value(judgement: Mapping[str, Any] | None, *path: str) -> float | None:
    found: Any = judgement
    for name in path:
        found = found.get(name) if isinstance(found, Mapping) else None
    return float(found) if isinstance(found, int | float) and not isinstance(found, bool) else None


def _day(text: str | None) -> date:
    """The day of a written day or time, as calibration files may have either. ValueError where it is none."""
    return date.fromisoformat((text or "")[:10])


def _calibration(header: Header, adapter: object) -> str:
    """``in date``, ``out of date``, ``made later`` (than the test), ``no date``, ``none``, ``another adapter``, or
    ``not calibrated``: only what the sensor's full scale makes of it, or plain readings as they came."""
    cal, started = header.calibration, header.started
    if header.nominal or (cal is None and "bare" in header.adapter):
        return "not calibrated"
    if cal is None:
        return "none"
    if cal.adapter_id is not None and adapter is not None and cal.adapter_id != as_text(adapter):  # no recorder does so
        return "another adapter"
    due = due_of(cal)
    try:
        day = _day(started)
    except ValueError:
        return "no date"
    if due is None:
        return "no date"
    with suppress(ValueError, OverflowError):  # its own day need not be known where it has a due date
        if day < _day(cal.date) - timedelta(days=1):  # a day's difference may be one of zones
            return "made later"
    return "in date" if day <= due else "out of date"


def _clock(recording: Recording) -> str | None:
    """Adapter clock against host clock, where both ran long enough."""
    rows = recording.rows
    if rows.host_s is None or len(rows) < 2:
        return None
    both = np.isfinite(rows.host_s)
    time_s, host_s = rows.time_s[both], rows.host_s[both]
    if len(time_s) < 2 or time_s[-1] - time_s[0] < _CLOCK_SHORTEST_S:
        return None
    if (np.diff(host_s) < 0).any():
        return "the host's times run backwards"
    if time_s[-1] - time_s[0] > 2 * (host_s[-1] - host_s[0]):
        return "arrived faster than the adapter's clock runs (played back?)"
    # A reading arrives late, by a turn of the program or of a hub, and never early: the earliest at each end tell.
    late_s = host_s - time_s
    begin, end = late_s[time_s <= time_s[0] + _CLOCK_ENDS_S], late_s[time_s >= time_s[-1] - _CLOCK_ENDS_S]
    ppm = (begin.min() - end.min()) / (time_s[-1] - time_s[0]) * 1e6
    if abs(ppm) > _CLOCK_PPM:
        return f"adapter and host clock are {ppm:+.0f} ppm apart"
    return None


def _short(own: Mapping[str, Any] | None, hold_s: float | None) -> str | None:
    """Where the answer is missing because the hold was ended early, how early."""
    if own is None or hold_s is None or own.get("outcome") != "undecided":
        return None
    start, end = _value(own, "hold", "start_s"), _value(own, "hold", "end_s")
    length = 0.0 if start is None or end is None else end - start
    return f"the hold lasted {length:.0f} s of {hold_s:.0f} s" if length < hold_s - 1 else None


def _cut(recording: Recording) -> bool:
    """Cut off or not finished. A recorder writes the id at the top and the seal last; what another program wrote
    has neither."""
    if recording.judgement is not None:
        return False
    return recording.header.id is not None or any("cut off" in note for note in recording.notes)


def _words(flag: Any, word: str) -> int:
    return 0 if flag is None else sum(word in f.split("+") for f in flag if f)


def _unusable(data: bytes, file: str, err: RecorderError, file_sha256: str) -> AuditRow:
    """The row of a file that cannot be read: why, what its seal says all the same, and whose it is."""
    intact, digest = seal_of(data)
    seen = legible(data)
    where: tuple[str, ...] = ()
    if seen.resaved and intact is not True:
        intact, where = (False, seen.places) if seen.finished else (intact, ())
    elif intact is False and isinstance(err, FileError):
        where = altered_where(data, None, unusable=err)
        err = FileError(err.what, path=err.path, line=err.line, do="restore it from a copy")
    row = AuditRow(file, intact=intact, sha256=digest, where=where, error=str(err), file_sha256=file_sha256)
    try:
        part = parse(data, file, rows=False)
    except RecorderError:
        judged = seen.values.get("judgement")
        stored = judged.get("outcome") if isinstance(judged, dict) else None
        return replace(row, id=seen.text("id"), started=seen.text("started"), job=seen.text("job") or "",
                       test=seen.text("test"), stored=None if stored is None else as_text(stored),
                       simulated=seen.values.get("simulated") is True)
    header = part.header
    stored = None if part.judgement is None else as_text(part.judgement.get("outcome"))
    return replace(row, id=header.id, started=header.started, job=header.job, test=header.test, stored=stored,
                   notes=part.notes, simulated=header.simulated)


def audit_bytes(data: bytes, file: str) -> AuditRow:
    """The audit of one recording's bytes. Never raises for one file: ``error`` says what is wrong."""
    try:
        return _audited(data, file)
    except Exception as err:  # the fault of one file, whatever it is, stops no audit of thousands
        return broken_row(file, err)


def broken_row(file: str, err: Exception) -> AuditRow:
    """The row of a file at which the program itself breaks."""
    return AuditRow(file, error=f"it cannot be audited: {_told(err)}")


def _told(err: Exception) -> str:
    if os.environ.get("RECORDER_DEBUG"):  # who looks for the place wants to see it
        raise err
    return fault_of(err)


def _audited(data: bytes, file: str) -> AuditRow:
    file_sha256 = hashlib.sha256(data).hexdigest()
    try:
        recording = parse(data, file)
    except RecorderError as err:
        return _unusable(data, file, err, file_sha256)
    header = recording.header
    own: Mapping[str, Any] | None = None
    error = hold_s = None
    try:
        hold_s = Setup.from_header(header).procedure.hold_s
        own = json.loads(json.dumps(judge(recording).to_json()))
    except RecorderError as err:
        error = f"it cannot be judged: {of_file(err, recording)}"
    except Exception as err:  # what else there is to say of the file is said all the same
        error = f"it cannot be judged: {_told(err)}"
    stored = recording.judgement
    keys: tuple[str, ...] = ()
    difference = None
    if stored is not None and own is not None:
        keys = tuple(differing_keys(stored, own))
        alike = stored.get("outcome") == own.get("outcome")
        difference = None if not keys else DIGITS if alike else OUTCOME
    if len(keys) > _MOST_KEYS:
        keys = (*keys[:_MOST_KEYS], f"and {len(keys) - _MOST_KEYS} more")
    raw = verify_raw(recording)
    both = stored is not None and own is not None
    where = altered_where(data, recording, raw, bool(keys) if both else None) if recording.intact is False else ()
    cal = header.calibration
    adapter = header.adapter.get("id")
    return AuditRow(
        file, header.id, header.started, header.job, header.test,
        f"{header.marked.value:g} {header.marked.unit}" if header.marked else None,
        None if adapter is None else as_text(adapter),
        _value(own, "zero", "value"), _value(own, "zero", "standard_uncertainty"),
        _value(own, "opening", "value"), _value(own, "hold", "rate", "value"),
        None if stored is None else as_text(stored.get("outcome")),
        None if own is None else str(own.get("outcome")),
        not keys if both else None, keys,
        recording.intact, recording.sha256,
        tuple(str(d) for d in raw), where, _clock(recording),
        _words(recording.rows.flag, "gap"), _words(recording.rows.flag, "restart"),
        _calibration(header, adapter),
        cal.date if cal else None, cal.standard_uncertainty_kpa if cal else None,
        cal.coefficients_kpa[0] if cal else None, sum(cal.coefficients_kpa[1:]) if cal else None,
        _cut(recording), recording.seal_missing, _short(own, hold_s), error, recording.notes,
        header.simulated, file_sha256, None, difference, *program_of(header.other),
        over="" if own is None else report.over_limit(own),
    )
