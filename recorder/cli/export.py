"""``recorder export``: recordings for other programs."""

from __future__ import annotations

import stat
from pathlib import Path

import click

from recorder.cli._common import json_line, of_one_file, without_ledgers
from recorder.cli._plain import put_data
from recorder.errors import FileError, SettingError, printable

__all__ = ["command"]

_ENDS = {"parquet": ".parquet", "sheet": ".sheet.txt"}


@click.command()
@click.argument("files", nargs=-1, required=True, metavar="FILE...", type=click.Path())
@click.option("--to", "form", required=True, type=click.Choice(["parquet", "csvw", "sheet"]),
              help="parquet: columns for data programs; csvw: a W3C description beside the file; "
                   "sheet: a CSV text to import into a spreadsheet.")
@click.option("--folder", type=click.Path(), help="Where to write parquet and sheet (default: beside each file); csvw "
              "stands beside its file always.")
@click.option("--skip-existing", is_flag=True, help="Pass over what was exported before.")
@click.option("--json", "as_json", is_flag=True, help="Say what was written, one line of JSON a file.")
def command(files: tuple[str, ...], form: str, folder: str | None, skip_existing: bool, as_json: bool) -> int:
    """Write each FILE in another format. Nothing is overwritten.

    A file that cannot be exported is said, and the others are written all the same; then exit 2.

    Example: recorder export recordings/*.csv --to parquet
    """
    if folder is not None and form == "csvw":
        raise click.UsageError("a csvw description has to stand beside its file; leave --folder out.")
    try:  # ``is_dir`` tells no reason: from Python 3.14 on it raises nothing
        if folder is not None and not stat.S_ISDIR(Path(folder).stat().st_mode):
            raise FileError("this is no folder", path=folder, do="choose another --folder")
    except FileNotFoundError:
        pass  # it is made for the first export
    except OSError as err:
        raise FileError(f"it cannot be opened ({err.strerror})", path=str(folder),
                        do="choose another --folder") from None
    failed = False
    written: set[Path] = set()
    for file in without_ledgers(files):
        target = _target(file, form, folder)
        # what this run wrote itself is of another file with the same name: no export of this one
        if skip_existing and target not in written and target.exists():
            click.echo(printable(f"{target}: passed over, it is there already"), err=True)
            continue
        try:
            _write(file, target, form)
        except SettingError:
            raise  # the same for every file: a package is missing
        except Exception as err:
            failed, said = True, of_one_file(err, file, "exported")
            if as_json:
                put_data(json_line({"file": file, "error": said}))
            click.echo(said, err=True)
            continue
        written.add(target)
        if as_json:
            put_data(json_line({"file": file, "export": str(target), "to": form}))
        else:
            click.echo(printable(str(target)))
    return 2 if failed else 0


def _target(file: str, form: str, folder: str | None) -> Path:
    source = Path(file)
    if form == "csvw":
        return Path(f"{file}-metadata.json")
    return (Path(folder) if folder else source.parent) / (source.stem + _ENDS[form])


def _write(file: str, target: Path, form: str) -> None:
    from recorder.recording import read
    from recorder.recording.export import write_csvw, write_parquet, write_sheet

    if form == "csvw":
        write_csvw(file)
        return
    recording = read(file)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
    except OSError as err:
        raise FileError(f"the folder cannot be made ({err.strerror})", path=str(target.parent),
                        do="choose another --folder") from None
    if form == "parquet":
        write_parquet(recording, target)
    else:
        write_sheet(recording, target)
    if recording.intact is False:
        click.echo(printable(f"{file}: ALTERED: it was changed after it was sealed; the export says so"), err=True)
