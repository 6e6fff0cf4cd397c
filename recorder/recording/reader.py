"""A file to a Recording: strict, or salvaging what a cut-off file still holds."""

from __future__ import annotations

import errno
import hashlib
import os
import stat
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from recorder.errors import FileError
from recorder.model import FaultRun, Mark, Recording, Rows
from recorder.recording import procedure
from recorder.recording.annotations import ended, header_from, load_json, shown, split_line
from recorder.recording.resaved import legible, resaved_error
from recorder.recording.rows import BadRow, parse_rows, pressure_unit
from recorder.recording.seal import is_seal, seal_line

__all__ = ["LARGEST_BYTES", "parse", "read", "read_bytes"]

LARGEST_BYTES = 256 << 20  # over 20 hours at 50 samples a second
_LONGEST_LINE = 1 << 20
_GROWN = 1 << 16  # bytes that a running recording may have got while it is opened
_EMPTY = np.empty(0)
_UNKNOWN = "nothing shows whether the file was changed"
_CHANGED = "the recording was changed; restore it from a copy"


def read_bytes(path: str | os.PathLike[str]) -> bytes:
    """The bytes of a regular file of bearable size. FileError for anything else."""
    shown = os.fspath(path)
    try:
        # Non-blocking, so that a pipe without a writer cannot hold the program.
        fd = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    except OSError as err:
        if err.errno in (errno.ENOENT, errno.ENOTDIR):
            raise FileError("there is no such file", path=shown, do="check the name") from None
        if os.name == "nt" and Path(path).is_dir():  # no folder can be opened there
            raise FileError("this is a folder", path=shown, do="name a recording in it") from None
        raise FileError(f"it cannot be opened ({err.strerror})", path=shown,
                        do="check its rights" if isinstance(err, PermissionError) else "check the disk") from None
    except ValueError:
        raise FileError("this is not a file name", path=shown, do="check the name") from None
    info = os.fstat(fd)
    if stat.S_ISDIR(info.st_mode):
        os.close(fd)
        raise FileError("this is a folder", path=shown, do="name a recording in it")
    with os.fdopen(fd, "rb") as file:
        if not stat.S_ISREG(info.st_mode):
            raise FileError("this is a device or pipe, not a file", path=shown, do="name a recording")
        if info.st_size > LARGEST_BYTES:
            raise FileError(
                f"the file has {info.st_size} bytes, and a recording at most {LARGEST_BYTES}",
                path=shown, do="check that it is a recording",
            )
        try:
            data = file.read(info.st_size + _GROWN)
            if len(data) > info.st_size:  # it grows, or has no size of its own
                data += file.read(LARGEST_BYTES - len(data)) if len(data) < LARGEST_BYTES else b""
            return data[:LARGEST_BYTES]
        except OSError as err:
            raise FileError(f"it cannot be read ({err.strerror})", path=shown) from None


def read(path: str | os.PathLike[str], *, strict: bool = False, rows: bool = True) -> Recording:
    """The recording in a file. FileError where it cannot be used; with ``strict`` also where it was
    cut off or altered, or something had to be left out. ``rows=False`` leaves the rows unread and unchecked: facts and
    seal only."""
    return parse(read_bytes(path), os.fspath(path), strict=strict, rows=rows)


@dataclass
class _Scan:
    """What one pass over the lines finds."""

    data: bytes  # whole lines only: it ends with LF, or is empty
    path: str
    annotations: list[tuple[str, str, int]] = field(default_factory=list)  # name, value text, line
    marks: list[tuple[str, int]] = field(default_factory=list)  # value text, offset
    faults: list[tuple[str, int]] = field(default_factory=list)  # value text, offset
    judgement: tuple[str, int, int] | None = None  # value text, offset, offset of the line's end
    seal: int | None = None  # offset
    columns: list[str] | None = None
    columns_line: int = 0
    segments: list[tuple[int, int]] = field(default_factory=list)  # of rows: from, to
    _counted: tuple[int, int] = 0, 1  # an offset and its line

    def line(self, offset: int) -> int:
        """The file's line at an offset; costs what lies between it and the one asked for before."""
        at, line = self._counted if self._counted[0] <= offset else (0, 1)
        self._counted = offset, line + self.data.count(b"\n", at, offset)
        return self._counted[1]

    def text(self, start: int, end: int) -> str:
        """One line, without its end."""
        if end - start > _LONGEST_LINE:
            raise FileError(f"a line of {end - start} bytes", path=self.path, line=self.line(start),
                            do="check that it is a recording", by_hand=True)
        return self.utf8(start, end).rstrip("\r")

    def utf8(self, start: int, end: int) -> str:
        try:
            return self.data[start:end].decode("utf-8")
        except UnicodeDecodeError as err:
            raise FileError("this is not UTF-8 text", path=self.path, line=self.line(start + err.start),
                            do="check that it is a recording, saved as UTF-8", by_hand=True) from None

    def annotation(self, start: int, end: int) -> None:
        """Take in the line that begins with ``#``."""
        found = split_line(self.text(start, end))
        if found is None:
            return
        name, value = found
        if name == "mark":
            self.marks.append((value, start))
        elif name == "adapter-fault":
            self.faults.append((value, start))
        elif name == "judgement":
            self.judgement = (value, start, end + 1)
        elif name == "sha256":
            self.seal = start if self.seal is None else self.seal
        else:
            self.annotations.append((name, value, self.line(start)))


