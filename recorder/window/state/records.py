"""The rows of the Records place. Pure but for reading files: no Qt."""

from __future__ import annotations

import errno
import json
import os
import stat
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from recorder import report
from recorder.errors import FileError, RecorderError, fault_of, printable
from recorder.model import TEST_KINDS, Recording
from recorder.moments import utc_text
from recorder.recording import Legible, legible, read, seal_of
from recorder.recording.annotations import load_value, split_line
from recorder.recording.folders import find_recordings
from recorder.units import pressure_factor_kpa

__all__ = [
    "COLUMNS", "RecordList", "RecordRow", "annotations_of", "cell", "check_again", "list_folder", "quick_row",
    "same_words", "sort_value",
]

COLUMNS = ("time", "job", "test", "marked", "opening", "fall", "outcome", "intact?", "same again?")
_TAIL = 1 << 16
_HASHED = 1 << 22  # bytes: of a longer file the seal is looked at when it is opened or judged again
_NOT_CHECKED = "…"
_LONGEST_TEXT = 200
_UNREADABLE, _ALTERED, _GONE = "unreadable", "ALTERED", "gone"
_RESAVED = "saved again by a spreadsheet or editor"
_LARGEST = 1e12  # of a value that is shown; more is no pressure


@dataclass(frozen=True, slots=True)
class RecordRow:
    """One recording. Pressures kPa; ``intact`` and ``same`` are words, ``…`` until known. over: ``OVER LIMIT``, with
    a question mark where the gauge cannot tell; stands beside the outcome. adapter: its id, which has no column and is
    found by the filter, as the file's name is."""

    path: str
    time: str
    job: str
    test: str
    marked: str
    opening_kpa: float | None
    fall_kpa: float | None
    outcome: str
    intact: str = _NOT_CHECKED
    same: str = _NOT_CHECKED
    over: str = ""
    adapter: str = ""


def list_folder(folder: Path) -> list[Path]:
    """What the audit finds below the folder (also folders that cannot be opened, each as a line that says so), newest
    name first. Raises FileError where the folder itself cannot be read."""
    try:
        folder.stat()
    except FileNotFoundError:
        return []
    except OSError:
        pass  # said by what follows
    try:
        return sorted(find_recordings(folder), key=lambda p: p.name, reverse=True)
    except FileError as err:
        raise FileError(f"the folder cannot be read ({err.what})", path=err.path,
                        do="check its permissions, or name another with --folder") from None


def _annotation(line: str) -> tuple[str, Any] | None:
    found = split_line(line)
    with suppress(ValueError):
        return None if found is None else (found[0], load_value(*found))
    return None


def _value(q: object) -> float | None:
    value = q.get("value") if isinstance(q, Mapping) else None
    return float(value) if isinstance(value, int | float) and abs(value) < _LARGEST else None


def annotations_of(path: Path) -> dict[str, Any]:
    """The annotations at both ends of a file, without a look at what is between; none where it cannot be read."""
    try:
        *ends, _ = _ends(path, sealed=False)
    except OSError:
        return {}
    return _facts(*ends)


def _facts(*ends: bytes) -> dict[str, Any]:
    facts: dict[str, Any] = {}
    for line in b"\n".join(ends).split(b"\n"):
        if line[:1] == b"#":
            found = _annotation(line.decode("utf-8", "replace"))
            if found is not None:
                facts[found[0]] = found[1]
    return facts


def _ends(path: Path, *, sealed: bool = True) -> tuple[bytes, bytes, bool | None]:
    """The first and the last bytes of a regular file, and whether its seal fits, None where that is not known; OSError
    for anything else. A pipe does not hold the window. sealed: whether the seal is asked for."""
    fd = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    with os.fdopen(fd, "rb") as file:
        info = os.fstat(fd)
        if not stat.S_ISREG(info.st_mode):
            raise OSError(errno.EINVAL, "it is no file")
        if info.st_size <= (_HASHED if sealed else _TAIL):
            data = file.read(_HASHED + 1)
            return data[:_TAIL], data[-_TAIL:], seal_of(data)[0] if sealed else None
        head = file.read(_TAIL)
        file.seek(info.st_size - _TAIL)
        return head, file.read(_TAIL), None


