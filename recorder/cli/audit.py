"""``recorder audit``: every recording below a folder."""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from recorder.cli._audit_ledgers import Seals
from recorder.cli._audit_words import NOT_IN_ORDER, Worst, found, totals_lines
from recorder.cli._common import colour_on
from recorder.cli._plain import put_data
from recorder.cli._tables import fitting, shown_width
from recorder.errors import SettingError, printable
from recorder.moments import utc_text

if TYPE_CHECKING:
    from recorder.audit import AuditRow

__all__ = ["command"]

_COLUMNS = ("file", "started", "job", "test", "marked", "adapter", "opened kPa", "fall kPa/min", "stored", "again")
_LEAVE_OUT = ("started", "test", "adapter", "marked", "fall kPa/min", "opened kPa", "job")  # first named first
_RIGHT = ("opened kPa", "fall kPa/min")
_LIST_ALL = 200  # more recordings than this: the table has only those of which there is something to say
_LIST_MOST = 2000


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.2f}"


def _progress(rows: Iterable[AuditRow], total: int) -> Iterator[AuditRow]:
    """The rows, with a progress bar on standard error at a terminal."""
    if sys.stderr is None or not sys.stderr.isatty():
        yield from rows
        return
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeRemainingColumn,
    )

    shown = Progress(TextColumn("recordings"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn(),
                     console=Console(stderr=True), transient=True)
    with shown:
        task = shown.add_task("", total=total)
        for row in rows:
            yield row
            shown.advance(task)


def _shortened(row: AuditRow, folder: str) -> AuditRow:
    """The row with the names of other files as the table has them."""
    def short(other: str | None) -> str | None:
        return other if other is None or other == row.file else _short(other, folder)

    return replace(row, copy_of=short(row.copy_of), same_id=short(row.same_id), counts_as=short(row.counts_as))


def _table(rows: list[AuditRow], folder: str) -> None:
    cells = [tuple(map(printable, (
        _short(row.file, folder), utc_text(row.started) or "", row.job, row.test or "",
        row.marked or "", row.adapter or "", _number(row.opening_kpa), _number(row.rate_kpa_per_min),
        row.stored or "", row.recomputed or "",
    ))) for row in rows]
    remarks = [printable(found(_shortened(row, folder))) for row in rows]
    head, *shown = fitting(_COLUMNS, cells, remarks, shown_width(), _LEAVE_OUT, _RIGHT)
    red = colour_on(sys.stdout)
    _say(head[0])
    for row, lines in zip(rows, shown, strict=True):
        for line in lines:
            click.echo(click.style(line, fg="red") if red and not row.good else line, color=red or None)


class _Listed:
    """Which files the table lists: all of a few, of many those of which there is something to say, and of those that
    are not in order as many as it can hold."""

    def __init__(self, files: int) -> None:
        self._files = files
        self._wrong: list[tuple[int, AuditRow]] = []
        self._others: list[tuple[int, AuditRow]] = []
        self._worth = self._seen = 0

    def add(self, row: AuditRow) -> None:
        self._seen += 1
        if self._files > _LIST_ALL and row.good and not found(row):
            return
        self._worth += 1
        kept = self._others if row.good else self._wrong
        if len(kept) < _LIST_MOST:
            kept.append((self._seen, row))

    def _kept(self) -> list[tuple[int, AuditRow]]:
        return sorted([*self._wrong, *self._others[: max(_LIST_MOST - len(self._wrong), 0)]], key=lambda one: one[0])

    def rows(self) -> list[AuditRow]:
        return [row for _, row in self._kept()]

    def said(self) -> str:
        """What is not listed; empty where all is."""
        kept = len(self._kept())
        if kept == self._files:
            return ""
        more = "" if kept == self._worth else f", and {self._worth - kept} more are not"
        return f"listed are {kept} recordings of which there is something to say{more}; --csv or --json list all"


def _short(file: str, folder: str) -> str:
    try:
        return str(Path(file).relative_to(folder))
    except ValueError:
        return file


def _say(text: str) -> None:
    click.echo(printable(text))


def _hashes(ctx: click.Context, param: click.Parameter, given: tuple[str, ...]) -> tuple[str, ...]:
    """A click callback: refuses what is no SHA-256."""
    for text in given:
        if not re.fullmatch("[0-9a-fA-F]{64}", text.strip()):
            raise click.BadParameter("a hash has 64 digits of 0-9 and a-f, as the audit printed it.")
    return tuple(dict.fromkeys(text.strip().lower() for text in given))


def _cache_place(cache: str | None, no_cache: bool) -> Path | None:
    """Where what was audited is remembered, None for nowhere; why nothing can be is said. SettingError where something
    else stands at the place that was named."""
    from recorder.audit.cache import Cache, default_cache

    place = None if no_cache else Path(cache) if cache else default_cache()
    if place is not None:
        try:
            with Cache(place) as kept:
                why = kept.not_kept()
            if why:
                click.echo(printable(f"{place}: no cache is kept ({why}); name another file with --cache, "
                                     "or use --no-cache"), err=True)
        except SettingError as err:
            if cache:
                raise
            click.echo(str(err), err=True)
            return None
    return place


@click.command()
@click.argument("folder", type=click.Path())
@click.option("--json", "as_json", is_flag=True, help="One JSON object a file, then one with the totals.")
@click.option("--csv", "as_csv", is_flag=True, help="A table for a spreadsheet.")
@click.option("--jobs", type=click.IntRange(min=1), help="Worker processes (default: one a core).")
@click.option("--cache", type=click.Path(), help="File that remembers what was audited (default: your cache folder).")
@click.option("--no-cache", is_flag=True, help="Judge every file again, remember nothing.")
@click.option("--last-hash", "noted", multiple=True, metavar="HASH", callback=_hashes,
              help="A ledger's last hash that was noted earlier: exit 1 if no ledger has it any more. May be repeated.")
def command(
    folder: str, as_json: bool, as_csv: bool, jobs: int | None, cache: str | None, no_cache: bool,
    noted: tuple[str, ...],
) -> int:
    """Judge every recording below FOLDER again and say what differs.

    Exit 0 when every stored judgement is what the trace gives and nothing was altered, else 1.
    With --csv the totals and what the ledgers say are on standard error.

    Example: recorder audit recordings
    """
    from recorder.audit import Totals, audit_files, find_recordings
    from recorder.cli._audit_csv import HEAD, Sheet

    if as_json and as_csv:
        raise click.UsageError("Give --json or --csv, not both.")
    if cache and no_cache:
        raise click.UsageError("Give --cache or --no-cache, not both.")
    paths = list(find_recordings(folder))
    place = _cache_place(cache, no_cache)
    totals, good = Totals(), True
    listed, seals, worst = _Listed(len(paths)), Seals(), Worst()
    sheet = Sheet(seals)
    if as_csv:
        put_data(HEAD, nl=False)
    for row in _progress(audit_files(iter(paths), jobs=jobs, cache=place), len(paths)):
        totals.add(row)
        good = good and row.good
        seals.add(row)
        worst.add(row, _short(row.file, folder))
        if as_json:
            put_data(json.dumps(row.to_json(), ensure_ascii=True))
        elif as_csv:
            for line in sheet.add(row):
                put_data(line, nl=False)
        else:
            listed.add(row)
    ledgers = seals.held_against(folder, noted)
    if as_json:
        put_data(json.dumps({"totals": totals.to_json(), **ledgers.to_json()}))
    else:
        for line in sheet.rest(ledgers) if as_csv else ():
            put_data(line, nl=False)
        if not as_csv:
            _table(listed.rows(), folder)
            if listed.said():
                _say(listed.said())
        ends = worst.lines(files=totals.files, good=good, ledgers=ledgers, drifts=totals.drifts())
        for line in (*totals_lines(totals, ledgers), *ends):
            line = printable(line)
            if line.startswith(NOT_IN_ORDER) and colour_on(sys.stderr if as_csv else sys.stdout):
                line = click.style(line, fg="red", bold=True)
            click.echo(line, err=as_csv)
    return 0 if good and ledgers.good else 1
