"""A recording that a spreadsheet or an editor saved again: what its lines have become, and what of it is legible.

Nothing of it is judged: cells may have been rounded, and texts split where nobody can tell how. Only both ends of a
file are looked at, so that time and memory do not grow with it.
"""

from __future__ import annotations

import codecs
import csv
import re
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any

from recorder.errors import FileError
from recorder.model import TEST_KINDS
from recorder.recording.annotations import load_json, split_line

__all__ = ["WINDOW", "Legible", "legible", "resaved_error"]

WINDOW = 1 << 18  # bytes that are looked at, of each end; even, so that UTF-16 stays in step
_MOST_LINES = 1 << 12  # that many annotations no recording has
_LONGEST_LINE = 1 << 17  # of an annotation; the longest cell that csv takes
_NAMED = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars"}
_HEADER = re.compile(r'^(?P<before>"?\w*"?[,;\t|])?\s*"?time_s"?\s*(?P<mark>[,;\t|])\s*"?pressure_\S')
_TABLE = re.compile(r"\bseq\b.*\bdevice_us\b.*\bhost_s\b.*\bcounts\b")  # so far only a recorder's table has these
_ANNOTATION = re.compile(r'^(?P<index>"?\d*"?[,;\t|])?(?P<quote>[\s"\']*)#')
_SHA256 = re.compile(r"[0-9a-fA-F]{64}")
_OWN = ("recording-format", "id", "judgement", "sha256")  # of these a file from another program has none
_DO = "restore the original from a copy"


@dataclass(frozen=True, slots=True)
class Legible:
    """What the annotations say, in whatever way the file was saved.

    names: of all annotations that are there. values: JSON of those that can be read in one way only. places: what was
    done to the lines, in words, with line (from 1) and byte (from 0); empty where nothing was. line: of the first.
    table_only: a recorder's table without any annotation.
    """

    names: frozenset[str] = frozenset()
    values: Mapping[str, Any] = field(default_factory=dict)
    places: tuple[str, ...] = ()
    words: tuple[str, ...] = ()
    line: int = 0
    table_only: bool = False

    @property
    def own(self) -> bool:
        """Whether a recorder made it."""
        return self.table_only or any(name in self.names for name in _OWN)

    @property
    def resaved(self) -> bool:
        """Whether it is a recording, and its lines are not as they were written."""
        return bool(self.words) and (self.table_only or self._sealed or "recording-format" in self.values
                                     or self.values.get("test") in TEST_KINDS)

    @property
    def _sealed(self) -> bool:
        return _SHA256.fullmatch(str(self.values.get("sha256"))) is not None

    @property
    def finished(self) -> bool:
        """Whether it has a seal or a judgement, and so was whole once."""
        return "sha256" in self.names or "judgement" in self.names

    def text(self, name: str) -> str | None:
        """A value that is a text, without what an encoding has made of it; None where it cannot be told."""
        value = self.values.get(name)
        if not isinstance(value, str) or "\ufffd" in value:
            return None
        for taken_for in () if value.isascii() else ("cp1252", "latin-1"):
            with suppress(UnicodeError):  # letters of two bytes that were taken for two letters
                value.encode(taken_for).decode("utf-8")
                return None
        return value


class _Forms:
    """What was done to lines; of each thing the first place."""

    def __init__(self) -> None:
        self.first: dict[str, tuple[int, int]] = {}

    def add(self, words: str, line: int, byte: int) -> None:
        self.first.setdefault(words, (line, byte))


def _encoding(data: bytes) -> str:
    for mark, name in ((codecs.BOM_UTF32_LE, "utf-32-le"), (codecs.BOM_UTF32_BE, "utf-32-be"),
                       (codecs.BOM_UTF16_LE, "utf-16-le"), (codecs.BOM_UTF16_BE, "utf-16-be")):
        if data.startswith(mark):
            return name
    begin = data[:64]
    if len(begin) > 3 and not any(begin[1::2]) and all(begin[0::2]):
        return "utf-16-le"
    if len(begin) > 3 and not any(begin[0::2]) and all(begin[1::2]):
        return "utf-16-be"
    return "utf-8"


