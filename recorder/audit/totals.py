"""Many audited recordings in a few numbers: outcomes, adapters, months, drifts, old calibrations."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from recorder.audit.row import AuditRow
from recorder.audit.trend import Drift, Point, Zero, calibration_drift, zero_drift
from recorder.moments import moment, utc_text

__all__ = ["Totals", "Used"]


def _seconds(day: str | None) -> float | None:
    """Of a calibration's day, on whatever computer it is asked: of UTC where no zone was written."""
    try:
        when = datetime.fromisoformat(day or "")
        return (when if when.tzinfo is not None else when.replace(tzinfo=UTC)).timestamp()
    except (ValueError, OverflowError, OSError):
        return None


def _add(counter: Counter[str], name: str, by: int) -> None:
    """As ``+=``; what comes to nothing is not listed."""
    counter[name] += by
    if not counter[name]:
        del counter[name]


@dataclass(frozen=True, slots=True)
class Used:
    """A calibration that an adapter's recordings were made with, and the first of them. offset_kpa: at no counts."""

    when: float
    started: str
    date: str | None
    span_kpa: float
    u_kpa: float | None
    offset_kpa: float | None

    def to_json(self) -> dict[str, Any]:
        return {"from": self.started, "date": self.date, "span_kPa": self.span_kpa, "offset_kPa": self.offset_kpa}


