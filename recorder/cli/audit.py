"""``recorder audit``: every recording below a folder."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from recorder.cli._live import colour_on
from recorder.cli._tables import fitting, shown_width
from recorder.errors import printable

if TYPE_CHECKING:
    from recorder.audit import AuditRow, Totals
    from recorder.recording import LedgerCheck

__all__ = ["command"]

_COLUMNS = ("file", "started", "job", "test", "marked", "adapter", "opened kPa", "fall kPa/min", "stored", "again")
_LEAVE_OUT = ("started", "test", "adapter", "marked", "fall kPa/min", "opened kPa", "job")  # first named first
_RIGHT = ("opened kPa", "fall kPa/min")
_LIST_ALL = 200  # more recordings than this: the table has only those of which there is something to say
_LIST_MOST = 2000
_CSV = ("file", "id", "started", "job", "test", "marked", "adapter", "zero_kpa", "opening_kpa",
        "rate_kpa_per_min", "stored", "recomputed", "same", "differing", "intact", "where", "raw", "clock", "holes",
        "restarts", "calibration", "calibration_date", "cut", "short", "error")


def _found(row: AuditRow) -> str:
    """What there is to say about a file, in words; empty when all is well."""
    said = []
    if row.error is not None:
        said.append(row.error.removeprefix(f"{row.file}: ").removeprefix(row.file))
    if row.intact is False:
        said.append("ALTERED since it was sealed: " + "; ".join(row.where[:3]))
    if row.same is False:
        said.append("DIFFERS: " + ", ".join(row.differing[:4]) + (" ..." if len(row.differing) > 4 else ""))
    if row.intact is not False:  # else the places say it
        said += [f"RAW: {text}" for text in row.raw]
    if row.cut and row.intact is not False:
        said.append("cut off or not finished")
    if row.short:
        said.append(f"cut short: {row.short}")
    if row.clock:
        said.append(row.clock)
    if row.holes:
        said.append(_some(row.holes, "hole"))
    if row.restarts:
        said.append(_some(row.restarts, "restart"))
    if row.calibration == "out of date":
        said.append("calibration out of date")
    return "; ".join(said)


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.2f}"


def _progress(rows: Iterable[AuditRow], total: int) -> Iterator[AuditRow]:
    """The rows, with a progress bar on standard error at a terminal."""
    if not sys.stderr.isatty():
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


def _table(rows: list[AuditRow], folder: str) -> None:
    cells = [tuple(map(printable, (
        _short(row.file, folder), (row.started or "")[:16].replace("T", " "), row.job, row.test or "",
        row.marked or "", row.adapter or "", _number(row.opening_kpa), _number(row.rate_kpa_per_min),
        row.stored or "", row.recomputed or "",
    ))) for row in rows]
    remarks = [printable(_found(row)) for row in rows]
    head, *shown = fitting(_COLUMNS, cells, remarks, shown_width(), _LEAVE_OUT, _RIGHT)
    red = colour_on(sys.stdout)
    _say(head[0])
    for row, lines in zip(rows, shown, strict=True):
        for line in lines:
            click.echo(click.style(line, fg="red") if red and not row.good else line, color=red or None)


def _short(file: str, folder: str) -> str:
    try:
        return str(Path(file).relative_to(folder))
    except ValueError:
        return file


def _counts(counts: dict[str, int]) -> str:
    return ", ".join(f"{n} {k}" for k, n in sorted(counts.items()))


def _some(count: int, one: str) -> str:
    """``1 recording``, ``2 recordings``."""
    return f"{count} {one}" if count == 1 else f"{count} {one}s"


def _say(text: str) -> None:
    click.echo(printable(text))


def _totals(totals: Totals, ledgers: list[LedgerCheck]) -> None:
    _say(f"{_some(totals.files, 'recording')}: {_counts(dict(totals.outcomes)) or 'none'}")
    _say(f"not as their stored judgement: {totals.differing}; altered: {totals.altered}; not as their raw columns: "
         f"{totals.raw}; cannot be used: {totals.errors}; cut off: {totals.cut}; holds cut short: {totals.short}")
    for adapter, count in sorted(totals.out_of_date.items()):
        _say(f"adapter {adapter}: {_some(count, 'recording')} made after its calibration was due")
    for adapter, counts in sorted(totals.adapters.items()):
        _say(f"adapter {adapter}: {_counts(dict(counts))}")
    for month, counts in sorted(totals.months.items()):
        _say(f"month {month}: {_counts(dict(counts))}")
    for drift in totals.drifts():
        if drift.certain:
            of = "recordings" if drift.what == "zero" else "calibrations"
            _say(f"adapter {drift.adapter}: its {drift.what} DRIFTS by {drift.kpa_per_year:+.2f} ± "
                 f"{drift.factor * drift.standard_uncertainty:.2f} kPa a year "
                 f"(99 %, {drift.points} {of} in {drift.days:.0f} days)")
    for adapter, spans in totals.span_changes().items():
        steps = ", ".join(f"{span:.2f} kPa from {started[:10]}" for started, span in spans)
        _say(f"adapter {adapter}: its calibration changed ({steps})")
    for check in ledgers:
        _ledger(check)


def _ledger(check: LedgerCheck) -> None:
    for what, names in (
        ("these lines do not follow from the line before", [str(n) for n in check.broken]),
        ("in the ledger and not in the folder", check.missing),
        ("sealed and not in the ledger", check.added),
        ("not what the ledger says", check.altered),
    ):
        if names:
            shown = ", ".join(names[:10]) + (f" and {len(names) - 10} more" if len(names) > 10 else "")
            _say(f"{check.path}: {what}: {shown}")
    _say(f"{check.path}: {_some(check.lines, 'line')}, last hash {check.last_hash or '-'} (note it elsewhere)")


def _ledgers(folder: str, seals: dict[str, dict[str, tuple[str | None, bool | None]]]) -> list[LedgerCheck]:
    from recorder.recording import verify_ledger
    from recorder.recording.ledger import LEDGER

    places = {str(p.parent) for p in Path(folder).rglob(LEDGER)} | set(seals)
    found = (verify_ledger(place, seals.get(place, {})) for place in sorted(places))
    return [check for check in found if check is not None]


@click.command()
@click.argument("folder", type=click.Path())
@click.option("--json", "as_json", is_flag=True, help="One JSON object a file, then one with the totals.")
@click.option("--csv", "as_csv", is_flag=True, help="A table for a spreadsheet.")
@click.option("--jobs", type=click.IntRange(min=1), help="Worker processes (default: one a core).")
@click.option("--cache", type=click.Path(), help="File that remembers what was audited (default: your cache folder).")
@click.option("--no-cache", is_flag=True, help="Judge every file again, remember nothing.")
def command(
    folder: str, as_json: bool, as_csv: bool, jobs: int | None, cache: str | None, no_cache: bool
) -> int:
    """Judge every recording below FOLDER again and say what differs.

    Exit 0 when every stored judgement is what the trace gives and nothing was altered, else 1.

    Example: recorder audit recordings
    """
    from recorder.audit import Totals, audit_files, find_recordings
    from recorder.audit.cache import default_cache
    from recorder.recording.spreadsheet import sheet_line

    place = None if no_cache else Path(cache) if cache else default_cache()
    paths = list(find_recordings(folder))
    totals, good = Totals(), True
    shown: list[AuditRow] = []
    seals: dict[str, dict[str, tuple[str | None, bool | None]]] = {}
    if as_csv:
        click.echo(sheet_line(_CSV), nl=False)
    for row in _progress(audit_files(iter(paths), jobs=jobs, cache=place), len(paths)):
        totals.add(row)
        good = good and row.good
        path = Path(row.file)
        intact = False if row.error is not None and row.sha256 is None else row.intact
        seals.setdefault(str(path.parent), {})[path.name] = (row.sha256, intact)
        if as_json:
            click.echo(json.dumps(row.to_json(), ensure_ascii=True))
        elif as_csv:
            click.echo(sheet_line([_cell(getattr(row, name)) for name in _CSV]), nl=False)
        elif len(paths) <= _LIST_ALL or (len(shown) < _LIST_MOST and _found(row)):
            shown.append(row)
    ledgers = _ledgers(folder, seals)
    good = good and all(check.good for check in ledgers)
    if as_json:
        from dataclasses import asdict

        click.echo(json.dumps({"totals": totals.to_json(), "ledgers": [asdict(c) for c in ledgers]}))
    elif not as_csv:
        _table(shown, folder)
        if len(shown) < len(paths):
            _say(f"listed are {len(shown)} recordings of which there is something to say; --csv or --json list all")
        _totals(totals, ledgers)
    return 0 if good else 1


def _cell(value: Any) -> Any:
    if isinstance(value, tuple):
        return "; ".join(value)
    return printable(value) if isinstance(value, str) else value
