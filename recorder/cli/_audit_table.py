"""The audit's table at a terminal: which files it lists, and how."""

from __future__ import annotations

import math
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from recorder.cli._audit_words import found
from recorder.cli._common import colour_on
from recorder.cli._tables import fitting, shown_width
from recorder.errors import printable
from recorder.moments import utc_text
from recorder.report import in_unit
from recorder.units import pressure_factor_kpa

if TYPE_CHECKING:
    from recorder.audit import AuditRow

__all__ = ["Listed", "short_name", "table"]

_COLUMNS = ("file", "started UTC", "job", "test", "marked", "adapter", "opened {}", "fall {}/min", "stored", "again")
_LEAVE_OUT = ("started UTC", "test", "adapter", "marked", "fall {}/min", "opened {}", "job")  # first named first
_RIGHT = ("opened {}", "fall {}/min")
_FINEST_KPA = 0.01
_LIST_ALL = 200  # more recordings than this: the table has only those of which there is something to say
_LIST_MOST = 2000
_FOLD = 20  # more than so many with one remark, and only about their gauge, are a line together
_WRONG, _PLAIN, _OTHER = "!", "", "?"  # else the remark that they have in common


def _number(kpa: float | None, factor: float) -> str:
    """As finely in every unit. factor: kPa that one of it is."""
    return "" if kpa is None else f"{kpa / factor:.{max(math.ceil(math.log10(factor / _FINEST_KPA)), 0)}f}"


def short_name(file: str, folder: str) -> str:
    """A file's name as seen from the audited folder."""
    try:
        return str(Path(file).relative_to(folder))
    except ValueError:
        return file


def _shortened(row: AuditRow, folder: str) -> AuditRow:
    """The row with the names of other files as the table has them."""
    def short(other: str | None) -> str | None:
        return other if other is None or other == row.file else short_name(other, folder)

    return replace(row, copy_of=short(row.copy_of), same_id=short(row.same_id), counts_as=short(row.counts_as))


def table(rows: list[AuditRow], folder: str, unit: str = "kPa") -> None:
    """Writes it, with its pressures in ``unit``."""
    factor = pressure_factor_kpa(unit)
    cells = [tuple(map(printable, (
        short_name(row.file, folder), utc_text(row.started) or "", row.job, row.test or "",
        row.marked or "", row.adapter or "", _number(row.opening_kpa, factor),
        _number(row.rate_kpa_per_min, factor),
        row.stored or "", row.recomputed or "",
    ))) for row in rows]
    remarks = [printable(in_unit(found(_shortened(row, folder)), unit)) for row in rows]
    columns, leave_out, right = (tuple(name.format(unit) for name in names) for names in (_COLUMNS, _LEAVE_OUT, _RIGHT))
    head, *shown = fitting(columns, cells, remarks, shown_width(), leave_out, right)
    red = colour_on(sys.stdout)
    click.echo(printable(head[0]))
    for row, lines in zip(rows, shown, strict=True):
        for line in lines:
            click.echo(click.style(line, fg="red") if red and not row.good else line, color=red or None)


def _kind(row: AuditRow) -> str:
    remark = found(row)
    if not row.good or not remark:
        return _PLAIN if row.good else _WRONG
    # with a gauge in order there would be nothing to say
    return _OTHER if found(replace(row, simulated=False, calibration=_in_order(row.calibration))) else remark


def _in_order(calibration: str) -> str:
    return "in date" if calibration in ("out of date", "not calibrated") else calibration


class Listed:
    """Which files the table lists: all of a few, or where every one is wanted; of many those of which there is
    something to say, and of those that are not in order as many as it can hold. Of many that have nothing but one
    remark about their gauge in common there is one line."""

    def __init__(self, *, every: bool = False) -> None:
        self._every = every
        self._seen = 0
        self._counts: Counter[str] = Counter()
        self._kept: dict[str, list[tuple[int, AuditRow]]] = {}

    def add(self, row: AuditRow) -> None:
        self._seen += 1
        kind = _kind(row)
        self._counts[kind] += 1
        kept = self._kept.setdefault(kind, [])
        if self._is_out(kind):
            kept.clear()
        elif self._every or len(kept) < _LIST_MOST:
            kept.append((self._seen, row))

    def _is_out(self, kind: str) -> bool:
        if self._every or self._seen <= _LIST_ALL:
            return False
        return kind == _PLAIN or (kind not in (_WRONG, _OTHER) and self._counts[kind] > _FOLD)

    def _chosen(self) -> list[tuple[int, AuditRow]]:
        wrong = self._kept.get(_WRONG, [])
        others = sorted((one for kind, kept in self._kept.items() if kind != _WRONG and not self._is_out(kind)
                         for one in kept), key=lambda one: one[0])
        most = len(others) if self._every else max(_LIST_MOST - len(wrong), 0)
        return sorted([*wrong, *others[:most]], key=lambda one: one[0])

    def rows(self) -> list[AuditRow]:
        return [row for _, row in self._chosen()]

    def said(self) -> Iterator[str]:
        """What is not listed; nothing where all is."""
        listed = len(self._chosen())
        if listed == self._seen:
            return
        folded = {kind: n for kind, n in self._counts.items() if kind != _PLAIN and self._is_out(kind)}
        for remark, count in folded.items():
            yield f"{count} files: {remark}, and nothing else; listed with --all"
        worth = self._seen - self._counts[_PLAIN] - sum(folded.values())
        more = "" if listed == worth else f", and {worth - listed} more are not"
        yield (f"listed are {listed} recordings of which there is something {'else ' if folded else ''}to say{more}; "
               "--all, --csv or --json list all")
