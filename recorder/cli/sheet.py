"""``recorder sheet``: the customer's sheet of one or more recordings."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from recorder.cli import _options
from recorder.cli._common import analysed, json_line, without_ledgers
from recorder.cli._plain import put_data
from recorder.errors import SettingError, printable
from recorder.moments import job_key, moment

if TYPE_CHECKING:
    from recorder.sheet import Entry

__all__ = ["command"]


def _order(test: Entry) -> tuple[bool, float]:
    """By time; a test at an unknown time comes last."""
    when = moment(test.recording.header.started)
    return when is None, 0.0 if when is None else when.timestamp()


def _unsure(out: Path, tests: Sequence[Entry]) -> list[Entry]:
    """The same; where the ledger has tests of one kind and job in another order than their times, they are not known to
    be in order, and that is said."""
    from recorder.recording import other_order

    groups: dict[tuple[str, str], list[Entry]] = {}
    for test in tests:
        header = test.recording.header
        groups.setdefault((job_key(header.job), header.test), []).append(test)
    wrong = {kind for kind, own in groups.items()
             if kind[0] and other_order((t.recording.path, t.recording.header.started) for t in own)}
    for job in sorted({" ".join(groups[kind][0].recording.header.job.split()) for kind in wrong}):
        click.echo(printable(f'{out}: the ledger has the tests of "{job}" in another order than their times: a clock '
                             "was wrong; the sheet does not say which came first"), err=True)
    return [replace(t, order_known=(job_key(t.recording.header.job), t.recording.header.test) not in wrong)
            for t in tests]


def _say_jobs(out: Path, jobs: Sequence[str]) -> None:
    """That a sheet shows more than one job: ``*.csv`` takes another customer's car along."""
    named: dict[str, str] = {}
    for job in filter(job_key, jobs):
        named.setdefault(job_key(job), job)
    if len(named) > 1:
        which = ", ".join(f'"{job}"' for job in named.values())
        click.echo(printable(f"{out}: it shows {len(named)} jobs: {which}; leave out what is not this customer's"),
                   err=True)


@click.command("sheet")
@click.argument("files", nargs=-1, required=True, metavar="FILE...", type=click.Path(path_type=Path))
@click.option("-o", "--out", required=True, type=click.Path(path_type=Path),
              help="Sheet to write: .pdf or .html.")
@click.option("--settings", "settings_file", metavar="FILE", help="Settings file with the shop's name.")
@click.option("--paper", type=click.Choice(["A4", "Letter"], case_sensitive=False), default="A4", show_default=True,
              help="Paper of a PDF.")
@_options.shown_unit
@click.option("--force", is_flag=True, help="Write over an existing sheet.")
@click.option("--json", "as_json", is_flag=True, help="Say what it was made of as one line of JSON.")
def command(files: tuple[Path, ...], out: Path, settings_file: str | None, paper: str,
            unit: str | None, force: bool, as_json: bool) -> None:
    """Make the customer's sheet: what was tested and what was found, in plain words.

    Files are shown in the order in which the tests were made, those at an unknown time last.

    Example: recorder sheet cap.csv system.csv -o sheet.pdf
    """
    kind = out.suffix.lower()
    if kind not in (".pdf", ".html"):
        raise SettingError(f"'{out}' does not say what kind of sheet is wanted",
                           do="end the name with .pdf or .html")
    from recorder import sheet
    from recorder.picture import save
    from recorder.recording import parse, read_bytes
    from recorder.settings import load_settings

    settings = load_settings(settings_file)
    tests = []
    known: dict[bytes, Path] = {}
    for file in without_ledgers(files):
        data = read_bytes(file)
        recording = parse(data, str(file))
        first = known.setdefault(hashlib.sha256(data).digest(), file)
        if first is not file:  # it would look like a test that was made again
            click.echo(printable(f"{file}: passed over, it is the same recording as {first}"), err=True)
            continue
        if recording.intact is False:
            click.echo(printable(f"{file}: ALTERED: it was changed after it was sealed; the sheet says so"), err=True)
        analyser = analysed(recording)
        judgement = analyser.judgement().to_json()
        stored = recording.judgement
        if stored is not None and stored.get("outcome") != judgement["outcome"]:
            click.echo(printable(f"{file}: the outcome stored in the file is '{stored.get('outcome')}'; the sheet says "
                                 f"what its rows give, '{judgement['outcome']}'"), err=True)
        tests.append(sheet.Entry(recording, analyser, judgement))
    tests.sort(key=_order)
    tests = _unsure(out, tests)
    _say_jobs(out, [test.recording.header.job for test in tests])
    shop, line, unit = settings.shop_name, settings.shop_line, unit or settings.unit
    zone = settings.shop_time_zone
    if kind == ".html":
        data = sheet.html_text(tests, shop=shop, line=line, unit=unit, zone=zone).encode()
    else:
        data = sheet.pdf_bytes(tests, shop=shop, line=line, unit=unit, paper=paper, zone=zone,
                               tell=lambda said: click.echo(printable(f"{out}: {said}"), err=True))
    save(out, data, force=force)
    if as_json:
        put_data(json_line({"sheet": str(out), "recordings": [
            {"file": t.recording.path, "outcome": t.judgement["outcome"], "intact": t.recording.intact,
             "sha256": t.recording.sha256}
            for t in tests]}))
    else:
        click.echo(printable(str(out)))
