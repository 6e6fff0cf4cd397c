"""Of an altered recording: where it is not what was sealed, as far as the file itself can show it.

The seal is one hash of the whole; it cannot say which byte was changed. But the recorder writes every row in one
way only, most columns can be computed from others, and the judgement from the rows: what breaks one of these is
a place.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING

from recorder.errors import RecorderError
from recorder.recording.altered_header import header_places
from recorder.recording.rows import columns_line, rows_text
from recorder.recording.seal import SEAL, seal_of

if TYPE_CHECKING:
    from recorder.errors import FileError
    from recorder.model import Recording
    from recorder.recording.raw import RawDifference

__all__ = ["ONLY_FORM", "altered_where"]

ONLY_FORM = "without this it is what was sealed"
_BOM, _LF, _CR_LF = b"\xef\xbb\xbf", b"\n", b"\r\n"
_EMPTY_LINE = re.compile(rb"^[ \t\r]*\n", re.MULTILINE)


def _row_places(data: bytes) -> tuple[list[tuple[int, int, bytes]], bytes]:
    """(line from 1, offset from 0, text) of every data row; the header row."""
    out: list[tuple[int, int, bytes]] = []
    header, offset = b"", 3 if data.startswith(b"\xef\xbb\xbf") else 0
    for number, raw in enumerate(data[offset:].split(b"\n"), 1):
        if raw.strip() and not raw.startswith(b"#"):
            if header:
                out.append((number, offset, raw))
            else:
                header = raw
        offset += len(raw) + 1
    return out, header.rstrip(b"\r")


def _unlike_the_writer(recording: Recording, places: list[tuple[int, int, bytes]], header: bytes) -> str | None:
    """The first row that the recorder would have written with other characters."""
    unit = header.split(b",")[1].removeprefix(b"pressure_").decode("ascii", "replace") if b"," in header else ""
    try:
        if header.decode("ascii", "replace") != columns_line(unit):
            return None
        lines = rows_text(recording.rows, unit).encode().split(b"\n")
    except RecorderError:
        return None
    unlike = [i for i, (place, own) in enumerate(zip(places, lines, strict=False)) if place[2].rstrip(b"\r") != own]
    if not unlike:
        return None
    line, offset, raw = places[unlike[0]]
    own = lines[unlike[0]]
    first = next((k for k, (a, b) in enumerate(zip(raw, own, strict=False)) if a != b), min(len(raw), len(own)))
    return (f"line {line}, byte {offset + first}: not as the recorder writes a row "
            f"({len(unlike)} of {len(places)} rows)")


def _place(data: bytes, at: int) -> str:
    return f"line {data.count(_LF, 0, at) + 1}, byte {at}"


def _after_the_seal(data: bytes) -> str | None:
    """What was added behind a seal that is still that of the bytes before it."""
    end = data.find(b"\n", data.find(SEAL) + 1) + 1
    if not end or end == len(data) or not seal_of(data[:end])[0]:
        return None
    return f"{_place(data, end)}: added after the seal; all before it is what was sealed"


def _added_bytes(data: bytes) -> tuple[list[str], bytes]:
    """What the recorder never writes and readers pass over, and the bytes without it."""
    out, clean = [], data
    if data.startswith(_BOM):
        out.append("line 1, byte 0: a byte order mark was put in")
        clean = clean[len(_BOM):]
    if _CR_LF in data:
        out.append(f"{_place(data, data.index(_CR_LF))}: line ends were changed (CR LF)")
        clean = clean.replace(_CR_LF, _LF)
    empty = [found.start() for found in _EMPTY_LINE.finditer(data)]
    if empty:
        out.append(f"{_place(data, empty[0])}: an empty line was put in ({len(empty)} in all)")
        clean = _EMPTY_LINE.sub(b"", clean)
    return out, clean


def altered_where(
    data: bytes,
    recording: Recording | None,
    raw: Sequence[RawDifference] = (),
    judgement_differs: bool | None = None,
    unusable: FileError | None = None,
) -> tuple[str, ...]:
    """Places in words, with line (from 1) and byte (from 0). recording: None where it cannot be read, and
    ``unusable`` says why. raw: what ``verify_raw`` found. judgement_differs: the stored judgement is not the one
    that the rows give; None where there are not both."""
    after = _after_the_seal(data)
    if after is not None:
        return (after,)
    out, clean = _added_bytes(data)
    if out and seal_of(clean)[0]:
        return (*out, ONLY_FORM)
    if unusable is not None and unusable.line:
        start = sum(len(line) + 1 for line in data.split(_LF)[: unusable.line - 1])
        out.append(f"line {unusable.line}, from byte {start}: from here it cannot be read")
    if recording is not None:
        places, header = _row_places(data)
        unlike = _unlike_the_writer(recording, places, header)
        if unlike is not None:
            out.append(unlike)
        for one in raw:
            if one.first_row <= len(places):
                line, offset, _ = places[one.first_row - 1]
                out.append(f"line {line}, from byte {offset}: {one}")
        if recording.judgement is None:
            out.append("there is a seal and no judgement before it")
        out += header_places(data, recording)
    if judgement_differs:
        out.append("header, rows or judgement: the stored judgement is not the one that header and rows give")
    if not out:
        with_it = "" if judgement_differs is None else " and with the judgement"
        why = (f"the rows agree with each other{with_it}, so it is in what follows from nothing else (a line of text: "
               "header, job, finding; a host time, supply, temperature or flag; the seal itself; or several columns "
               "and the judgement alike)")
        out.append(f"only a copy can show where: {why if recording is not None else 'it cannot be read'}")
    return tuple(out)