def _lines(data: bytes, encoding: str, end: bytes, *, last: bool = False) -> Iterator[tuple[int, int, str]]:
    """Number from 1, offset and text of the first lines, or of the last ones, whose numbers and offsets say nothing;
    byte order mark and line end left out."""
    offset = 0
    for number, raw in enumerate(_split(data, encoding, end, last), 1):
        text = raw.decode(encoding, "replace").removeprefix("\ufeff").rstrip("\r\n")
        yield number, offset, text
        offset += len(raw) + (len(end) if encoding == "utf-8" else 0)


def _split(data: bytes, encoding: str, end: bytes, last: bool) -> list[bytes]:
    if encoding == "utf-8":
        return data.rsplit(end, _MOST_LINES)[-_MOST_LINES:] if last else data.split(end, _MOST_LINES)[:_MOST_LINES]
    texts = data.decode(encoding, "replace").splitlines(keepends=True)
    return [text.encode(encoding, "replace") for text in (texts[-_MOST_LINES:] if last else texts[:_MOST_LINES])]


def _cells(text: str, mark: str) -> list[str]:
    try:
        return next(csv.reader([text], delimiter=mark), [])
    except csv.Error:
        return []


def _value(text: str, mark: str) -> tuple[str, Any] | None:
    """Name and JSON of an annotation's line; the name with None where the value cannot be read, or in more ways than
    one: a comma and what stands between the cells cannot be told apart any more."""
    bare = text.rstrip(mark + " ")
    cells = _cells(text, mark)
    while cells and not cells[-1].strip():
        cells.pop()
    if len(cells) > 1 and not cells[0].lstrip().startswith("#"):
        cells = cells[1:]  # a column of numbers before it
    ways = [bare] if bare.startswith("#") else []
    found = _read_as(ways)
    if found is None or found[1] is None:
        ways = sorted({",".join(cells).strip(), mark.join(cells).strip(), bare.strip('"').replace('\\"', '"')})
        found = _read_as(ways) or found
    return found


def _read_as(ways: list[str]) -> tuple[str, Any] | None:
    """Name and JSON of the ways in which a line can be read; None for the JSON where they differ, or none is any."""
    name, values = None, []
    for text in ways:
        split = split_line(text) if text.startswith("#") else None
        if split is not None:
            name = name or split[0]
            with suppress(ValueError):
                values.append(load_json(split[1]))
    if name is None:
        return None
    return name, values[0] if values and all(one == values[0] for one in values) else None


def _form(text: str, at: re.Match[str], mark: str) -> Iterator[str]:
    """What was done to an annotation's line, in words."""
    if at["index"]:
        yield "a column was put in before the first"
    if '"' in at["quote"] or "'" in at["quote"]:
        yield "quotes were put around lines"
    if text.rstrip(" ").endswith((mark, f'{mark}""')):
        yield f"lines were filled up with {_NAMED[mark]}"


def _mark_of(lines: list[tuple[int, int, str]]) -> str:
    """What stands between the cells: behind an annotation, or else between the columns' names."""
    between = ","
    for _, _, text in lines:
        found = _HEADER.match(text)
        if found is not None:
            between = found["mark"]
            break
        filled = text.rstrip('" ')[-1:] if _ANNOTATION.match(text) else ""
        if filled in _NAMED:
            return filled
    return between


def _table(lines: list[tuple[int, int, str]], at: int, forms: _Forms) -> bool:
    """Whether the line with this index names the columns; what was done to it and to the first row."""
    number, offset, text = lines[at]
    found = _HEADER.match(text)
    if found is None:
        return False
    mark = found["mark"]
    if found["before"]:
        forms.add("a column was put in before the first", number, offset)
    if mark != ",":
        forms.add(f"cells stand between {_NAMED[mark]}", number, offset)
        if at + 1 < len(lines) and re.match(r'"?-?\d+,\d', lines[at + 1][2]):
            forms.add("numbers have decimal commas", *lines[at + 1][:2])
    return True


