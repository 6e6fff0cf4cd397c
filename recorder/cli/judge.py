"""``recorder judge``: judges recordings again from their traces."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from typing import Any

import click

from recorder import report
from recorder.cli import _options
from recorder.cli._common import (
    dump,
    json_line,
    of_one_file,
    print_judgement,
    without_ledgers,
)
from recorder.cli._plain import put_data
from recorder.errors import RecorderError, printable

__all__ = ["command"]


@click.command("judge")
@click.argument("files", nargs=-1, required=True, metavar="FILE...")
@click.option("--json", "as_json", is_flag=True, help="One judgement a line, as JSON.")
@_options.shown_unit
@click.option("--jobs", type=click.IntRange(min=1), help="Worker processes for many files (default: one a core).")
@click.pass_context
def command(ctx: click.Context, files: tuple[str, ...], as_json: bool, unit: str | None, jobs: int | None) -> None:
    """Judge recordings again from their traces.

    With --json each line also has file, intact (false: altered since it was sealed; null: no seal) and simulated.

    Example: recorder judge recordings/*.csv
    """
    if unit is None:
        from recorder.settings import load_settings

        unit = "kPa" if as_json else load_settings().unit
    failed = False
    names = without_ledgers(files)
    for number, (name, judged) in enumerate(zip(names, _all(names, jobs), strict=True)):
        if isinstance(judged, str):
            failed = True
            if as_json:
                put_data(json_line({"file": name, "error": judged}))
            click.echo(judged, err=True)
            continue
        judgement, remarks, found, intact, simulated = judged
        if as_json:
            put_data(dump(judgement, file=name, intact=intact, simulated=simulated))
            for remark in remarks:  # the judgement says what the rows give; what is wrong with the file is said beside
                click.echo(printable(f"{name}: {remark}"), err=True)
            continue
        if number:
            click.echo()
        click.echo(printable(name))
        altered = next((printable(remark) for remark in remarks if remark.startswith(_ALTERED)), "")
        print_judgement(judgement, unit, found, simulated=simulated, altered=altered)
        for remark in remarks:
            if remark == altered:
                continue  # it stands beside the outcome
            click.echo(f"  {printable(remark)}")
    ctx.exit(2 if failed else 0)


_Judged = tuple[dict[str, Any], list[str], list[str], bool | None, bool] | str
"""A judgement, what has to be said about its file, what was found, whether it is intact (None: no seal), and whether
it is simulated; or the error, in one line."""
_ALTERED = "ALTERED: "


def _all(names: list[str], jobs: int | None) -> Iterator[_Judged]:
    """Each file judged, in order; many of them in worker processes."""
    if len(names) == 1:
        return map(_judged, names)
    from recorder.workers import WORTH_WORKERS, cores, spread

    jobs = jobs or cores()
    if jobs == 1 or len(names) <= WORTH_WORKERS:
        return map(_judged, names)
    return spread(_chunk, iter(names), jobs=jobs, load=("recorder.analysis", "recorder.recording"))


def _chunk(names: Sequence[str]) -> list[_Judged]:
    return [_judged(name) for name in names]


def _judged(name: str) -> _Judged:
    """The fault of one file, whatever it is, is no reason to leave the others unjudged."""
    try:
        return _judged_again(name)
    except Exception as err:
        return of_one_file(err, name, "judged")


def _judged_again(name: str) -> _Judged:
    from recorder.analysis import judge
    from recorder.recording import differing_keys, of_file, program_of, read

    try:
        recording = read(name)
    except RecorderError as err:
        return str(err)
    try:
        judgement = judge(recording).to_json()
    except RecorderError as err:
        return str(of_file(err, recording))
    remarks = [f"{_ALTERED}{note}" if recording.intact is False and note.startswith("it was altered") else note
               for note in recording.notes]
    stored = recording.judgement
    if stored is not None and [*differing_keys(dict(stored), json.loads(dump(judgement)))]:
        program, other = program_of(recording.header.other)
        by = f", by another version: {program}" if other else ""
        outcome = stored.get("outcome")
        also = "same outcome, other digits, " if outcome == judgement["outcome"] else ""  # as the audit says it
        remarks.append(f"the judgement stored in the file differs ({also}stored: {outcome}{by})")
    return judgement, remarks, report.found(recording.marks), recording.intact, recording.header.simulated
