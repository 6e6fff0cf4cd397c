"""``recorder picture``: the annotated trace of a recording."""

from __future__ import annotations

from pathlib import Path

import click

from recorder.cli._common import analysed, checked_unit, json_line, without_ledgers
from recorder.errors import printable

__all__ = ["command"]


@click.command("picture")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--before", type=click.Path(path_type=Path),
              help="An earlier recording to show above this one.")
@click.option("-o", "--out", type=click.Path(path_type=Path),
              help="Picture to write: .svg, .png or .pdf. Default: beside the recording, .svg.")
@click.option("--unit", callback=checked_unit, help="Pressure unit to show.")
@click.option("--force", is_flag=True, help="Write over an existing picture.")
@click.option("--json", "as_json", is_flag=True, help="Say what was drawn as one line of JSON.")
def command(file: Path, before: Path | None, out: Path | None, unit: str | None, force: bool,
            as_json: bool) -> None:
    """Draw the annotated trace of one recording, or of two: before and after.

    Example: recorder picture 20260314T101500Z-cap-4c1e.csv -o cap.pdf
    """
    if not without_ledgers([file]):
        return
    from recorder.picture import draw
    from recorder.recording import read

    if unit is None:
        from recorder.settings import load_settings

        unit = load_settings().unit
    shown = [(found, analysed(found)) for found in map(read, [*([before] if before else []), file])]
    path = draw(*shown[-1], out or file.with_suffix(".svg"), before=shown[0] if before else None,
                unit=unit, force=force)
    if as_json:
        click.echo(json_line({"picture": str(path), "recordings": [
            {"file": found.path, "outcome": analyser.judgement().outcome, "sha256": found.sha256}
            for found, analyser in shown]}))
    else:
        click.echo(printable(str(path)))
