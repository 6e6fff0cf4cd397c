"""``recorder picture``: the annotated trace of a recording."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from recorder.cli import _options
from recorder.cli._common import analysed, json_line, without_ledgers
from recorder.cli._plain import put_data
from recorder.errors import FileError, printable
from recorder.moments import job_key, moment

if TYPE_CHECKING:
    from recorder.model import Recording

__all__ = ["command"]

_SAME_CAP_KPA = 5.0  # one marking, read in two units of the same stamp; common practice, no source


@click.command("picture")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--before", type=click.Path(path_type=Path),
              help="An earlier recording to show above this one.")
@click.option("-o", "--out", type=click.Path(path_type=Path),
              help="Picture to write: .svg, .png or .pdf. Default: beside the recording, .svg.")
@_options.shown_unit
@click.option("--force", is_flag=True, help="Write over an existing picture.")
@click.option("--json", "as_json", is_flag=True, help="Say what was drawn as one line of JSON.")
def command(file: Path, before: Path | None, out: Path | None, unit: str | None, force: bool,
            as_json: bool) -> None:
    """Draw the annotated trace of one recording, or of two: before and after.

    Example: recorder picture 20260314T101500Z-cap-4c1e.csv -o cap.pdf
    """
    without_ledgers([file])
    from recorder.picture import draw
    from recorder.recording import read

    if unit is None:
        from recorder.settings import load_settings

        unit = load_settings().unit
    recordings = [read(path) for path in ([before] if before else []) + [file]]
    if before:
        _check_pair(*recordings)
        for said in (*_order(*recordings), *_two_cars(*recordings)):
            click.echo(printable(said), err=True)
    for found in recordings:
        if found.intact is False:
            click.echo(printable(f"{found.path}: ALTERED: it was changed after it was sealed; the picture says so"),
                       err=True)
    shown = [(found, analysed(found)) for found in recordings]
    place = out or file.with_suffix(".svg")
    path = draw(*shown[-1], place, before=shown[0] if before else None,
                unit=unit, force=force, tell=lambda said: click.echo(printable(f"{place}: {said}"), err=True))
    if as_json:
        put_data(json_line({"picture": str(path), "recordings": [
            {"file": found.path, "outcome": analyser.judgement().outcome, "intact": found.intact,
             "sha256": found.sha256}
            for found, analyser in shown]}))
    else:
        click.echo(printable(str(path)))


def _two_cars(before: Recording, after: Recording) -> Iterator[str]:
    """Why a before and an after may not be of one vehicle: nobody but the shop knows, so they are drawn."""
    jobs = before.header.job, after.header.job
    if job_key(jobs[0]) != job_key(jobs[1]):
        one, other = (f'"{" ".join(job.split())}"' if job.strip() else "no job" for job in jobs)
        yield f"{before.path}: it is of {one}, and {after.path} of {other}: is that one vehicle?"
    marked = before.header.marked, after.header.marked
    if marked[0] is not None and marked[1] is not None and abs(marked[0].kpa - marked[1].kpa) > _SAME_CAP_KPA:
        one, other = (f"{mark.value:g} {mark.unit}" for mark in marked if mark is not None)
        yield f"{before.path}: its cap was marked {one}, and that of {after.path} {other}: is that one vehicle?"


def _order(before: Recording, after: Recording) -> Iterator[str]:
    """What is wrong with which is the earlier one; FileError where nothing but their times tells, and it is the later
    one."""
    from recorder.recording import other_order

    began, later = moment(before.header.started), moment(after.header.started)
    if other_order((one.path, one.header.started) for one in (before, after)):
        yield (f"{before.path}: the ledger has it and {after.path} in another order than their times: a clock was "
               "wrong; which was the earlier one?")
    elif began is not None and later is not None and began > later:
        raise FileError(f"it began later than {after.path}", path=before.path, do="name the earlier one with --before")


def _check_pair(before: Recording, after: Recording) -> None:
    """Refuses a pair that shows no before and after. FileError."""
    same_id = before.header.id is not None and before.header.id == after.header.id
    if same_id or Path(before.path).read_bytes() == Path(after.path).read_bytes():
        raise FileError("this is the same recording twice", path=before.path,
                        do="name with --before the test that was made before")
    if before.header.test != after.header.test:
        raise FileError(f"this is a {before.header.test} test, and {after.path} a {after.header.test} test",
                        path=before.path, do="name with --before an earlier test of the same kind")