def _text(value: object) -> str:
    """On one line, and nothing in it that is not to be seen."""
    return printable(str(value))[:_LONGEST_TEXT]


def _time(started: object) -> str:
    """In UTC, so that it sorts whatever zone it was written in; as it stands where it is no time of RFC 3339."""
    text = _text(started)
    return utc_text(text) or text[:16].replace("T", " ")


def quick_row(path: Path) -> RecordRow:
    """What the annotations at both ends of the file say, and whether its seal fits; nothing is judged. Never raises."""
    try:
        *ends, intact = _ends(path)
    except OSError as err:
        return RecordRow(str(path), "", f"cannot be read: {err.strerror}", "", "", None, None, _UNREADABLE, "no", "no")
    facts = _facts(*ends)
    if facts.get("test") not in TEST_KINDS or "recording-format" not in facts:
        seen = legible(*ends)
        if seen.resaved:
            return _resaved_row(path, seen)
    judgement = facts.get("judgement")
    judgement = judgement if isinstance(judgement, Mapping) else {}
    marked = facts.get("marked")
    stamped = _value(marked)
    hold = judgement.get("hold")
    adapter = facts.get("adapter")
    return RecordRow(
        str(path), _time(facts.get("started", "")), _text(facts.get("job", "")),
        _text(facts.get("test", "?")) + (" SIMULATED" if facts.get("simulated") is True else ""),
        "" if stamped is None or not isinstance(marked, Mapping) else f"{stamped:g} {_text(marked.get('unit', ''))}",
        _value(judgement.get("opening")), _value(hold.get("drop")) if isinstance(hold, Mapping) else None,
        report.outcome_word(judgement) if judgement else "unfinished",
        {True: "yes", False: _ALTERED, None: _NOT_CHECKED}[intact], over=_over(judgement),
        adapter=_text(adapter.get("id", "")) if isinstance(adapter, Mapping) else "",
    )


def _resaved_row(path: Path, seen: Legible) -> RecordRow:
    """Of a recording that a spreadsheet or an editor saved again: whose it is, as far as that is legible."""
    job = seen.text("job")
    return RecordRow(
        str(path), _time(seen.text("started") or ""),
        _text(f"{job}: {_RESAVED}" if job else _RESAVED),
        _text(seen.text("test") or "?") + (" SIMULATED" if seen.values.get("simulated") is True else ""),
        "", None, None, _UNREADABLE,
        _ALTERED if seen.finished else "no", "no")


def _over(judgement: Mapping[str, Any]) -> str:
    over = report.over_limit(judgement)
    return "" if not over else "OVER LIMIT?" if "may" in over else "OVER LIMIT"


def check_again(row: RecordRow) -> RecordRow:
    """Reads the whole file and judges it again. Never raises; slow, so done in another process."""
    from recorder.analysis import judge

    try:
        recording = read(row.path)
        fresh = json.loads(json.dumps(judge(recording).to_json()))
    except RecorderError as err:
        if not os.path.lexists(row.path):  # of what is not there nothing is known
            return replace(row, intact=_GONE, same=_GONE)
        altered = row.outcome == _UNREADABLE and row.intact == _ALTERED
        return replace(row, intact=_ALTERED if altered else "no", same="no", job=row.job or str(err.what))
    except Exception as err:  # of this one file; the others are judged all the same
        return replace(row, same="no", job=row.job or fault_of(err))
    intact, same = same_words(recording, fresh)
    return replace(row, intact=intact, same=same)


def same_words(recording: Recording, fresh: Mapping[str, Any]) -> tuple[str, str]:
    """The words for "intact?" and "same when judged again?"; ``fresh``: the new judgement, through JSON."""
    intact = {True: "yes", False: _ALTERED, None: "not sealed"}[recording.intact]
    if recording.seal_missing:
        intact = "seal missing"
    if recording.judgement is None:
        return intact, "was not judged"
    return intact, "yes" if dict(recording.judgement) == fresh else "DIFFERS"


