"""Of an altered recording: lines above the rows that something else in the file contradicts."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING

from recorder.errors import as_written
from recorder.moments import moment
from recorder.recording.annotations import split_line

if TYPE_CHECKING:
    from recorder.model import Recording

__all__ = ["header_places"]

_ID = re.compile(r"(\d{8}T\d{6})Z-[0-9a-f]{4,}")  # as the recorder makes one: when the test began, and four digits


def _lines(data: bytes) -> dict[str, str]:
    """Name of an annotation -> its place."""
    out: dict[str, str] = {}
    offset = 0
    for number, raw in enumerate(data.split(b"\n"), 1):
        if raw.startswith(b"#"):
            found = split_line(raw.decode("utf-8", "replace"))
            if found is not None:
                out.setdefault(found[0], f"line {number}, from byte {offset}")
        offset += len(raw) + 1
    return out


def header_places(data: bytes, recording: Recording) -> Iterator[str]:
    """Places in words: a beginning that is not the id's, a kind of test or a marking that is not the one that the
    stored judgement was made with. Which of the two was changed nobody can tell."""
    header, stored = recording.header, recording.judgement
    lines = _lines(data)
    named = _ID.fullmatch(header.id or "")
    began = moment(header.started)
    if named is not None and "started" in lines and (began is None or f"{began:%Y%m%dT%H%M%S}" != named[1]):
        yield f"{lines['started']}: started is {as_written(header.started)}, and its id is {header.id}"
    if stored is None:
        return
    marked = header.marked.to_json() if header.marked is not None else None
    for name, own in (("test", header.test), ("marked", marked)):
        if name in stored and stored[name] != own:
            place = lines.get(name, "the header")
            yield (f"{place}: {name} is {as_written(own)}, and the stored judgement was made with "
                   f"{as_written(stored[name])}")
