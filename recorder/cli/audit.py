"""``recorder audit``: every recording below a folder."""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from recorder.cli._audit_ledgers import Seals
from recorder.cli._audit_table import Listed, short_name, table
from recorder.cli._audit_words import NOT_IN_ORDER, Worst, choice_lines, totals_lines
from recorder.cli._common import checked_unit, colour_on
from recorder.cli._days import since_until
from recorder.cli._plain import put_data
from recorder.errors import SettingError, printable

if TYPE_CHECKING:
    from datetime import date

    from recorder.audit import AuditRow

__all__ = ["command"]

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


def _show(listed: Listed, folder: str, unit: str, *, none: bool) -> None:
    """The table, with what it leaves out. none: there is no file at all, which an empty table says."""
    if listed.rows() or none:
        table(listed.rows(), folder, unit)
    for line in listed.said():
        click.echo(printable(line))


def _say(lines: Iterable[str], *, err: bool) -> None:
    """What stands below the table; that something is not in order in red, at a terminal."""
    for line in map(printable, lines):
        red = line.startswith(NOT_IN_ORDER) and colour_on(sys.stderr if err else sys.stdout)
        click.echo(click.style(line, fg="red", bold=True) if red else line, err=err)


@click.command()
@click.argument("folder", type=click.Path())
@click.option("--json", "as_json", is_flag=True, help="One JSON object a file, then one with the totals.")
@click.option("--csv", "as_csv", is_flag=True, help="A table for a spreadsheet.")
@click.option("--unit", callback=checked_unit, help="Pressure unit of the table; --json and --csv are in kPa.")
@click.option("--all", "every", is_flag=True, help="Every file in the table, however many there are.")
@click.option("--job", metavar="TEXT", help="Only files whose job has this in it, whatever its capitals.")
@click.option("--adapter", metavar="ID", help="Only files of this adapter.")
@since_until("tests begun")
@click.option("--jobs", type=click.IntRange(min=1), help="Worker processes (default: one a core).")
@click.option("--cache", type=click.Path(), help="File that remembers what was audited (default: your cache folder).")
@click.option("--no-cache", is_flag=True, help="Judge every file again, remember nothing.")
@click.option("--last-hash", "noted", multiple=True, metavar="HASH", callback=_hashes,
              help="A ledger's last hash that was noted earlier: exit 1 if no ledger has it any more. May be repeated.")
def command(
    folder: str, as_json: bool, as_csv: bool, unit: str | None, every: bool, job: str | None, adapter: str | None,
    since: date | None, until: date | None, jobs: int | None, cache: str | None, no_cache: bool, noted: tuple[str, ...],
) -> int:
    """Judge every recording below FOLDER again and say what differs.

    Exit 0 when every stored judgement is what the trace gives and nothing was altered, else 1.
    With --csv the totals and what the ledgers say are on standard error.

    --job, --adapter, --since and --until choose which files are listed and added up. The ledgers are checked of all
    files all the same; the exit is that of the chosen files, of the ledgers and of --last-hash.

    Example: recorder audit recordings --adapter hose-7 --since 2026-03-01
    """
    from recorder.audit import Totals, audit_files, find_recordings
    from recorder.audit.choice import Choice
    from recorder.cli._audit_csv import HEAD, Sheet
    from recorder.settings import load_settings

    if as_json and as_csv:
        raise click.UsageError("Give --json or --csv, not both.")
    if unit is not None and as_json:
        raise click.UsageError("--unit is of the table; --json is in kPa.")
    if cache and no_cache:
        raise click.UsageError("Give --cache or --no-cache, not both.")
    shown = unit or ("kPa" if as_json else load_settings().unit)
    paths = list(find_recordings(folder))
    place = _cache_place(cache, no_cache)
    totals, good = Totals(), True
    listed, seals, worst = Listed(every=every), Seals(), Worst()
    choice = Choice(job, adapter, since, until)
    sheet = Sheet(seals)
    if as_csv:
        put_data(HEAD, nl=False)
    for any_row in _progress(audit_files(iter(paths), jobs=jobs, cache=place), len(paths)):
        seals.add(any_row)
        row = choice.of(any_row)
        if row is None:
            continue
        totals.add(row)
        good = good and row.good
        worst.add(row, short_name(row.file, folder))
        if as_json:
            put_data(json.dumps(row.to_json(), ensure_ascii=True))
        elif as_csv:
            for line in sheet.add(row):
                put_data(line, nl=False)
        else:
            listed.add(row)
    ledgers = seals.held_against(folder, noted)
    if as_json:
        chosen = {} if choice.of_all else choice.to_json()
        put_data(json.dumps({"totals": totals.to_json(), **ledgers.to_json(), **chosen}))
    else:
        for line in sheet.rest(ledgers) if as_csv else ():
            put_data(line, nl=False)
        if not as_csv:
            _show(listed, folder, shown, none=not paths)
        ends = worst.lines(files=totals.files, good=good, ledgers=ledgers, drifts=totals.drifts(),
                           all_files=choice.of_all)
        _say([*totals_lines(totals, ledgers, shown), *choice_lines(choice, len(paths), folder), *ends], err=as_csv)
    return 0 if good and ledgers.good else 1
