"""``recorder export``: recordings for other programs."""

from __future__ import annotations

from pathlib import Path

import click

from recorder.cli._common import json_line, without_ledgers
from recorder.errors import printable

__all__ = ["command"]

_ENDS = {"parquet": ".parquet", "sheet": ".sheet.txt"}


@click.command()
@click.argument("files", nargs=-1, required=True, type=click.Path())
@click.option("--to", "form", required=True, type=click.Choice(["parquet", "csvw", "sheet"]),
              help="parquet: columns for data programs; csvw: a W3C description beside the file; "
                   "sheet: a CSV text to import into a spreadsheet.")
@click.option("--folder", type=click.Path(), help="Where to write (default: beside each file).")
@click.option("--json", "as_json", is_flag=True, help="Say what was written, one line of JSON a file.")
def command(files: tuple[str, ...], form: str, folder: str | None, as_json: bool) -> int:
    """Write each of FILES in another format. Nothing is overwritten.

    Example: recorder export recordings/*.csv --to parquet
    """
    from recorder.errors import FileError
    from recorder.recording import read
    from recorder.recording.export import write_csvw, write_parquet, write_sheet

    if folder is not None and form == "csvw":
        raise click.UsageError("a csvw description has to stand beside its file; leave --folder out.")
    if folder is not None and not Path(folder).is_dir():
        raise FileError("there is no such folder", path=folder, do="make it first")
    for file in without_ledgers(files):
        if form == "csvw":
            target = write_csvw(file)
        else:
            recording = read(file)
            source = Path(file)
            target = (Path(folder) if folder else source.parent) / (source.stem + _ENDS[form])
            target = (write_parquet if form == "parquet" else write_sheet)(recording, target)
        if as_json:
            click.echo(json_line({"file": file, "export": str(target), "to": form}))
        else:
            click.echo(printable(str(target)))
    return 0
