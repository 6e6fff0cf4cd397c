"""From a recording to a picture file."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from recorder.errors import FileError, SettingError, StorageError
from recorder.picture.page import PLAIN_WIDTH, WIDTH, answer, page, plain_page
from recorder.picture.panel import Plot
from recorder.picture.svg import svg_text
from recorder.recording.whole import write_whole
from recorder.report import test_name

if TYPE_CHECKING:
    from recorder.analysis import Analyser
    from recorder.model import Recording

__all__ = ["KINDS", "draw", "picture_svg", "plain_svg", "save"]

KINDS = (".svg", ".png", ".pdf")

Pair = tuple["Recording", "Analyser"]


def _plot(recording: Recording, analyser: Analyser, unit: str) -> Plot:
    return Plot(recording, analyser, analyser.judgement().to_json(), unit)


def picture_svg(recording: Recording, analyser: Analyser, *, before: Pair | None = None,
                unit: str = "kPa", note: str = "") -> str:
    """The annotated trace as SVG text; with ``before``, both tests below each other on one scale. note: stands at its
    end."""
    plots = [("After" if before else "", _plot(recording, analyser, unit))]
    if before is not None:
        plots.insert(0, ("Before", _plot(*before, unit)))
    shapes, height = page(plots, note)
    title = f"{test_name(recording.header.test)}: {answer(plots[-1][1])}, {Path(recording.path).name}"
    return svg_text(shapes, WIDTH, height, title=title)


def plain_svg(
    recording: Recording, analyser: Analyser, *, unit: str = "kPa", phase_names: Mapping[str, str] | None = None
) -> str:
    """The trace alone, as the customer sheet shows it. phase_names: other words for the phases."""
    plot = replace(_plot(recording, analyser, unit), phase_names=phase_names or {})
    shapes, height = plain_page(plot)
    return svg_text(shapes, PLAIN_WIDTH, height, title=f"pressure of the {test_name(recording.header.test)}")


def save(out: Path, data: bytes, *, force: bool) -> None:
    """Writes a new file; an existing one only when ``force``. Raises FileError, StorageError."""
    try:
        write_whole(out, data, force=force)
    except FileExistsError:
        raise FileError("it is there already and is left as it is", path=str(out),
                        do="give another name with -o, or --force") from None
    except OSError as err:
        raise StorageError(f"cannot be written ({err.strerror or err})", where=str(out),
                           do="choose another place with -o") from None


def draw(recording: Recording, analyser: Analyser, out: str | Path, *, before: Pair | None = None,
         unit: str = "kPa", force: bool = False, tell: Callable[[str], None] | None = None) -> Path:
    """Draws into ``out``; its ending (.svg, .png, .pdf) says how. tell: is told, in words, which letters no font of
    this computer has; in an SVG file they stand as they are. Raises RecorderError."""
    path = Path(out)
    kind = path.suffix.lower()
    if kind not in KINDS:
        raise SettingError(f"'{out}' does not say what kind of picture is wanted",
                           do="end the name with .svg, .png or .pdf")
    if os.access(path, os.F_OK) and not force:  # before any work; save() decides
        save(path, b"", force=False)
    if kind == ".svg":
        data = picture_svg(recording, analyser, before=before, unit=unit).encode()
    else:
        from recorder.picture import letters, paint

        svg = letters.drawable(lambda note: picture_svg(recording, analyser, before=before, unit=unit, note=note), tell)
        data = paint.png_bytes(svg) if kind == ".png" else paint.pdf_bytes(svg, title=path.stem)
    save(path, data, force=force)
    return path