def legible(data: bytes, tail: bytes | None = None) -> Legible:
    """Of any bytes whatever; never raises. tail: the last ones, where ``data`` are only the first."""
    head = data[:WINDOW]
    rest = data[max(len(data) - WINDOW, 0) & ~3:] if tail is None else tail
    encoding, forms = _encoding(head), _Forms()
    if encoding != "utf-8":
        forms.add(f"its text was saved as {encoding[:6].upper()}", 1, 0)
    end = b"\n"
    if encoding == "utf-8" and b"\n" not in head and head.count(b"\r") > 1:
        end = b"\r"
        forms.add("line ends were changed (CR alone)", 1, head.index(b"\r"))
    lines = [one for one in _lines(head, encoding, end) if len(one[2]) <= _LONGEST_LINE]
    mark = _mark_of(lines)
    names: set[str] = set()
    values: dict[str, Any] = {}
    first = True  # no line with anything in it was seen yet
    table_only = False
    for at, (number, offset, text) in enumerate(lines):
        if not text.strip(f'"{mark} '):
            continue
        if _table(lines, at, forms):
            table_only = first and _TABLE.search(text) is not None
            break
        first = False
        hash_at = _ANNOTATION.match(text)
        if hash_at is not None and _take(text, mark, names, values):
            for words in _form(text, hash_at, mark):
                forms.add(words, number, offset)
    for _, _, text in reversed([*_lines(rest, encoding, end, last=True)]):
        if not text.strip(f'"{mark} '):
            continue
        if len(text) > _LONGEST_LINE or _ANNOTATION.match(text) is None:
            break
        table_only = not _take(text, mark, names, values) and table_only
    if table_only:
        forms.add("its annotations were left out", 1, 0)
    return _told(names, values, forms, table_only)


def _take(text: str, mark: str, names: set[str], values: dict[str, Any]) -> bool:
    found = _value(text, mark)
    if found is None:
        return False
    name, value = found
    if value is not None and name not in names:
        values[name] = value
    names.add(name)
    return True


def _told(names: set[str], values: dict[str, Any], forms: _Forms, table_only: bool) -> Legible:
    known = {k: v for k, v in values.items() if k != "test" or v in TEST_KINDS}
    found = Legible(frozenset(names), known, table_only=table_only)
    done = sorted(forms.first.items(), key=lambda one: one[1])
    if not found.own:  # it may have been written so by hand: the reader says what to do
        done = [one for one in done if one[0].startswith(("quotes", "lines were"))]
    return Legible(
        found.names, known, tuple(f"line {line}, from byte {byte}: {words}" for words, (line, byte) in done),
        tuple(words for words, _ in done), done[0][1][0] if done else 0, table_only,
    )


def resaved_error(data: bytes, path: str) -> FileError | None:
    """What to say of a file that cannot be read, where it is a recording that was saved again; else None."""
    found = legible(data)
    if not found.resaved:
        return None
    done = "; ".join(found.words[:2])
    if found.table_only:
        return FileError(f"this is the table of a recording alone, saved by a spreadsheet or another program ({done})",
                         path=path, line=found.line,
                         do=f"{_DO}, or where there never was one add a line like '# test: \"cap\"' above")
    if not found.own:
        return FileError(f"this was saved by a spreadsheet or editor in a way that no recording has ({done})",
                         path=path, line=found.line,
                         do=f"{_DO}, or take away with a text editor what stands around the '#' lines")
    seal = ": its seal no longer fits" if found.finished else ""
    return FileError(f"this recording was saved again by a spreadsheet or editor ({done}){seal}", path=path,
                     line=found.line, do=_DO)