def cell(row: RecordRow, column: int, unit: str) -> str:
    """The text of one cell."""
    k = 1.0 / pressure_factor_kpa(unit)
    decimals = {"kPa": 1, "psi": 2}.get(unit, 3)

    def pressure(kpa: float | None, more: int = 0) -> str:
        return "" if kpa is None else f"{kpa * k:.{decimals + more}f}"

    outcome = row.outcome
    if row.intact == _ALTERED and outcome != _UNREADABLE:
        outcome = _ALTERED  # what it says no longer counts
    elif row.over:  # two lines fit into a cell
        outcome = f"{'UNCLEAR' if ' ' in outcome else outcome}, {row.over}"
    return (row.time, row.job, row.test, row.marked, pressure(row.opening_kpa), pressure(row.fall_kpa, 1),
            outcome, row.intact, row.same)[column]


def sort_value(row: RecordRow, column: int) -> Any:
    """What a column is sorted by: numbers as numbers; None or an empty text where there is nothing."""
    if column in (4, 5):
        return row.opening_kpa if column == 4 else row.fall_kpa
    return cell(row, column, "kPa").lower()


class RecordList:
    """The rows that were found, which of them are shown, and in which order.

    Sorting and filtering run over keys that are made once a row, so that thousands of rows take milliseconds.
    """

    def __init__(self, unit: str = "kPa") -> None:
        self.rows: list[RecordRow] = []
        self.shown: list[int] = []
        self.unit = unit
        self._texts: list[str] = []
        self._at: dict[str, int] = {}
        self._filter: list[str] = []
        self.column, self.descending = 0, True

    def clear(self) -> None:
        """No rows; filter and order stay."""
        self.rows, self.shown, self._texts, self._at = [], [], [], {}

    def add(self, rows: Sequence[RecordRow]) -> None:
        """More rows, at their places."""
        for row in rows:
            self._at[row.path] = len(self.rows)
            self.rows.append(row)
            self._texts.append(self._text(row))
        self.arrange()

    def replace(self, row: RecordRow) -> int | None:
        """The row of the same path, now known better; where it is shown, None where it is not."""
        at = self._at.get(row.path)
        if at is None:
            return None
        self.rows[at] = row
        self._texts[at] = self._text(row)
        return self.shown.index(at) if at in self.shown else None

    def row(self, place: int) -> RecordRow:
        """What is shown at ``place``."""
        return self.rows[self.shown[place]]

    def place_of(self, path: str) -> int | None:
        """Where a path is shown."""
        at = self._at.get(path)
        return self.shown.index(at) if at is not None and at in self.shown else None

    def set_filter(self, text: str) -> None:
        """Rows that hold every one of these words, anywhere."""
        self._filter = text.lower().replace("−", "-").split()  # as it stands in the table, or as keys have it
        self.arrange()

    def set_unit(self, unit: str) -> None:
        """The unit of the shown numbers, which the filter sees too."""
        self.unit = unit
        self._texts = [self._text(row) for row in self.rows]
        self.arrange()

    def sort_by(self, column: int, *, descending: bool) -> None:
        """By a column; rows that have nothing there come last either way."""
        self.column, self.descending = column, descending
        self.arrange()

    def arrange(self) -> None:
        """Filter and order, anew."""
        keep = [i for i, text in enumerate(self._texts) if all(word in text for word in self._filter)]
        keys = {i: sort_value(self.rows[i], self.column) for i in keep}
        given = [i for i in keep if keys[i] not in (None, "")]
        self.shown = sorted(given, key=lambda i: keys[i], reverse=self.descending)
        self.shown += [i for i in keep if keys[i] in (None, "")]

    def _text(self, row: RecordRow) -> str:
        cells = (cell(row, column, self.unit) for column in range(len(COLUMNS)))
        return " ".join((*cells, row.adapter, Path(row.path).name)).lower()
