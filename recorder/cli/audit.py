"""``recorder audit``: every recording below a folder."""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from recorder.cli._common import colour_on
from recorder.cli._tables import fitting, shown_width
from recorder.errors import SettingError, printable
from recorder.moments import utc_text

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
        said.append(row.error.removeprefix(f"{row.file}: ").removeprefix(f"{row.file}, "))
    if row.intact is False:
        said.append("ALTERED since it was sealed: " + "; ".join(row.where[:3]))
    if row.same is False:
        said.append("DIFFERS: " + ", ".join(row.differing[:4]) + (" ..." if len(row.differing) > 4 else ""))
    if row.intact is not False:  # else the places say it
        said += [f"RAW: {text}" for text in row.raw]
    if row.cut and row.intact is not False:
        said.append("cut off or not finished")
    if row.error is None and row.intact is None and not row.cut:
        said.append("neither id nor seal: from another program")
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


def _table(rows: list[AuditRow], folder: str) -> None:
    cells = [tuple(map(printable, (
        _short(row.file, folder), utc_text(row.started) or "", row.job, row.test or "",
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


def _totals(totals: Totals, found: _Ledgers) -> Iterator[str]:
    yield f"{_some(totals.files, 'recording')}: {_counts(dict(totals.outcomes)) or 'none'}"
    yield (f"not as their stored judgement: {totals.differing}; altered: {totals.altered}; not as their raw columns: "
         f"{totals.raw}; cannot be used: {totals.errors}; cut off: {totals.cut}; holds cut short: {totals.short}")
    for adapter, count in sorted(totals.out_of_date.items()):
        yield f"adapter {adapter}: {_some(count, 'recording')} made after its calibration was due"
    for adapter, count in sorted(totals.undated.items()):
        yield f"adapter {adapter}: {_some(count, 'recording')} whose calibration has no date, or whose day is not known"
    for adapter, counts in sorted(totals.adapters.items()):
        yield f"adapter {adapter}: {_counts(dict(counts))}"
    for month, counts in sorted(totals.months.items()):
        yield f"month {month}: {_counts(dict(counts))}"
    for drift in totals.drifts():
        if drift.certain:
            of = "recordings" if drift.what == "zero" else "calibrations"
            yield (f"adapter {drift.adapter}: its {drift.what} DRIFTS by {drift.kpa_per_year:+.2f} ± "
                 f"{drift.factor * drift.standard_uncertainty:.2f} kPa a year "
                 f"(99 %, {drift.points} {of} in {drift.days:.0f} days)")
    for adapter, spans in totals.span_changes().items():
        steps = ", ".join(f"{span:.2f} kPa from {(utc_text(started) or started)[:10]}" for started, span in spans)
        yield f"adapter {adapter}: its calibration changed ({steps})"
    for check in found.checks:
        yield from _ledger(check)
    for place, count in found.without:
        yield f"{place}: {_some(count, 'sealed recording')} and no ledger; where there was one, it was taken away"
    for digest, path, line in found.noted:
        if path is None:
            yield f"the noted hash {digest} is in no ledger below this folder: one was written anew or taken away"
        else:
            yield f"{path}: the noted hash {digest} is that of line {line}"


def _ledger(check: LedgerCheck) -> Iterator[str]:
    if check.unreadable is not None:
        yield f"{check.path}: it cannot be used as the ledger of its folder: {check.unreadable}"
        return
    listed = dict(check.alike)
    for what, names in (
        ("these lines do not follow from the line before", [str(n) for n in check.broken]),
        ("in the ledger and not in the folder", check.missing),
        ("sealed and not in the ledger",
         [f"{name} (has all bytes of {listed[name]})" if name in listed else name for name in check.added]),
        ("not what the ledger says", check.altered),
        ("listed again with another hash, so altered and sealed again",
         [f"{one.file} on line {one.line}" for one in check.again]),
    ):
        if names:
            shown = ", ".join(names[:10]) + (f" and {len(names) - 10} more" if len(names) > 10 else "")
            yield f"{check.path}: {what}: {shown}"
    yield f"{check.path}: {_some(check.lines, 'line')}, last hash {check.last_hash or '-'} (note it elsewhere)"


@dataclass(frozen=True, slots=True)
class _Ledgers:
    """What was held against the recordings. without: folders of sealed recordings that have no ledger, and how
    many. noted: each hash that was asked for, with the ledger and line that have it, or None."""

    checks: tuple[LedgerCheck, ...]
    without: tuple[tuple[str, int], ...]
    noted: tuple[tuple[str, str | None, int | None], ...]

    @property
    def good(self) -> bool:
        """A folder without a ledger is said and is no difference: recordings may be copied without it."""
        return all(check.good for check in self.checks) and all(path is not None for _, path, _ in self.noted)

    def to_json(self) -> dict[str, Any]:
        return {
            "ledgers": [asdict(check) for check in self.checks],
            "without_ledger": [{"folder": place, "sealed": count} for place, count in self.without],
            "noted": [{"hash": digest, "ledger": path, "line": line} for digest, path, line in self.noted],
        }


def _ledgers(
    folder: str, seals: dict[str, dict[str, tuple[str | None, bool | None]]], noted: tuple[str, ...]
) -> _Ledgers:
    from recorder.audit import find_ledgers
    from recorder.recording import verify_ledger

    having = {str(p) for p in find_ledgers(folder)}
    found = (verify_ledger(place, seals.get(place, {}), noted) for place in sorted(having))
    checks = tuple(check for check in found if check is not None)
    sealed = ((place, sum(intact is True for _, intact in own.values())) for place, own in sorted(seals.items()))
    lines = {digest: (check.path, line) for check in checks for digest, line in check.noted}
    return _Ledgers(
        checks, tuple((place, count) for place, count in sealed if count and place not in having),
        tuple((digest, *lines.get(digest, (None, None))) for digest in noted),
    )


def _hashes(ctx: click.Context, param: click.Parameter, given: tuple[str, ...]) -> tuple[str, ...]:
    """A click callback: refuses what is no SHA-256."""
    for text in given:
        if not re.fullmatch("[0-9a-fA-F]{64}", text.strip()):
            raise click.BadParameter("a hash has 64 digits of 0-9 and a-f, as the audit printed it.")
    return tuple(dict.fromkeys(text.strip().lower() for text in given))


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
    from recorder.audit.cache import Cache, default_cache
    from recorder.recording.spreadsheet import sheet_line

    if as_json and as_csv:
        raise click.UsageError("Give --json or --csv, not both.")
    paths = list(find_recordings(folder))
    place = None if no_cache else Path(cache) if cache else default_cache()
    if place is not None:
        try:
            Cache(place).close()
        except SettingError as err:
            if cache:
                raise
            click.echo(str(err), err=True)
            place = None
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
    ledgers = _ledgers(folder, seals, noted)
    if as_json:
        click.echo(json.dumps({"totals": totals.to_json(), **ledgers.to_json()}))
    else:
        if not as_csv:
            _table(shown, folder)
            if len(shown) < len(paths):
                _say(f"listed are {len(shown)} recordings of which there is something to say; --csv or --json list all")
        for line in _totals(totals, ledgers):
            click.echo(printable(line), err=as_csv)
    return 0 if good and ledgers.good else 1


def _cell(value: Any) -> Any:
    if isinstance(value, tuple):
        return "; ".join(value)
    return printable(value) if isinstance(value, str) else value