def _scan(data: bytes, path: str) -> _Scan:
    scan = _Scan(data, path)
    ascii_only = data.isascii()
    pos = 3 if data.startswith(b"\xef\xbb\xbf") else 0
    while pos < len(data):
        if data.startswith(b"#", pos):
            end = data.index(b"\n", pos)
            scan.annotation(pos, end)
            pos = end + 1
        elif scan.columns is None:
            end = data.index(b"\n", pos)
            text = scan.text(pos, end)
            if text.strip():
                scan.columns = [c.strip().strip('"') for c in text.split(",")]
                scan.columns_line = scan.line(pos)
            pos = end + 1
        else:
            end = data.find(b"#", pos)  # one byte is found much faster than two
            if end > 0 and data[end - 1] != 10:
                end = data.find(b"\n#", end) + 1
            end = end if end > 0 else len(data)
            scan.segments.append((pos, end))
            if not ascii_only:
                scan.utf8(pos, end)
            pos = end
    return scan


def _row_line(data: bytes, scan: _Scan, index: int) -> int:
    """The file's line of the data row with this index."""
    seen = -1
    for line, raw in enumerate(data.split(b"\n"), 1):
        if line > scan.columns_line and raw.strip() and not raw.startswith(b"#"):
            seen += 1
            if seen == index:
                return line
    return 0


def _rows(data: bytes, scan: _Scan, path: str) -> tuple[Rows, str]:
    """The rows, and the unit that their pressures are written in."""
    if scan.columns is None:
        return Rows(_EMPTY, _EMPTY), "kPa"
    unit = pressure_unit(scan.columns, path, scan.columns_line)
    try:
        if len(scan.segments) == 1 and data.find(b"\r", *scan.segments[0]) < 0:
            return parse_rows(data, scan.columns, unit, *scan.segments[0]), unit
        body = b"".join([data[start:end] for start, end in scan.segments])
        return parse_rows(body.replace(b"\r\n", b"\n"), scan.columns, unit), unit
    except BadRow as bad:
        line = _row_line(data, scan, bad.index)
        ours = scan.seal is not None or any(name == "id" for name, _, _ in scan.annotations)
        do = bad.do or (_CHANGED if ours else "write one plain number in a cell: a decimal point, and no blanks in it")
        raise FileError(bad.what, path=path, line=line, do=do) from None


def _object(scan: _Scan, text: str, what: str, offset: int) -> dict[str, Any]:
    try:
        value = load_json(text)
    except ValueError as err:
        raise FileError(f"the {what} is not JSON ({str(err)[:80]})", path=scan.path, line=scan.line(offset),
                        do="the file was changed; restore it from a copy") from None
    if not isinstance(value, dict):
        raise FileError(f"the {what} is not a JSON object", path=scan.path, line=scan.line(offset),
                        do="the file was changed; restore it from a copy")
    return value


def _marks(scan: _Scan) -> tuple[tuple[Mark, ...], list[str]]:
    """The marks, and what was left out, in words: nothing of a judgement hangs on them."""
    out, left_out = [], []
    for text, offset in scan.marks:
        try:
            given = load_json(text)
            time_s, words = given["time_s"], given.get("text", "")
            if isinstance(time_s, bool) or not isinstance(time_s, int | float) or not isinstance(words, str):
                raise TypeError
            out.append(Mark(float(time_s), words))
        except (ValueError, TypeError, LookupError, AttributeError, OverflowError):
            left_out.append(f"line {scan.line(offset)}: a mark has a number 'time_s' and a text 'text': "
                            f"{shown(text)} was left out")
    return tuple(out), left_out


def _faults(scan: _Scan, path: str) -> tuple[FaultRun, ...]:
    out = []
    for text, offset in scan.faults:
        given = _object(scan, text, "adapter-fault", offset)
        word, lines = given.get("word"), given.get("lines")
        times = [given.get("time_s"), given.get("until_s")]
        numbers = [t for t in times if isinstance(t, int | float) and not isinstance(t, bool) and abs(t) <= 1e9]
        if not isinstance(word, str) or len(numbers) != 2 - times[1:].count(None):
            raise FileError("an adapter-fault has numbers 'time_s' and 'until_s' and a text 'word'", path=path,
                            line=scan.line(offset))
        until = float(numbers[1]) if len(numbers) == 2 else None
        out.append(FaultRun(float(numbers[0]), word, until, lines if isinstance(lines, int) else None))
    return tuple(out)


