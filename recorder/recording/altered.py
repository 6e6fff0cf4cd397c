"""Of an altered recording: where it is not what was sealed, as far as the file itself can show it.

The seal is one hash of the whole; it cannot say which byte was changed. But the recorder writes every row in one
way only, most columns can be computed from others, and the judgement from the rows: what breaks one of these is
a place.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from recorder.errors import RecorderError
from recorder.recording.rows import columns_line, rows_text

if TYPE_CHECKING:
    from recorder.model import Recording
    from recorder.recording.raw import RawDifference

__all__ = ["altered_where"]


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


def altered_where(
    data: bytes, recording: Recording, raw: Sequence[RawDifference], judgement_differs: bool
) -> tuple[str, ...]:
    """Places in words, with line (from 1) and byte (from 0). raw: what ``verify_raw`` found.
    judgement_differs: the stored judgement is not the one that the rows give."""
    out = []
    places, header = _row_places(data)
    if b"\r\n" in data:
        at = data.index(b"\r\n")
        line = data.count(b"\n", 0, at) + 1
        out.append(f"line {line}, byte {at}: line ends were changed (CR LF)")
    unlike = _unlike_the_writer(recording, places, header)
    if unlike is not None:
        out.append(unlike)
    for one in raw:
        if one.first_row <= len(places):
            line, offset, _ = places[one.first_row - 1]
            out.append(f"line {line}, from byte {offset}: {one}")
    if judgement_differs:
        out.append("rows or judgement: the stored judgement is not the one that the rows give")
    if not out:
        out.append("the rows agree with each other and with the judgement: a text was changed (job, finding, "
                   "header), or several columns and the judgement alike; only a copy can show where")
    return tuple(out)
