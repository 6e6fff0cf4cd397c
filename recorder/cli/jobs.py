"""``recorder jobs``: one table of all jobs in a folder."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from recorder.cli._days import since_until
from recorder.cli._plain import put_data
from recorder.cli._tables import shown_width
from recorder.errors import printable
from recorder.moments import utc_text

if TYPE_CHECKING:
    from datetime import date

    from recorder.audit import Job, Jobs

__all__ = ["command"]


@click.command()
@click.argument("folder", type=click.Path())
@click.option("--open", "only_open", is_flag=True, help="Only jobs that are not done.")
@since_until("jobs with a test begun")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a job, then one with what is in none.")
def command(folder: str, only_open: bool, since: date | None, until: date | None, as_json: bool) -> int:
    """Show which jobs in FOLDER are still leaking, were not tested again, or are done.

    Jobs whose texts differ by a slip of the fingers are asked about, and stay two: "blue vna" looks like "blue van".
    A file that cannot be read is said, and the others are told all the same; then exit 2. A job that such a file names
    is one that cannot be told, unless the same test is there whole.

    --open, --since and --until choose which jobs are listed, each with all its tests and the state that these give.

    Example: recorder jobs recordings --open
    """
    from recorder.audit import jobs_table
    from recorder.audit.jobs import within

    found = jobs_table(folder)
    kept = tuple(job for job in found.jobs
                 if not (only_open and job.state == "done") and within(job, since, until))
    names = {job.job for job in kept}
    left_out = len(found.jobs) - len(kept)
    found = replace(found, jobs=kept, look_alikes=tuple(p for p in found.look_alikes if names.intersection(p)),
                    other_order=tuple(job for job in found.other_order if job in names),
                    other_marking=tuple(job for job in found.other_marking if job in names))
    for error in found.unreadable:
        click.echo(error, err=True)
    if found.without_job:
        click.echo(f"recordings without a job, not listed: {found.without_job}", err=True)
    if found.copies:
        click.echo(f"copies of other recordings, not listed: {len(found.copies)}", err=True)
    for file in found.same_tests:
        click.echo(printable(f"{file}: not listed, another file has its id and other bytes: the same test, changed or "
                             "cut in one of them"), err=True)
    if as_json:
        for job in found.jobs:
            put_data(json.dumps(asdict(job)))
        chosen = {"left_out": left_out} if only_open or since or until else {}
        put_data(json.dumps({**chosen, "without_job": found.without_job, "unreadable": found.unreadable,
                             "of_any_job": found.of_any_job, "copies": found.copies,
                             "same_tests": found.same_tests, "look_alikes": found.look_alikes,
                             "other_order": found.other_order, "other_marking": found.other_marking}))
    else:
        _table(found, left_out)
    return 2 if found.unreadable else 0


def _story(job: Job, *, marked: bool) -> str:
    """Each test in turn: what was repaired before it, its outcome, what was seen. marked: its marking, too."""
    lines = []
    for test in job.tests:
        if test.repair:
            lines.append(f"repair: {test.repair}")
        seen = f" ({'; '.join(test.findings)})" if test.findings else ""
        kind = f"{test.test or 'a test that'}{f' ({test.marked})' if marked and test.marked else ''}"
        lines.append(f"{utc_text(test.started) or 'at an unknown time'}  {kind} {test.outcome}"
                     f"{f', {test.over}' if test.over else ''}{', SIMULATED' if test.simulated else ''}{seen}")
    return "\n".join(printable(line) for line in lines)


def _table(found: Jobs, left_out: int) -> None:
    from collections import Counter

    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    width = min(shown_width(), 160)
    files = width >= 110  # else there is no room for them
    table = Table(box=None, pad_edge=False)
    table.add_column("job", overflow="fold", max_width=width // 4)
    table.add_column("state", no_wrap=True)
    table.add_column("tests (times in UTC), repairs and findings", overflow="fold")
    if files:
        table.add_column("last file", no_wrap=True)
    for job in found.jobs:
        story = _story(job, marked=job.job in found.other_marking)
        cells = printable(job.job), job.state, story, printable(Path(job.tests[-1].file).name)
        table.add_row(*(Text(c) for c in cells[: 4 if files else 3]))
    Console(file=sys.stdout, width=width).print(table)
    states = Counter(job.state for job in found.jobs)
    others = f"; {left_out} left out" if left_out else ""
    click.echo("jobs: " + (", ".join(f"{n} {state}" for state, n in states.most_common()) or "none") + others)
    for line in (*_look_alikes(found), *_other_order(found), *_other_marking(found), *_not_read(found)):
        click.echo(line)


def _look_alikes(found: Jobs) -> Iterator[str]:
    """Jobs that may be one: nobody but the shop knows, so they stay two."""
    for one, other in found.look_alikes:
        yield printable(f'"{one}" looks like "{other}": one car, or two?')


def _other_order(found: Jobs) -> Iterator[str]:
    """Which test was the last is then not known."""
    for job in found.other_order:
        yield printable(f'"{job}": the ledger has its tests in another order than their times: a clock was wrong')


def _other_marking(found: Jobs) -> Iterator[str]:
    """A test by a wrong marking passes or fails by the wrong limits: only who reads the cap knows which it is."""
    for job in found.other_marking:
        yield printable(f'"{job}": its marking changed from one test to the next, and nothing was repaired in between: '
                        "which is stamped on the cap?")


def _not_read(found: Jobs) -> Iterator[str]:
    """What is missing in the table above, on standard output too: who looks at no more must not take it for all."""
    named, any_job = len(found.unreadable) - len(found.of_any_job), len(found.of_any_job)
    if named:
        some, they = ("1 recording", "it") if named == 1 else (f"{named} recordings", "they")
        yield f"{some} among the tests above cannot be read: what {they} found is not known"
    if any_job:
        some = "1 file" if any_job == 1 else f"{any_job} files"
        yield f"{some} cannot be read and may belong to any job, also to one that is shown as done"
