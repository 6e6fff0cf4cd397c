"""What another program put into a recording: columns that are not the format's, and annotation lines as they stand."""

from __future__ import annotations

import csv
from collections.abc import Iterator

from recorder.errors import FileError
from recorder.recording.annotations import ended, split_line
from recorder.recording.rows import RAW_COLUMNS

__all__ = ["annotation_lines", "column_names", "foreign_columns"]

_ELSEWHERE = ("mark", "adapter-fault", "judgement", "sha256")  # exports have places of their own for these
_BOM = b"\xef\xbb\xbf"


def _lines(data: bytes) -> Iterator[str]:
    """Whole lines without their ends; what was cut off at the end is left out, as the reader does."""
    for raw in ended(data).removeprefix(_BOM).split(b"\n")[:-1]:
        yield raw.decode("utf-8", "replace").rstrip("\r")


def annotation_lines(data: bytes) -> bytes:
    """The annotations as they are written, but marks, faults, judgement and seal: also what no version knows."""
    kept = []
    for line in _lines(data):
        if line.startswith("#"):
            found = split_line(line)
            if found is not None and found[0] not in _ELSEWHERE:
                kept.append(f"{line}\n")
    return "".join(kept).encode()


def column_names(data: bytes) -> list[str]:
    """The header row's names as the reader takes them; empty where there is no header row."""
    head = next((line for line in _lines(data) if line.strip() and not line.startswith("#")), "")
    return [name.strip().strip('"') for name in head.split(",")] if head else []


def foreign_columns(data: bytes, rows: int, path: str) -> dict[str, list[str]]:
    """Columns that are not the format's, as text, ``rows`` cells each; empty where there is none. FileError where the
    file has fewer rows than that: it is another one by now. A recording that still runs may have more."""
    names = column_names(data)
    own = {*names[:2], *RAW_COLUMNS}
    wanted = [(i, name) for i, name in enumerate(names) if name not in own]
    if not wanted:
        return {}
    out: dict[str, list[str]] = {name: [] for _, name in wanted}
    body = (line for line in _lines(data) if line.strip() and not line.startswith("#"))
    next(body)
    for line, _ in zip(body, range(rows), strict=False):
        cells = next(csv.reader([line])) if '"' in line else line.split(",")  # as the reader cuts: a CR may be in one
        for i, name in wanted:
            out[name].append(cells[i] if i < len(cells) else "")
    if len(out[wanted[0][1]]) < rows:
        raise FileError("it was changed while it was read", path=path, do="try again")
    return out