@dataclass
class Totals:
    """Fed one row at a time; holds a few numbers a recording, not the recordings.

    files: all of them. copies: those that have all bytes of an earlier one; they count nowhere else. same_tests: those
    with the id of another one and other bytes; one of these counts as the test, while what is wrong with the files
    (altered, cut off, differing and the like) counts of each. An altered file has no outcome but ``altered``, and says
    nothing of an adapter's zero. differing: those whose stored judgement is
    not the recomputed one; other_outcome and other_digits: how many of them each way. other_program: recordings by
    the program that judged them, where it is another version than this one.
    """

    files: int = 0
    copies: int = 0
    same_tests: int = 0
    simulated: int = 0
    outcomes: Counter[str] = field(default_factory=Counter)
    adapters: dict[str, Counter[str]] = field(default_factory=dict)
    months: dict[str, Counter[str]] = field(default_factory=dict)
    differing: int = 0
    other_outcome: int = 0
    other_digits: int = 0
    other_program: Counter[str] = field(default_factory=Counter)
    altered: int = 0
    raw: int = 0
    cut: int = 0
    seal_missing: int = 0
    short: int = 0
    errors: int = 0
    holes: int = 0
    out_of_date: Counter[str] = field(default_factory=Counter)  # recordings by adapter
    of_another: Counter[str] = field(default_factory=Counter)  # by adapter: the calibration is another one's
    made_later: Counter[str] = field(default_factory=Counter)  # recordings by adapter: tested before it was calibrated
    undated: Counter[str] = field(default_factory=Counter)  # recordings by adapter: nobody knows if it was in date
    not_calibrated: Counter[str] = field(default_factory=Counter)  # recordings by adapter
    _not_whole: dict[str, AuditRow] = field(default_factory=dict)  # by id: counted, until a whole one comes
    _zeros: dict[str, list[Zero]] = field(default_factory=dict)
    _calibrations: dict[str, dict[str, Used]] = field(default_factory=dict)

    def add(self, row: AuditRow) -> None:
        self.files += 1
        if row.copy_of is not None:
            self.copies += 1
            return
        self.differing += row.same is False
        self.other_outcome += row.same is False and not row.digits_only
        self.other_digits += row.digits_only
        self.altered += row.intact is False
        self.raw += bool(row.raw)
        self.errors += row.error is not None
        self.cut += row.cut
        self.seal_missing += row.seal_missing
        if row.same_id is not None:
            self.same_tests += 1
            if row.counts_as != row.file:
                return
            earlier = self._not_whole.pop(row.id or "", None)
            if earlier is not None:
                self._count(earlier, -1)
        self._count(row, 1)
        if row.id is not None and row.intact is not True:
            self._not_whole[row.id] = row

    def _count(self, row: AuditRow, by: int) -> None:
        """The test of a file. by: -1 takes it out again."""
        outcome = "error" if row.error is not None else "altered" if row.intact is False else row.recomputed or "none"
        self.simulated += by * row.simulated
        _add(self.outcomes, outcome, by)
        if row.other_program and row.program is not None:
            _add(self.other_program, row.program, by)
        self.holes += by * (row.holes > 0)
        self.short += by * (row.short is not None)
        if row.error is not None:
            return
        adapter = row.adapter or "unknown"
        month = (utc_text(row.started) or "unknown")[:7]
        for table, name in ((self.adapters, adapter), (self.months, month)):
            _add(table.setdefault(name, Counter()), outcome, by)
            if not table[name]:
                del table[name]
        of = {"out of date": self.out_of_date, "another adapter": self.of_another, "made later": self.made_later,
              "no date": self.undated, "not calibrated": self.not_calibrated}.get(row.calibration)
        if of is not None:
            _add(of, adapter, by)
        if row.adapter is not None and row.intact is not False:
            self._follow(row.adapter, row, by)

    def _follow(self, adapter: str, row: AuditRow, by: int) -> None:
        """What the drifts need. A reading that is no test (void) says nothing of the zero."""
        at = moment(row.started)
        if at is None:
            return
        when = at.timestamp()
        used = f"{row.calibration_date} {row.offset_kpa!r} {row.span_kpa!r}"
        if row.zero_kpa is not None and row.recomputed != "void":
            own = row.zero_uncertainty_kpa or 0.0
            zeros = self._zeros.setdefault(adapter, [])
            (zeros.append if by > 0 else zeros.remove)((when, row.zero_kpa, own, used))
        if row.span_kpa is not None and by > 0:
            known = self._calibrations.setdefault(adapter, {})
            if used not in known or when < known[used].when:
                known[used] = Used(when, row.started or "", row.calibration_date, row.span_kpa, row.calibration_u_kpa,
                                   row.offset_kpa)

    def _spans(self, adapter: str) -> list[Point]:
        out = []
        for used in self._calibrations[adapter].values():
            day = _seconds(used.date)
            out.append((used.when if day is None else day, used.span_kpa, used.u_kpa or 0.0))
        return out

    def drifts(self) -> list[Drift]:
        """Zero and span of every adapter of which enough is known, drifting or not."""
        zeros = (zero_drift(a, z) for a, z in sorted(self._zeros.items()))
        spans = (calibration_drift(a, self._spans(a)) for a in sorted(self._calibrations))
        return [d for d in (*zeros, *spans) if d is not None]

    def span_changes(self) -> dict[str, list[Used]]:
        """Adapters that had more than one calibration: each of them, in order of first use."""
        return {a: sorted(known.values(), key=lambda one: one.when)
                for a, known in sorted(self._calibrations.items()) if len(known) > 1}

    def to_json(self) -> dict[str, Any]:
        def plain(table: Mapping[str, Counter[str]]) -> dict[str, dict[str, int]]:
            return {k: dict(sorted(v.items())) for k, v in sorted(table.items())}

        return {
            "files": self.files, "copies": self.copies, "same_tests": self.same_tests, "simulated": self.simulated,
            "outcomes": dict(sorted(self.outcomes.items())),
            "differing": self.differing, "other_outcome": self.other_outcome, "other_digits": self.other_digits,
            "other_program": dict(sorted(self.other_program.items())), "altered": self.altered,
            "raw_differs": self.raw, "cut": self.cut, "seal_missing": self.seal_missing, "short": self.short,
            "errors": self.errors, "with_holes": self.holes,
            "calibration_out_of_date": dict(sorted(self.out_of_date.items())),
            "calibration_of_another": dict(sorted(self.of_another.items())),
            "calibration_made_later": dict(sorted(self.made_later.items())),
            "calibration_without_date": dict(sorted(self.undated.items())),
            "not_calibrated": dict(sorted(self.not_calibrated.items())),
            "adapters": plain(self.adapters), "months": plain(self.months),
            "drifts": [d.to_json() for d in self.drifts()],
            "span_changes": {a: [used.to_json() for used in changed] for a, changed in self.span_changes().items()},
        }