def _seal(data: bytes, scan: _Scan, *, own: bool) -> tuple[bool | None, str | None, list[str]]:
    """intact, the hash that the bytes have, notes. own: a recorder gave it an id, and seals what it finishes.

    Without its line nothing was sealed, and so nothing altered since; a cut leaves a proper beginning of it.
    """
    if scan.seal is not None:
        start = scan.seal
    elif not own:
        return None, None, ["it has neither id nor seal, as a file from another program"]
    elif scan.judgement is not None:
        start = scan.judgement[2]
    else:
        return None, None, ["it was never sealed: the recording was cut off or is still running"]
    digest = hashlib.sha256(memoryview(data)[:start]).hexdigest()
    tail = data[start:]
    if is_seal(tail, digest):
        return True, digest, [] if scan.judgement is not None else ["it was sealed without a judgement"]
    if scan.judgement is not None and seal_line(digest).startswith(tail):
        return None, None, ["the seal is missing: only the beginning of its line is there" if tail else
                            f"the seal is missing: it was cut off or taken off, and {_UNKNOWN}"]
    if scan.seal is None:
        return None, None, [f"the seal is missing: something else stands behind the judgement, and {_UNKNOWN}"]
    if b"\r\n" in data:
        return False, digest, ["it was altered since it was sealed (its line ends were changed, at least)"]
    return False, digest, ["it was altered since it was sealed"]


def parse(data: bytes, path: str = "", *, strict: bool = False, rows: bool = True) -> Recording:
    """The recording in these bytes. Pure. FileError as ``read``."""
    try:
        return _parsed(data, path, strict, rows)
    except FileError as err:
        resaved = resaved_error(data, path)
        if resaved is None:
            if not (legible(data).finished and err.by_hand):
                raise
            resaved = FileError(err.what, path=err.path, line=err.line, do=_CHANGED)  # and no editor mends it
    raise resaved


def _parsed(data: bytes, path: str, strict: bool, rows: bool) -> Recording:
    if not data:
        raise FileError("the file is empty", path=path, do="there is nothing to judge")
    if not data.strip(b"\0"):
        raise FileError("the file holds nothing but zero bytes, as a power cut leaves it", path=path,
                        do="restore it from a copy")
    notes = []
    if not strict and (with_end := ended(data)) is not data:
        data = with_end
        last = data.count(b"\n")
        notes.append(f"line {last} has no line end; nothing else of it is missing, and it was taken")
    whole = data.rfind(b"\n") + 1
    if whole == 0 and data.count(b"\r") > 1:
        raise FileError("its lines end with CR alone", path=path, do="save it with line ends of LF")
    lines = data if whole == len(data) else data[:whole]
    if whole != len(data):
        line = data.count(b"\n") + 1
        if strict:
            raise FileError("the last line has no end: the file was cut off", path=path, line=line,
                            do="read it without 'strict' to use the rows before it")
        if len(data) - whole > _LONGEST_LINE:
            raise FileError(f"a line of {len(data) - whole} bytes", path=path, line=line,
                            do="check that it is a recording", by_hand=True)
        notes.append(f"line {line} was cut off and left out")
    scan = _scan(lines, path)
    if "time_s" not in (scan.columns or ()) and not any(name == "test" for name, _, _ in scan.annotations):
        raise FileError("this is not a recording: it has neither a line '# test: ...' nor a column time_s", path=path,
                        do="name a recording; one that was sent by mail or packed has to be as it was written")
    header, left_out = header_from(scan.annotations, path)
    marks, marks_left_out = _marks(scan)
    left_out += marks_left_out
    if strict and left_out:
        raise FileError(left_out[0], path=path, do="read it without 'strict' to use what is left")
    notes += left_out
    procedure_line = next((line for name, _, line in scan.annotations if name == "procedure"), 0)
    notes += procedure.told(header.procedure, procedure_line)
    if scan.columns is None:
        notes.append("it was cut off before the first row")
    table, unit = _rows(lines, scan, path) if rows else (Rows(_EMPTY, _EMPTY), "kPa")
    judgement = None
    if scan.judgement is not None:
        judgement = _object(scan, scan.judgement[0], "judgement", scan.judgement[1])
    intact, digest, said = _seal(data, scan, own=header.id is not None)
    if strict and (intact is False or (intact is None and header.id is not None)):
        raise FileError(said[0], path=path, do="read it without 'strict' to use it all the same")
    return Recording(
        path, header, table, marks, judgement, intact, digest, tuple(notes + said),
        _faults(scan, path), unit, procedure_line,
    )
