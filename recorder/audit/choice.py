"""Which of the audited files are listed and added up. All are audited, whatever is chosen."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from recorder.audit.copies import OfOneId
from recorder.audit.row import AuditRow
from recorder.moments import job_key, moment

__all__ = ["Choice"]


@dataclass
class Choice:
    """Fed every row of an audit, in its order, it gives those that are chosen, and keeps count of the others.

    job: a part of the job's text, whatever its capitals, spaces and way of typing accents. adapter: its whole id.
    since, until: first and last day, of UTC. None chooses all. What cannot be read and so does not say what is asked,
    and a file whose beginning is not known, may be one of them: they are chosen.

    left_out: how many are not chosen; wrong: those of them that are not in order; across: pairs of a chosen file and
    one that was left out with the same id and other bytes, so the same test, changed or cut in one of them.
    """

    job: str | None = None
    adapter: str | None = None
    since: date | None = None
    until: date | None = None
    left_out: int = 0
    wrong: list[str] = field(default_factory=list)
    across: list[tuple[str, str]] = field(default_factory=list)
    _taken: OfOneId = field(default_factory=OfOneId)
    _others: dict[str, str] = field(default_factory=dict)  # by id: the first that was left out

    @property
    def of_all(self) -> bool:
        """Whether nothing is asked for."""
        return (self.job, self.adapter, self.since, self.until) == (None, None, None, None)

    def takes(self, row: AuditRow) -> bool:
        """Whether it is chosen, or may be."""
        lost = row.error is not None
        if self.job is not None and job_key(self.job) not in job_key(row.job) and not (lost and not row.job.strip()):
            return False
        if self.adapter is not None and not (lost and row.adapter is None) \
                and (row.adapter or "").casefold() != self.adapter.strip().casefold():
            return False
        when = moment(row.started)
        if when is None:
            return True
        day = when.date()
        return not ((self.since and day < self.since) or (self.until and day > self.until))

    def of(self, row: AuditRow) -> AuditRow | None:
        """The row where it is chosen, else None. Which of several files with one id counts is told among the chosen
        ones, so that a test of which only one file is chosen counts as that."""
        if self.of_all:
            return row
        own = row.id if row.copy_of is None else None
        if not self.takes(row):
            self.left_out += 1
            if not row.good:
                self.wrong.append(row.file)
            if own is not None:
                self._others.setdefault(own, row.file)
                first = self._taken.first(own)
                if first is not None:
                    self.across.append((first, row.file))
            return None
        if own is None:
            return row
        if own in self._others:
            self.across.append((row.file, self._others[own]))
        return self._taken.of(row)

    def to_json(self) -> Mapping[str, Any]:
        asked = {"job": self.job, "adapter": self.adapter, "since": self.since and self.since.isoformat(),
                 "until": self.until and self.until.isoformat()}
        return {"chosen": {**asked, "left_out": self.left_out, "left_out_not_in_order": self.wrong,
                           "same_id_left_out": [list(pair) for pair in self.across]}}
